"""What no bench can mean: limits that can not act, allowances that are no protection, wires mixed up.

Every refusal says where it stands, what was found and what would be right.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Final

from daq.bench.alarm_models import LimitSpec
from daq.bench.channel_spec import ChannelSpec
from daq.bench.scpi_spec import ScpiSpec
from daq.bench.source_base import SourceSpec
from daq.bench.text_spec import TextSpec
from daq.bench.units import convert, units_like

if TYPE_CHECKING:
    from daq.bench.models import Bench

__all__ = ["LONGEST_ALLOWANCE_S", "senseless"]

LONGEST_ALLOWANCE_S: Final = 30.0
"""For longer than this no protection may go without a value or a word [s] (judgement): a litre of lye
warms by kelvins meanwhile."""
POWERED_SHARE: Final = 1.0 / 3.0
"""Current below this share of the supply's greatest counts as off at the most [1] (judgement)."""
ROOM_C: Final = 20.0
"""Where the bench file gives no room temperature [degC]."""

_HIGH, _LOW = ("warn", "high", "trip"), ("low_trip", "low_warn")
_VOLTS_ASKED = re.compile(r"\bVOLT(?:AGE)?\b", re.IGNORECASE)
_VOLTS_NAMED = re.compile(r"(?:.*_)?(?:m?v|volts?|voltage|millivolts?)|volts?_.*", re.IGNORECASE)


def senseless(bench: Bench) -> list[str]:
    """What no bench can mean, each as "key: what is wrong: what would be right"; empty where all is well.

    Runs of before are read with the bench files that they were recorded with, so this is asked of a file that
    is to be worked with, and not of every bench.
    """
    found = [*_supply(bench), *_lye_unguarded(bench), *_allowances(bench)]
    room_c = bench.site.room_temp_c
    for name, limit in bench.limits.items():
        found += _out_of_reach(name, limit, bench.channels[name])
        if bench.channels[name].unit == "degC":
            found += _no_way_back(f"limits.{name}.deadband", limit, limit.deadband, room_c)
    for alarm, rule in bench.alarms.named.items():
        subject, _, what = alarm.partition(".")
        level = "low_warn" if what == "low" else what
        of = bench.limits.get(subject)
        if of is None or rule.deadband is None or level not in (*_HIGH, *_LOW):
            continue
        if bench.channels[subject].unit == "degC":
            alone = of.model_copy(update={n: None for n in (*_HIGH, *_LOW) if n != level})
            found += _no_way_back(f"alarms.rules.{alarm}.deadband", alone, rule.deadband, room_c)
    for name, channel in bench.channels.items():
        if channel.unit == "degC":
            found += _fed_with_volts(name, channel, bench.sources[channel.source], bench.channels)
    return found


def _supply(bench: Bench) -> Iterator[str]:
    supply = bench.supply
    if supply.powered_above_amps > POWERED_SHARE * supply.amps_max:
        yield (
            f"supply.powered_above_amps: is more than a third of amps_max = {supply.amps_max:g}, so that a "
            "stack under a third of its current would count as off and nothing that goes missing would trip: "
            f"write at most {POWERED_SHARE * supply.amps_max:.3g}, and best what your meter's zero wanders by"
        )


def _lye_unguarded(bench: Bench) -> Iterator[str]:
    if bench.sources[bench.supply.trip_source].kind == "recording" and bench.supply.second_cut is None:
        return  # a recording cuts nothing
    limit = bench.limits.get("lye_temp")
    if limit is not None and limit.trip is not None:
        return
    key = "limits.lye_temp" if limit is None else "limits.lye_temp.trip"
    what = (
        "is missing, though [supply] names who cuts: nothing would cut a stack that runs hot"
        if "lye_temp" in bench.channels
        else "is missing, and so is a channel lye_temp, though [supply] names who cuts: nothing would cut a "
        "stack that runs hot"
    )
    yield (
        f"{key}: {what}: write [limits.lye_temp] with trip = 65.0, or what the weakest part of your stack "
        "stands"
    )


def _out_of_reach(name: str, limit: LimitSpec, channel: ChannelSpec) -> Iterator[str]:
    if channel.valid is None:
        return
    low, high = channel.valid
    for key in ("low_trip", "trip"):
        at = getattr(limit, key)
        if at is not None and not low <= at <= high:
            yield (
                f"limits.{name}.{key}: lies outside channels.{name}.valid = [{low:g}, {high:g}] "
                f"{channel.unit}, where no value is taken to be good: give a limit that the sensor can read, "
                "or its true range in valid"
            )


