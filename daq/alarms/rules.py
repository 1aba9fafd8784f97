"""The alarms of a bench, with defaults that suit a gas cell. Their words are in `alarm_words`.

Temperature trips and loss of flow carry no comfort delays: the 15 to 60 s that process plants allow would be
most of the time there is.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from daq.alarms import rationale as words
from daq.alarms.detectors import LimitDetector, PulseDetector
from daq.alarms.rationale import rationale
from daq.alarms.rule_kinds import (
    ChannelRule,
    ExternalRule,
    FailedRule,
    FrozenRule,
    LostRule,
    Rule,
    StaleRule,
    ThoughOpenRule,
    TickRule,
    Ticks,
)
from daq.alarms.settings import check_rules, configured
from daq.alarms.states import Priority
from daq.bench import Bench, LimitSpec
from daq.measure import STRONGER_BY, FloatArray, least_litres
from daq.physics.cell_voltage import v_tn
from daq.physics.heat import thermal_mass_j_k
from daq.stillness import Stillness, stillness_rule

__all__ = [
    "EXTERNAL_ALARMS",
    "FORECAST_ALARMS",
    "alarm_rules",
    "alarm_units",
    "check_alarms",
    "forecast_rules",
    "is_protective",
    "stuck_after_s",
    "warming_limit_c_per_min",
]

CELL_VOLTS_HIGH, CELL_VOLTS_LOW = 2.7, 1.35
"""Volts per cell beyond which something is wrong (judgement: steel plates in lye run at 1.8 to 2.5 V)."""
ALLOWED_OVER = 1.02
"""A supply in current limit hovers about its rating; beyond this share something is wrong (judgement)."""
VOLTS_UNDER = 0.85
"""Share of the set voltage below which the supply does not hold it (judgement)."""
NO_GAS_SHARE = 0.2
"""Below this share of the gas that the current could make, gas is missing (judgement)."""
GAS_ARRIVES_S, GAS_CEASES_S = 15.0, 60.0
"""Gas reaches the meter, and runs out of it, so long after the supply is switched [s] (judgement)."""
EFFICIENCY_KEPT = 0.85
"""Share of the run's best Faradaic efficiency below which it has fallen (judgement)."""
FORECAST_ALARMS = (
    "lye_temp.forecast",
    "forecast.blind",
    "lye_temp.rough",
    "lye_temp.doubtful",
    "amps.clipped",
)
"""Alarms of the forecaster, the warning itself first: a bench without a forecaster has none of them."""
EXTERNAL_ALARMS = (
    "supply.tripped",
    "supply.not_cut",
    "reader.lost",
    "watch.failed",
    "forecast.failed",
    "recording.impaired",
    "notify.failed",
    "publish.failed",
)
"""Alarms whose conditions the watch can not see in samples; see `Watch.set_condition`."""

CLIPPED_SHARE = 0.002
"""Within this share of its range from the top, a meter has nothing more to give (judgement)."""
_CLIPS = ("volts", "gas_flow")
"""Of `amps` the forecaster says it, by how the reading stands still."""
_FALLS_WHEN_OFF = ("volts", "amps", "watts", "gas_flow", "gas_pressure")


def is_protective(bench: Bench, channel: str) -> bool:
    """Whether a hard limit, by which the supply is cut, stands on this channel."""
    limit = bench.limits.get(channel)
    return limit is not None and (limit.trip is not None or limit.low_trip is not None)


def stuck_after_s(bench: Bench, channel: str) -> float | None:
    """After how long an unchanging value counts as stuck [s]; None where that can not be told.

    Where the bench file does not say, a protective channel of fine resolution is judged: its noise alone
    keeps a healthy reading moving.
    """
    limit = bench.limits.get(channel)
    if limit is not None and limit.stuck_after_s is not None:
        return limit.stuck_after_s
    resolution = bench.channels[channel].resolution
    if is_protective(bench, channel) and 0.0 < resolution <= 0.1:
        return 300.0 if resolution <= 0.05 else 600.0
    return None


def warming_limit_c_per_min(bench: Bench) -> float:
    """How fast the supply at its limits could warm the lye [degC/min], with a quarter on top.

    Of the power, the share ``1 - V_tn / V_cell`` becomes heat, taken at the supply's highest volts per cell,
    and none of it is lost.
    """
    stack, supply = bench.stack, bench.supply
    capacity = float(
        thermal_mass_j_k(
            stack.litres, stack.mass_fraction, stack.steel_kg, stack.electrolyte, stronger="nearest"
        )
    )
    share = max(0.2, 1.0 - float(v_tn(25.0)) * stack.cells / supply.volts_max)
    return 1.25 * share * supply.volts_max * supply.amps_max / capacity * 60.0


