"""The alarms of a bench, with defaults that suit a gas cell: each with what it means and what to do.

Temperature trips and loss of flow carry no comfort delays: the 15 to 60 s that process plants allow would be
most of the time there is. Priorities follow consequence and time to act (ANSI/ISA-18.2-2016, rationalisation).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from daq.bench import Bench, LimitSpec
from daq.physics.cell_voltage import v_tn
from daq.physics.heat import thermal_mass_j_k
from daq.watch.alarms import AlarmSpec, Priority
from daq.watch.columns import FloatArray
from daq.watch.detectors import LimitDetector, PulseDetector
from daq.watch.rules import (
    ChannelRule,
    ExternalRule,
    FailedRule,
    LostRule,
    Rule,
    StaleRule,
    TickRule,
    Ticks,
)

__all__ = ["alarm_rules", "channel_words", "is_protective", "stuck_after_s", "warming_limit_c_per_min"]

CELL_VOLTS_HIGH, CELL_VOLTS_LOW = 2.7, 1.35
"""Volts per cell beyond which something is wrong (judgement: steel plates in lye run at 1.8 to 2.5 V)."""
ALLOWED_OVER = 1.02
"""A supply in current limit hovers about its rating; beyond this share of it something is wrong (judgement)."""
VOLTS_UNDER = 0.85
NO_GAS_SHARE = 0.2
GAS_ARRIVES_S = 15.0
GAS_CEASES_S = 60.0
EFFICIENCY_KEPT = 0.85
WATER_WARN_SHARE = 0.15
REALARM_CRITICAL_S = 600.0

_TEMPERATURE = ("lye_temp", "gas_temp", "room_temp")
_OFF_IS_LOW = ("volts", "amps", "watts", "gas_flow", "gas_pressure")


def channel_words(channel: str) -> str:
    """A channel in words for a title: ``Lye temperature``."""
    titles = {
        "volts": "Voltage",
        "amps": "Current",
        "watts": "Power",
        "lye_temp": "Lye temperature",
        "room_temp": "Room temperature",
        "gas_temp": "Gas temperature",
        "gas_flow": "Gas flow",
        "room_pressure": "Room pressure",
        "gas_pressure": "Gas pressure",
        "gas_humidity": "Gas humidity",
    }
    return titles.get(channel) or channel.replace("_", " ").capitalize()


def is_protective(bench: Bench, channel: str) -> bool:
    """Whether a hard limit, by which the supply is cut, stands on this channel."""
    limit = bench.limits.get(channel)
    return limit is not None and (limit.trip is not None or limit.low_trip is not None)


def stuck_after_s(bench: Bench, channel: str) -> float | None:
    """After how long an unchanging value counts as stuck [s]; None where that can not be told.

    Where the bench file does not say, a protective channel of fine resolution is judged: its noise alone keeps
    a healthy reading moving.
    """
    limit = bench.limits.get(channel)
    if limit is not None and limit.stuck_after_s is not None:
        return limit.stuck_after_s
    resolution = bench.channels[channel].resolution
    if is_protective(bench, channel) and 0.0 < resolution <= 0.1:
        return 300.0 if resolution <= 0.05 else 600.0
    return None


def alarm_rules(bench: Bench) -> list[Rule]:
    """The rules of a bench, in no particular order."""
    rules: list[Rule] = []
    warms = warming_limit_c_per_min(bench)
    for channel, limit in bench.limits.items():
        rules += _limit_rules(bench, channel, limit, warms)
    for channel in bench.channels:
        rules += _sensor_rules(bench, channel)
    rules += _source_rules(bench)
    rules += _supply_rules(bench)
    rules += _gas_rules(bench)
    rules += _slow_rules(bench, warms)
    rules += _external_rules()
    return rules


# -- limits of the bench file ---------------------------------------------------------------------------------


def _limit_rules(bench: Bench, channel: str, limit: LimitSpec, warms: float) -> Iterator[Rule]:
    unit = bench.channels[channel].unit
    title = channel_words(channel)
    low_off = channel in _OFF_IS_LOW
    top = limit.trip if limit.trip is not None else limit.high
    levels = (
        ("warn", limit.warn, False, "near its limit", Priority.MEDIUM),
        ("high", limit.high, False, "high", Priority.HIGH),
        ("trip", limit.trip, False, "beyond its trip limit", Priority.CRITICAL),
        ("low", limit.low_warn, True, "low", Priority.MEDIUM),
        ("low_trip", limit.low_trip, True, "below its trip limit", Priority.CRITICAL),
    )
    for name, at, low, words, priority in levels:
        if at is None:
            continue
        trip = priority is Priority.CRITICAL
        left = None
        if channel == "lye_temp" and top is not None and not low and top > at:
            left = (top - at) / warms * 60.0
        spec = AlarmSpec(
            name=f"{channel}.{name}",
            title=f"{title} {words}",
            priority=priority,
            what=_meaning(channel, name),
            action=_remedy(channel, name),
            time_s=0.0 if trip else left,
            unit=unit,
            limit=at,
            latched=trip,
            suppressed_while_off=low and low_off,
            realarm_s=REALARM_CRITICAL_S if trip else None,
        )
        # A delay that hides an excursion past the trip limit would hide what cut the supply.
        on_delay = 0.0 if trip else limit.on_delay_s
        if low and low_off and not trip:
            on_delay = max(on_delay, 1.0)  # current and this channel do not fall at the same sample
        yield ChannelRule(spec, channel, LimitDetector(at, low, limit.deadband, on_delay, limit.off_delay_s))


def _meaning(channel: str, level: str) -> str:
    if channel == "lye_temp":
        return {
            "warn": "The stack warms towards its limit.",
            "high": "Housing, gaskets and hoses come near what they stand; steam grows fast from here on.",
            "trip": "The lye is hotter than the bench may be. The reader cuts the supply here.",
        }.get(level, "The lye is colder than it should be.")
    words = channel_words(channel).lower()
    return {
        "warn": f"The {words} nears what the bench file allows.",
        "high": f"The {words} is above what the bench file allows.",
        "trip": f"The {words} is beyond its hard limit. The reader cuts the supply here.",
        "low": f"The {words} is below what the bench file allows.",
        "low_trip": f"The {words} is below its hard limit. The reader cuts the supply here.",
    }[level]


def _remedy(channel: str, level: str) -> str:
    if level.endswith("trip"):
        return "See that the supply is off; cut it by hand if it is not. Find the cause before you reset."
    if channel == "lye_temp" and level == "high":
        return "Turn the current down or the supply off now; see to cooling and lye level."
    if channel == "lye_temp" and level == "warn":
        return "Look at the trend; turn the current down or cool before it reaches the limit."
    return "Look at the bench and bring it back, or turn the supply off."


# -- sensors and sources --------------------------------------------------------------------------------------


def _sensor_rules(bench: Bench, channel: str) -> Iterator[Rule]:
    spec, title = bench.channels[channel], channel_words(channel)
    source = bench.sources[spec.source]
    protective = is_protective(bench, channel)
    stale = AlarmSpec(
        name=f"{channel}.stale",
        title=f"{title}: no fresh value",
        priority=Priority.HIGH if protective else Priority.LOW,
        what="No good value has come for longer than the bench file allows."
        + (
            " Nothing guards by this channel meanwhile; while powered, the reader cuts the supply."
            if protective
            else ""
        ),
        action="Look at the sensor, its plug and the device's messages."
        + (" Cut the supply by hand if it is on." if protective else ""),
        time_s=0.0 if protective else None,
        unit="s",
        limit=spec.stale_after_s,
    )
    yield StaleRule(
        stale,
        channel,
        spec.source,
        protective,
        round(source.silent_after_s * 1e9),
        PulseDetector(spec.stale_after_s),
    )
    if spec.valid is not None:
        failed = AlarmSpec(
            name=f"{channel}.failed",
            title=f"{title}: sensor failed",
            priority=Priority.HIGH if protective else Priority.LOW,
            what=f"Values lie outside what the sensor can read, {spec.valid[0]:g} to {spec.valid[1]:g} {spec.unit}: an open or shorted lead.",
            action="Turn the supply off and mend the sensor."
            if protective
            else "Mend the sensor; its numbers are left out meanwhile.",
            time_s=0.0 if protective else None,
        )
        yield FailedRule(failed, channel, LimitDetector(0.5, on_delay_s=1.0, off_delay_s=2.0))
    after = stuck_after_s(bench, channel)
    if after is not None:
        stuck = AlarmSpec(
            name=f"{channel}.stuck",
            title=f"{title}: does not change",
            priority=Priority.HIGH if protective else Priority.LOW,
            what="The value has not changed at all while powered: the sensor or its converter hangs and guards nothing.",
            action="Compare with another thermometer; turn the supply off if in doubt." if channel in _TEMPERATURE
            else "Look at the sensor and its converter.",
            unit="s",
            limit=after,
            suppressed_while_off=True,
        )  # fmt: skip
        yield TickRule(stuck, lambda ticks, c=channel: ticks.unchanged_s[c], LimitDetector(after))  # type: ignore[misc]


def _source_rules(bench: Bench) -> Iterator[Rule]:
    for name, source in bench.sources.items():
        guards = name == bench.supply.trip_source or any(
            is_protective(bench, c) for c, s in bench.channels.items() if s.source == name
        )
        spec = AlarmSpec(
            name=f"{name}.lost",
            title=f"Source {name} is silent",
            priority=Priority.CRITICAL if guards else Priority.MEDIUM,
            what="Its device sends nothing."
            + (
                " Whether the supply is on can not be seen, and it may not be possible to cut it from here."
                if guards
                else " Its channels are not recorded."
            ),
            action="Cut the supply by hand, then look at cable, plug and device."
            if guards
            else "Look at cable, plug and device.",
            time_s=0.0 if guards else None,
            unit="s",
            limit=source.silent_after_s,
        )
        yield LostRule(spec, name, PulseDetector(source.silent_after_s))


# -- supply ---------------------------------------------------------------------------------------------------


def _supply_rules(bench: Bench) -> Iterator[Rule]:
    supply, cells = bench.supply, bench.stack.cells
    if "amps" in bench.channels:
        at = supply.amps_max * ALLOWED_OVER
        spec = AlarmSpec("amps.over", "Current above the supply's rating", Priority.HIGH,
                         "More current flows than the bench file says the supply can give: a short, a wrong setting or a wrong reading.",
                         "Turn the supply off; look for a bridge between plates or leads.", 60.0, "A", at)  # fmt: skip
        yield ChannelRule(spec, "amps", LimitDetector(at, deadband=0.02 * at))
    if "volts" in bench.channels:
        at = supply.volts_max * ALLOWED_OVER
        spec = AlarmSpec("volts.over", "Voltage above the supply's rating", Priority.MEDIUM,
                         "More volts than the bench file says the supply can give: a wrong setting, an open stack or a wrong reading.",
                         "Turn the supply down; look at the leads to the stack.", None, "V", at)  # fmt: skip
        yield ChannelRule(spec, "volts", LimitDetector(at, deadband=0.02 * at))
    if "volts" in bench.channels and supply.mode == "constant_voltage" and supply.volts_set is not None:
        at = supply.volts_set * VOLTS_UNDER
        spec = AlarmSpec("volts.under", "Voltage below its setting", Priority.LOW,
                         "The supply does not hold its voltage: it limits the current, its mains sag, or a lead has resistance.",
                         "Look at the supply's display; feel for a warm lead or clamp, with the supply off.", None, "V", at,
                         suppressed_while_off=True)  # fmt: skip
        yield TickRule(
            spec, lambda ticks: ticks.numbers.value["volts"], LimitDetector(at, True, 0.02 * at, 5.0)
        )
    if {"volts", "amps"} <= set(bench.channels):
        high = max(CELL_VOLTS_HIGH, 1.1 * (supply.volts_set or 0.0) / cells)
        spec = AlarmSpec("cell_volts.high", "Volts per cell too high", Priority.MEDIUM,
                         "A cell takes more volts than plates in lye should: weak or low lye, gas-blocked gaps, a bad contact, or `cells` is wrong.",
                         "Turn the supply down; look at lye level and strength, clamps, and the bench file's `cells`.", None, "V", high,
                         suppressed_while_off=True)  # fmt: skip
        yield TickRule(spec, _cell_volts, LimitDetector(high, False, 0.03, 5.0))
        spec = AlarmSpec("cell_volts.low", "Volts per cell too low", Priority.MEDIUM,
                         "Current flows at fewer volts than water can be split with: plates touch, or `cells` is wrong.",
                         "Turn the supply off; look for plates or gaskets that touch, and at the bench file's `cells`.", None, "V",
                         CELL_VOLTS_LOW, suppressed_while_off=True)  # fmt: skip
        yield TickRule(spec, _cell_volts, LimitDetector(CELL_VOLTS_LOW, True, 0.03, 5.0))


def _cell_volts(ticks: Ticks) -> FloatArray:
    # While the window still holds time without current its mean says nothing of the cells.
    whole = ticks.powered_s >= 1e-9 * float(ticks.numbers.window_ns)
    return np.where(whole, ticks.numbers.value["cell_volts"], np.nan)


# -- gas ------------------------------------------------------------------------------------------------------


def _gas_rules(bench: Bench) -> Iterator[Rule]:
    if "gas_flow" not in bench.channels:
        return
    channel = bench.channels["gas_flow"]
    width = 0.0 if channel.valid is None else channel.valid[1] - channel.valid[0]
    accuracy = channel.accuracy
    floor = (
        accuracy.absolute + 0.01 * accuracy.percent_of_range * width + accuracy.counts * channel.resolution
    )
    floor = max(floor, channel.resolution)
    if "amps" in bench.channels:
        spec = AlarmSpec("gas_flow.none", "No gas while powered", Priority.HIGH,
                         "Current flows and the gas does not reach the meter: it escapes into the room, the line is blocked, or the meter fails.",
                         "Turn the supply off and keep flames away; look for a hose off, a blocked line or arrestor, then at the meter.",
                         60.0, "1", NO_GAS_SHARE, suppressed_while_off=True)  # fmt: skip
        yield TickRule(
            spec, lambda ticks: _gas_share(ticks, floor), LimitDetector(NO_GAS_SHARE, True, 0.1, 2.0)
        )
    if "amps" in bench.channels or "relay" in bench.channels:
        at = max(0.05, 2.0 * floor)
        spec = AlarmSpec("gas_flow.while_off", "Gas flows while off", Priority.HIGH,
                         "The meter reads gas although no current is measured: the current reading fails and the stack is on, or the meter's zero is off.",
                         "See by the supply's own display whether it is on; cut it by hand. Then look at the current sensor and the meter's zero.",
                         None, "L/min", at)  # fmt: skip
        yield TickRule(
            spec,
            lambda ticks: np.where(ticks.off_s > GAS_CEASES_S, ticks.brief["gas_flow"], 0.0),
            LimitDetector(at, deadband=0.2 * at, on_delay_s=5.0),
        )


def _gas_share(ticks: Ticks, floor: float) -> FloatArray:
    """Gas read over gas that the current could make; 1 while it is too early to judge, NaN while too little to."""
    could = ticks.brief["could_lpm"]
    judged = np.nan_to_num(could) > 5.0 * floor
    share = np.divide(ticks.brief["gas_flow"], could, out=np.full_like(could, np.nan), where=judged)
    return np.where(ticks.powered_s < GAS_ARRIVES_S, 1.0, share)


# -- slow ones ------------------------------------------------------------------------------------------------


def _slow_rules(bench: Bench, warms: float) -> Iterator[Rule]:
    if {"gas_flow", "amps"} <= set(bench.channels):
        spec = AlarmSpec("efficiency.fallen", "Efficiency has fallen", Priority.LOW,
                         "The stack makes less gas from its current than it did in this run: leak between cells, or gas lost before the meter.",
                         "Look at lye level (foam, overflow into ports), gaskets and hoses.", None, "1", EFFICIENCY_KEPT,
                         suppressed_while_off=True)  # fmt: skip
        yield TickRule(
            spec, lambda ticks: ticks.efficiency_kept, LimitDetector(EFFICIENCY_KEPT, True, 0.05, 60.0)
        )
    if "amps" in bench.channels:
        stack = bench.stack
        least = stack.litres_min if stack.litres_min else 0.75 * stack.litres
        at = least + WATER_WARN_SHARE * (stack.litres - least)
        spec = AlarmSpec("water.low", "Lye low, by the charge used", Priority.HIGH if stack.litres_min else Priority.MEDIUM,
                         "So much water has been split and carried off since the run began that the lye nears its lowest level."
                         + ("" if stack.litres_min else " The bench file gives no lowest level; three quarters of the filling is taken."),
                         "Turn the supply off, look at the level, top up with distilled water.", None, "L", at)  # fmt: skip
        yield TickRule(
            spec,
            lambda ticks: stack.litres - 1e-3 * ticks.water_ml,
            LimitDetector(at, True, 0.01 * stack.litres),
        )
    if "lye_temp" in bench.channels:
        spec = AlarmSpec("lye_temp.rate", "Lye warms too fast", Priority.HIGH,
                         "The lye warms faster than this supply can warm this much of it: little lye is left in the stack, heat comes from elsewhere, "
                         "or the sensor is touched or failing.",
                         "Turn the supply off; look at the lye level and at the sensor.", 120.0, "degC/min", warms)  # fmt: skip
        yield TickRule(
            spec,
            lambda ticks: (
                ticks.numbers.value["temp_rate_c_per_min"] - ticks.numbers.u95["temp_rate_c_per_min"]
            ),
            LimitDetector(warms, deadband=0.2 * warms),
        )


def _external_rules() -> Iterator[Rule]:
    yield ExternalRule(AlarmSpec("supply.tripped", "Supply was cut", Priority.HIGH,
                                 "A hard limit, a lost sensor, a person or the device itself cut the supply.",
                                 "Find the first cause. Reset only when it is gone and you have looked at the bench."))  # fmt: skip
    yield ExternalRule(AlarmSpec("recording.impaired", "Recording is impaired", Priority.MEDIUM,
                                 "Samples are held back or lost: the disk is full or fails, or the reader falls behind.",
                                 "Free disk space; look at the reader's messages. The guard goes on without the recording."))  # fmt: skip


def warming_limit_c_per_min(bench: Bench) -> float:
    """How fast the supply at its limits could warm the lye [degC/min], with a quarter on top.

    Of the power, the share ``1 - V_tn / V_cell`` becomes heat, taken at the supply's highest volts per cell, and
    none of it is lost.
    """
    stack, supply = bench.stack, bench.supply
    capacity = float(thermal_mass_j_k(stack.litres, stack.mass_fraction, stack.steel_kg, stack.electrolyte))
    share = max(0.2, 1.0 - float(v_tn(25.0)) * stack.cells / supply.volts_max)
    return 1.25 * share * supply.volts_max * supply.amps_max / capacity * 60.0