def _no_way_back(key: str, limit: LimitSpec, deadband: float, room_c: float | None) -> Iterator[str]:
    room, source = (ROOM_C, "taken as") if room_c is None else (room_c, "site.room_temp_c =")
    for names, sign in ((_HIGH, 1.0), (_LOW, -1.0)):
        for name in names:
            at = getattr(limit, name)
            if at is None or sign * (at - room) <= 0.0 or deadband < sign * (at - room):
                continue
            yield (
                f"{key}: from {name} = {at:g} degC it reaches to the room's temperature ({source} {room:g} "
                "degC) or past it, so that nothing that cools down in this room would ever be over: write "
                "1 to 2 K"
            )
            return


def _allowances(bench: Bench) -> Iterator[str]:
    guards = {
        name: limit
        for name, limit in bench.limits.items()
        if limit.trip is not None or limit.low_trip is not None
    }
    too_long = (
        f"is more than {LONGEST_ALLOWANCE_S:g} s, for which the supply would stay on with nobody looking: "
        f"give {LONGEST_ALLOWANCE_S:g} at most, and read it more often where it is too slow for that"
    )
    for name in guards:
        channel = bench.channels[name]
        if channel.stale_after_s > LONGEST_ALLOWANCE_S:
            by_source = channel.stale_after_s == bench.sources[channel.source].stale_after_s
            key = f"sources.{channel.source}" if by_source else f"channels.{name}"
            yield f"{key}.stale_after_s: {too_long}"
    for source in sorted({bench.supply.trip_source, *(bench.channels[n].source for n in guards)}):
        if bench.sources[source].silent_after_s > LONGEST_ALLOWANCE_S:
            yield f"sources.{source}.silent_after_s: {too_long}"


def _fed_with_volts(
    name: str, channel: ChannelSpec, source: SourceSpec, channels: Mapping[str, ChannelSpec]
) -> Iterator[str]:
    """A temperature whose field shows volts: as it is, or by a sensor that starts from something else.

    What a scale or an offset makes of volts may well be a temperature, as of a sensor that gives 10 mV/K.
    """
    thermometer = channel.thermometer
    if thermometer is None:
        as_it_is = [convert(unit, "degC") for unit in units_like("degC")]
        if (channel.scale, channel.offset) not in as_it_is:
            return
        wanted = "write its sensor, or the scale and offset from volts to degC"
    elif thermometer.kind == "thermocouple":
        if channel.scale != 1.0:
            return  # it starts from millivolts, which a scale makes of volts
        wanted = "write scale = 1000.0, which makes a thermocouple's millivolts of them"
    elif getattr(thermometer, "series_ohm", None) is None and channel.scale == 1.0:
        wanted = "write series_ohm and the share of the divider's supply, or have the resistance measured"
    else:
        return
    wrong = _volts_instead(channel, source, channels, named=thermometer is None)
    if wrong is not None:
        yield (
            f"channels.{name}.field: {wrong}, and this channel takes it for "
            f"{'degC' if thermometer is None else 'what a ' + thermometer.kind + ' starts from'}: name the "
            f"field with the temperature, or {wanted}"
        )


def _volts_instead(
    channel: ChannelSpec, source: SourceSpec, channels: Mapping[str, ChannelSpec], *, named: bool
) -> str | None:
    """What says that a channel's field shows volts; None where nothing does."""
    field = channel.field
    if isinstance(source, ScpiSpec):
        asked = next((q for q in source.queries if field in q.names), None)
        if asked is not None:
            parts = asked.ask.split(";")
            unit = parts[asked.names.index(field)] if len(parts) == len(asked.names) else asked.ask
            if _VOLTS_ASKED.search(unit) and "TEMP" not in unit.upper():
                return f"{unit.strip()!r} asks for volts"
    if isinstance(source, TextSpec) and any(
        re.search(rf"\(\?P<{re.escape(field)}>(?:[^()\\]|\\.)*\)(?:\\s[*+]?| )*m?V(?![a-zA-Z])", p)
        for p in source.patterns
    ):
        return f"{field!r} stands before V in the pattern"
    other = next(
        (
            n
            for n, c in channels.items()
            if (c.source, c.field) == (channel.source, field) and c.unit == "V" and c is not channel
        ),
        None,
    )
    if other is not None:
        return f"channels.{other} shows the same field in volts"
    return f"{field!r} is a name of volts" if named and _VOLTS_NAMED.fullmatch(field) else None