def alarm_rules(bench: Bench) -> list[Rule]:
    """The rules of a bench, in no particular order."""
    rules: list[Rule] = []
    for channel, limit in bench.limits.items():
        rules += _limit_rules(bench, channel, limit)
    for channel in bench.channels:
        rules += _sensor_rules(bench, channel)
    rules += _source_rules(bench)
    rules += _supply_rules(bench)
    rules += _gas_rules(bench)
    rules += _slow_rules(bench)
    rules += [ExternalRule(rationale(name)) for name in EXTERNAL_ALARMS]
    return configured(bench, rules)


def forecast_rules(bench: Bench) -> list[Rule]:
    """The rules of the forecaster's alarms, as `FORECAST_ALARMS`."""
    return configured(bench, [ExternalRule(rationale(name)) for name in FORECAST_ALARMS])


def alarm_units(bench: Bench) -> dict[str, str]:
    """The unit of each alarm's value, by its name: the channel's for a limit on it, seconds for an age."""
    return {rule.spec.name: rule.spec.unit for rule in [*alarm_rules(bench), *forecast_rules(bench)]}


def check_alarms(bench: Bench) -> list[Rule]:
    """The rules of a bench, the forecast's among them, once what the bench file says of them is in order.

    Raises
    ------
    BenchFileError
        Where it names an alarm that there is not, or a key that one does not take.
    """
    rules = [*alarm_rules(bench), *forecast_rules(bench)]
    check_rules(bench, rules)
    return rules


def _limit_rules(bench: Bench, channel: str, limit: LimitSpec) -> Iterator[Rule]:
    top = limit.trip if limit.trip is not None else limit.high
    levels = (
        ("warn", limit.warn),
        ("high", limit.high),
        ("trip", limit.trip),
        ("low", limit.low_warn),
        ("low_trip", limit.low_trip),
    )
    for level, at in levels:
        if at is None:
            continue
        low, trip = level.startswith("low"), level.endswith("trip")
        goes = low and channel in _FALLS_WHEN_OFF
        time_s = 0.0 if trip else None
        if channel == "lye_temp" and not low and top is not None and top > at:
            time_s = (top - at) / warming_limit_c_per_min(bench) * 60.0
        spec = rationale(
            f"{channel}.{level}",
            words.of_limit(channel, level),
            limit=at,
            latched=trip,
            cuts="reader" if trip else None,
            time_s=time_s,
            unit=bench.channels[channel].unit,
            suppressed_while_off=goes,
        )
        # A delay that hides an excursion past the trip limit would hide what cut the supply. And when the
        # supply is cut, current and this channel do not fall at one and the same sample.
        on_delay = 0.0 if trip else max(limit.on_delay_s, 1.0 if goes else 0.0)
        settles_s = GAS_ARRIVES_S if channel == "gas_flow" else 0.0
        detector = LimitDetector(at, low, limit.deadband, on_delay, limit.off_delay_s)
        yield ChannelRule(spec, channel, detector, settles_s)


def _sensor_rules(bench: Bench, channel: str) -> Iterator[Rule]:
    spec = bench.channels[channel]
    silent_ns = round(bench.sources[spec.source].silent_after_s * 1e9)
    protective = is_protective(bench, channel)
    stale = rationale(f"{channel}.stale", words.of_stale(channel, protective), limit=spec.stale_after_s)
    yield StaleRule(stale, channel, spec.source, protective, silent_ns, PulseDetector(spec.stale_after_s))
    if spec.valid is not None:
        failed = rationale(f"{channel}.failed", words.of_failed(channel, protective, *spec.valid, spec.unit))
        yield FailedRule(failed, channel, LimitDetector(0.5, on_delay_s=1.0, off_delay_s=2.0))
    if spec.valid is not None and channel in _CLIPS:
        low, top = spec.valid
        at = top - max(spec.resolution, CLIPPED_SHARE * (top - low))
        clipped = rationale(
            f"{channel}.clipped", words.of_clipped(channel, top, spec.unit), limit=at, unit=spec.unit
        )
        yield ChannelRule(clipped, channel, LimitDetector(at, on_delay_s=5.0, off_delay_s=5.0))
    after = stuck_after_s(bench, channel)
    if after is not None:
        stuck = rationale(f"{channel}.stuck", words.of_stuck(channel, protective), limit=after)
        yield TickRule(stuck, _unchanged(channel), LimitDetector(after))


class _unchanged:  # noqa: N801 - a function that remembers its channel, and pickles
    def __init__(self, channel: str) -> None:
        self.channel = channel

    def __call__(self, ticks: Ticks) -> FloatArray:
        return ticks.unchanged_s[self.channel]


def _source_rules(bench: Bench) -> Iterator[Rule]:
    for name, source in bench.sources.items():
        guards = name == bench.supply.trip_source or any(
            is_protective(bench, c) for c, s in bench.channels.items() if s.source == name
        )
        spec = rationale(f"{name}.lost", words.of_lost(name, guards), limit=source.silent_after_s)
        yield LostRule(spec, name, PulseDetector(source.silent_after_s))
        still = stillness_rule(bench, name)
        if still is not None:
            frozen = rationale(
                f"{name}.frozen",
                words.of_frozen(name, guards, still.after_s),
                limit=still.after_s,
                cuts="reader" if guards else None,
            )
            yield FrozenRule(frozen, name, Stillness(still))


def _supply_rules(bench: Bench) -> Iterator[Rule]:
    supply, cells = bench.supply, bench.stack.cells
    allowed_s = bench.though_open_after_s
    if allowed_s is not None:
        at = supply.powered_above_amps
        yield ThoughOpenRule(
            rationale("supply.current_though_open", limit=at, cuts="reader"),
            round(bench.channels["relay"].stale_after_s * 1e9),
            LimitDetector(at, on_delay_s=allowed_s),
        )
    if "amps" in bench.channels:
        at = supply.amps_max * ALLOWED_OVER
        yield ChannelRule(rationale("amps.over", limit=at), "amps", LimitDetector(at, deadband=0.02 * at))
    if "volts" not in bench.channels:
        return
    at = supply.volts_max * ALLOWED_OVER
    yield ChannelRule(rationale("volts.over", limit=at), "volts", LimitDetector(at, deadband=0.02 * at))
    if supply.mode == "constant_voltage" and supply.volts_set is not None:
        at = supply.volts_set * VOLTS_UNDER
        yield TickRule(
            rationale("volts.under", limit=at),
            lambda ticks: _whole(ticks, "volts"),
            LimitDetector(at, True, 0.02 * at, 5.0),
        )
    if "amps" in bench.channels:
        high = max(CELL_VOLTS_HIGH, 1.1 * (supply.volts_set or 0.0) / cells)
        for name, limit, low in (("high", high, False), ("low", CELL_VOLTS_LOW, True)):
            yield TickRule(
                rationale(f"cell_volts.{name}", limit=limit),
                lambda ticks: _whole(ticks, "cell_volts"),
                LimitDetector(limit, low, 0.03, 5.0),
            )


def _whole(ticks: Ticks, key: str) -> FloatArray:
    """A number where its whole window was powered; with time without current in it, its mean says nothing."""
    return np.where(ticks.powered_s >= 1e-9 * ticks.numbers.window_ns, ticks.numbers.value[key], np.nan)


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
        yield TickRule(
            rationale("gas_flow.none", limit=NO_GAS_SHARE),
            lambda ticks: _gas_share(ticks, floor),
            LimitDetector(NO_GAS_SHARE, True, 0.1, 2.0),
        )
    if "amps" in bench.channels or "relay" in bench.channels:
        at = max(0.05, 2.0 * floor)
        yield TickRule(
            rationale("gas_flow.while_off", limit=at),
            lambda ticks: np.where(ticks.off_s > GAS_CEASES_S, ticks.brief["gas_flow"], 0.0),
            LimitDetector(at, deadband=0.2 * at, on_delay_s=5.0),
        )


def _gas_share(ticks: Ticks, floor: float) -> FloatArray:
    """Gas read over gas the current could make; 1 while it is too early to judge, NaN with too little to."""
    could = ticks.brief["could_lpm"]
    judged = could > 5.0 * floor
    share = np.divide(ticks.brief["gas_flow"], could, out=np.full_like(could, np.nan), where=judged)
    return np.where(ticks.powered_s < GAS_ARRIVES_S, 1.0, share)


def _slow_rules(bench: Bench) -> Iterator[Rule]:
    stack = bench.stack
    if {"gas_flow", "amps"} <= set(bench.channels):
        yield TickRule(
            rationale("efficiency.fallen", limit=EFFICIENCY_KEPT),
            lambda ticks: ticks.efficiency_kept,
            LimitDetector(EFFICIENCY_KEPT, True, 0.05, 60.0),
        )
    if "amps" in bench.channels:
        at = least_litres(bench)
        spec = rationale("water.low", limit=at)
        if not stack.litres_min:
            what = (
                f"{spec.what} The bench file gives no lowest level; three quarters of the filling is taken."
            )
            spec = replace(spec, what=what, priority=Priority.MEDIUM)
        yield TickRule(
            spec,
            lambda ticks: ticks.litres,
            LimitDetector(at, True, 0.01 * stack.litres),
        )
        at = 100.0 * STRONGER_BY
        yield TickRule(
            rationale("lye.strong", limit=at),
            lambda ticks: 100.0 * ticks.stronger,
            LimitDetector(at, deadband=1.0),
        )
    if "lye_temp" in bench.channels:
        at = warming_limit_c_per_min(bench)
        yield TickRule(rationale("lye_temp.rate", limit=at), _sure_rate, LimitDetector(at, deadband=0.2 * at))


def _sure_rate(ticks: Ticks) -> FloatArray:
    """The temperature's rate less its uncertainty: noise in a slope is no warming."""
    numbers = ticks.numbers
    return numbers.value["temp_rate_c_per_min"] - numbers.u95["temp_rate_c_per_min"]
