"""The lye at any time of a run: how strong it is, how much of it there is, and what is wanting.

The one place that says so, live and in hindsight by the same code. Every minute takes from the balance
(`daq.physics.lye_balance`) the water that was split and the vapour that went with the gas; what people say of
the lye comes in at its time, what a level or conductivity meter reads every minute. It is causal: what stands
at an instant was known then.

Water is split by the gas where a flow meter tells it, at most what the charge could split; else by the
charge, of which 90 to 100 % is taken to make gas. Gas leaves saturated over lye of the strength and
temperature of that minute. Water that a hot reservoir loses to the room while nothing flows, and lye that is
carried over, are not known of.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Protocol

import numpy as np

from daq.bench import Bench
from daq.measure.bins import Bins
from daq.measure.bounded import at_most
from daq.measure.columns import FloatArray, IntArray
from daq.measure.conditions import Notes, dry_flow, pressure_kpa
from daq.measure.lye_entries import LyeEntry, apply_entry
from daq.measure.measured import first_known, specified_mean
from daq.physics.constants import M_H2O
from daq.physics.faraday import current_for_gas_a, mol_s_from_lpm, reference_condition, water_rate_g_s
from daq.physics.lye_balance import LyeBalance
from daq.physics.moist_gas import vapour_per_dry, vapour_pressure_lye
from daq.quantity import Quantity

__all__ = [
    "LyeAt",
    "LyeSource",
    "LyeTrack",
    "StatedLye",
    "least_litres",
    "litres_u",
    "lye_of_run",
    "strength_limit",
]

GRID_NS: Final = 60_000_000_000
"""The balance moves on so often [ns]: 20 A through six cells move a litre's strength by 0.01 % in that
time."""
SETTLED_STEPS: Final = 2
"""So many steps after its end all samples of a step have come in."""
YIELD, YIELD_HALF_WIDTH = 0.95, 0.05
"""Faradaic efficiency taken where no flow is measured: 0.90 to 1.00 (judgement)."""
SATURATION_U: Final = 0.1
"""Standard uncertainty of the vapour as a share: gas that cools in the reservoir gives water back, foam and a
warm head space take more along (judgement)."""
UNKNOWN_TEMP: Final = (40.0, 10.0)
"""Lye temperature and its standard uncertainty where none is measured [degC, K] (judgement)."""
GAP_SHARE_U: Final = 0.3
"""Standard uncertainty of the water used while nothing was heard, as a share of what it was before."""
GAP_LONGEST_S: Final = 600.0
"""Nothing heard for longer: no more is taken to have been used [s]."""
HOLD_UP_U: Final = 0.02
"""Standard uncertainty that bubbles give a level read while current flows, as a share (judgement)."""
LEVEL_OWN_U, KAPPA_OWN_U = 0.005, 0.01
"""What the minute's mean of a level and of a conductivity scatters by, as a share (judgement)."""
KAPPA_SPREAD_U: Final = 0.03
"""Spread of published conductivities of KOH [1]: `daq.physics.conductivity`."""
FAR, FAR_TIMES = 4.0, 10
"""A reading so many standard deviations off is left out, until so many of them have come in a row."""
STRONGER_BY: Final = 0.03
"""From so much more strength than it was filled with water is due [1]: at 20 % KOH the vapour's pressure is
then 6 % lower than thought and a comparison with an earlier run is one of lyes too (judgement)."""
LEAST_LYE_SHARE, WATER_WARN_SHARE = 0.75, 0.15
"""Lowest level where the bench file gives none, as a share of the filling; and how much of what lies between
counts as near it (judgement)."""

_FED = ("amps", "lye_temp", "gas_flow", "gas_temp", "room_temp", "room_pressure", "gas_pressure",
"gas_humidity",
        "lye_level", "lye_conductivity")  # fmt: skip
_ROW = {name: i for i, name in enumerate(_FED)}


@dataclass(frozen=True, slots=True)
class LyeAt:
    """The lye at m instants.

    Attributes
    ----------
    mass_fraction : Quantity
        Mass of hydroxide over mass of lye [1].
    litres : Quantity
        Lye in the circuit, at 20 degC [L].
    top_up_ml : Quantity
        Water that brings it back to the strength it was filled with [mL].
    """

    mass_fraction: Quantity
    litres: Quantity
    top_up_ml: Quantity
    stronger: FloatArray
    """By how much the mass fraction has risen since then, less the expanded uncertainty of that [1]."""
    least_litres: FloatArray
    """Lye that is there at least: the stated filling, less what is gone and the expanded uncertainty of that
    [L]."""

    @property
    def bare(self) -> LyeAt:
        """The same without uncertainties."""
        w, litres, water = (
            Quantity(q.value, 0.0, q.unit) for q in (self.mass_fraction, self.litres, self.top_up_ml)
        )
        return LyeAt(w, litres, water, self.stronger, self.least_litres)


class LyeSource(Protocol):
    """Who says how the lye is."""

    def at(self, t_ns: IntArray) -> LyeAt:
        """At these instants of the run [ns]."""


def litres_u(bench: Bench) -> float:
    """Standard uncertainty of the litres that the bench file states [L]."""
    return bench.stack.litres_u or 0.02 * bench.stack.litres


def least_litres(bench: Bench) -> float:
    """Down to so much lye it counts as low [L]."""
    stack = bench.stack
    least = stack.litres_min or LEAST_LYE_SHARE * stack.litres
    return least + WATER_WARN_SHARE * (stack.litres - least)


def strength_limit(start: float) -> float:
    """Mass fraction from which on water is due, for lye that was filled with `start` [1]."""
    return start + STRONGER_BY


@dataclass(frozen=True, slots=True)
class StatedLye:
    """The lye as the bench file says it was filled, at any time."""

    bench: Bench

    def at(self, t_ns: IntArray) -> LyeAt:
        """At these instants of the run [ns]."""
        full, stack = np.ones(t_ns.shape), self.bench.stack
        return LyeAt(
            Quantity(full * stack.mass_fraction, full * stack.mass_fraction_u, "", label="lye strength"),
            Quantity(full * stack.litres, full * litres_u(self.bench), "L", label="lye amount"),
            Quantity(0.0 * full, 0.0, "mL"),
            0.0 * full,
            full * stack.litres,
        )


@dataclass(slots=True)
class _Minute:
    """What was used, as the last minute told it."""

    rate_kg_s: float = 0.0
    rate_u: float = 0.0
    gas_mol_s: float = 0.0
    temp_c: float = math.nan
    vapour_kg_s: float = 0.0
    silent_s: float = 0.0
    """For how long nothing has been heard."""
    silent_u: float = 0.0
    """Uncertainty of what is taken to have been used in that time [kg]."""


class LyeTrack:
    """Follows the lye through a run.

    Parameters
    ----------
    bench : Bench
    step_ns : int
        Length of the bins' steps [ns].
    keep : int or None
        So many past values are kept at least; all of them with None.
    """

    def __init__(self, bench: Bench, step_ns: int, *, keep: int | None = None) -> None:
        self.bench, self.step_ns, self._keep = bench, step_ns, keep
        self.steps = max(1, round(GRID_NS / step_ns))
        """Steps in a minute."""
        stack = bench.stack
        self.balance = LyeBalance(
            stack.litres, litres_u(bench), stack.mass_fraction, stack.mass_fraction_u, stack.electrolyte
        )
        self.start = stack.mass_fraction
        """Strength of the filling [1]."""
        self.start_litres = stack.litres
        """The filling [L]."""
        reference = reference_condition(bench.site.reference)
        self._kg_per_coulomb = 1e-3 * float(water_rate_g_s(1.0, stack.cells))
        self._kg_s_per_lpm = self._kg_per_coulomb * float(
            current_for_gas_a(float(mol_s_from_lpm(1.0, reference)), stack.cells)
        )
        self._reference = reference
        self._stated = StatedLye(bench)
        self._at: int | None = None
        """The step up to which all has been taken in."""
        self._sums: FloatArray = np.zeros((2, len(_FED)))
        """Seconds, and value times seconds, since the last whole minute."""
        self._minute = _Minute()
        self._far = dict.fromkeys(("lye_level", "lye_conductivity"), 0)
        self._waiting: list[tuple[int, LyeEntry]] = []
        self._names: set[str] = set()
        self.entries_taken: list[dict[str, Any]] = []
        """Entries that were taken in: `t_s`, `words`, the strength before and after [%], `surprising`."""
        self._points: list[tuple[float, ...]] = []
        self._table: FloatArray | None = None
        self._note(0)

    # -- what comes in ---------------------------------------------------------------------------------------

    def tell(self, t_ns: int, entry: LyeEntry, name: str = "") -> None:
        """Take an entry; one that comes late counts from the next step on.

        Parameters
        ----------
        t_ns : int
            When it was so [ns of the run].
        entry : LyeEntry
        name : str
            Its identity: an entry told before is not taken again. Empty for none.
        """
        if name:
            if name in self._names:
                return
            self._names.add(name)
        self._waiting.append((t_ns, entry))
        self._waiting.sort(key=lambda e: e[0])

    def begin(self, step: int) -> None:
        """Start at a step: what was before counts for nothing. `advance` does it too, at its own step."""
        self._at = step

    def advance(self, bins: Bins, last: int) -> None:
        """Take in all that the bins know up to step `last`."""
        first = last if self._at is None else self._at + 1
        if self._at is None:
            self._at = last - 1
        if last < first:
            return
        ends = np.arange(first, last + 1, dtype=np.int64)
        seconds, sums = bins.windows(ends - SETTLED_STEPS, 1, of=_FED, later=SETTLED_STEPS)
        both = np.stack([seconds[:, :, 0], sums[:, :, 0]])
        whole = np.flatnonzero(ends % self.steps == 0)
        if whole.size:
            edges = np.concatenate([[0], whole + 1])
            minutes = np.add.reduceat(both[:, :, : edges[-1]], edges[:-1], axis=2)
            minutes[:, :, 0] += self._sums
            self._sums = both[:, :, edges[-1] :].sum(axis=2)
            self._go_on(ends[whole], minutes)
        else:
            self._sums = self._sums + both.sum(axis=2)
        self._entries(last)
        self._at = last

    # -- what it says ----------------------------------------------------------------------------------------

    def at(self, t_ns: IntArray) -> LyeAt:
        """The lye as it was known at these instants [ns]."""
        if self._table is None:
            self._table = np.array(self._points)
        table = self._table
        if t_ns.size == 1 and t_ns[0] >= table[-1, 0] * self.step_ns:
            rows = table[-1:]
        else:
            # the latest of several values that begin at one step
            i = np.searchsorted(table[:, 0], t_ns // self.step_ns, side="right") - 1
            rows = table[np.maximum(i, 0)]
        return LyeAt(
            Quantity(rows[:, 1], rows[:, 2], "", label="lye strength"),
            Quantity(rows[:, 3], rows[:, 4], "L", label="lye amount"),
            Quantity(rows[:, 5], rows[:, 6], "mL", label="lye: top-up"),
            rows[:, 7],
            rows[:, 8],
        )

    def now(self) -> dict[str, Any]:
        """The lye now, as JSON says it, and when water is due."""
        w, litres, below = self.balance.mass_fraction, self.balance.litres, self.balance.below_start_ml
        water = self.balance.water_wanting_ml
        rate = self._minute.rate_kg_s + self._minute.vapour_kg_s
        due_s, why = self._due(rate)
        return {
            "electrolyte": self.bench.stack.electrolyte,
            "start_percent": 100.0 * self.start,
            "percent": _with_u95(w, 100.0),
            "stronger_by_percent": _with_u95(self.balance.strengthened, 100.0),
            "litres": _with_u95(litres),
            "below_start_ml": _with_u95(below),
            "top_up_ml": _with_u95(water),
            "water_ml_per_h": 3600.0e3 * rate,
            "due_s": due_s,
            "due_why": why,
            "words": self.words(),
        }

    def words(self) -> str:
        """When to top up and by how much, in a sentence."""
        water = self.balance.water_wanting_ml
        ml, u95 = float(np.asarray(water.value)), float(np.asarray(water.u95))
        due_s, why = self._due(self._minute.rate_kg_s + self._minute.vapour_kg_s)
        if ml <= u95:
            return "No water is wanting beyond what is known of it."
        much = (
            f"{_round(ml)} ± {_round(u95)} mL of distilled water brings it back to {100.0 * self.start:.3g} %"
        )
        if due_s is None:
            return f"{much}."
        if due_s <= 0.0:
            return f"{much}; it is due now: {why}."
        hours = due_s / 3600.0
        soon = f"{60.0 * hours:.0f} min" if hours < 1.0 else f"{hours:.1f} h"
        return f"{much}; due in {soon}, when {why}."

    # -- restarts --------------------------------------------------------------------------------------------

    def save(self) -> dict[str, Any]:
        """State as JSON says it."""
        m = self._minute
        return {
            "at": self._at,
            "start": [self.start, self.start_litres],
            "balance": self.balance.save(),
            "sums": self._sums.tolist(),
            "minute": [m.rate_kg_s, m.rate_u, m.gas_mol_s, None if math.isnan(m.temp_c) else m.temp_c,
                       m.vapour_kg_s, m.silent_s, m.silent_u],
            "far": dict(self._far),
            "waiting": [[t, e.model_dump(exclude_none=True)] for t, e in self._waiting],
            "told": self.entries_taken[-100:],
            "names": sorted(self._names),
        }  # fmt: skip

    def load(self, saved: Mapping[str, Any]) -> None:
        """Take up a saved state."""
        self.balance.load(saved["balance"])
        self._at = None if saved["at"] is None else int(saved["at"])
        self.start, self.start_litres = (float(x) for x in saved["start"])
        sums = np.asarray(saved["sums"], dtype=np.float64)
        if sums.shape == self._sums.shape:
            self._sums = sums
        rate, u, gas, temp, vapour, silent_s, silent_u = saved["minute"]
        self._minute = _Minute(rate, u, gas, math.nan if temp is None else temp, vapour, silent_s, silent_u)
        self._far.update({k: int(v) for k, v in saved["far"].items() if k in self._far})
        self._waiting = [(int(t), LyeEntry.model_validate(e)) for t, e in saved["waiting"]]
        self.entries_taken, self._names = list(saved["told"]), set(saved["names"])
        self._points.clear()
        self._note(self._at or 0)

    # -- parts -----------------------------------------------------------------------------------------------

    def _note(self, step: int) -> None:
        b = self.balance
        row: list[float] = [float(step)]
        for q in (b.mass_fraction, b.litres, b.water_wanting_ml):
            row += [float(np.asarray(q.value)), float(np.asarray(q.u))]
        risen = b.strengthened
        row.append(float(np.asarray(risen.value)) - float(np.asarray(risen.u95)))
        below = b.below_start_ml
        row.append(self.start_litres - 1e-3 * (float(np.asarray(below.value)) + float(np.asarray(below.u95))))
        self._points.append(tuple(row))
        if self._keep is not None and len(self._points) > 2 * self._keep:
            del self._points[: -self._keep]
        self._table = None

    def _entries(self, last: int) -> None:
        """Take in the entries of before step `last`'s end; one whose step is over counts from there."""
        while self._waiting and self._waiting[0][0] <= last * self.step_ns:
            t_ns, entry = self._waiting.pop(0)
            before = 100.0 * float(np.asarray(self.balance.mass_fraction.value))
            temp = self._minute.temp_c
            found = apply_entry(self.balance, entry, None if math.isnan(temp) else temp)
            if entry.what == "filled" and entry.mass_fraction is not None:
                self.start, self.start_litres = entry.mass_fraction, entry.litres or self.start_litres
            self.entries_taken.append(
                {
                    "t_s": t_ns / 1e9,
                    "words": entry.words,
                    "before_percent": before,
                    "after_percent": 100.0 * float(np.asarray(self.balance.mass_fraction.value)),
                    "surprising": found is not None and found.surprising,
                }
            )
            step = -(-t_ns // self.step_ns)
            self._note(max(step, 0 if self._at is None else self._at + 1, int(self._points[-1][0])))

    def _go_on(self, steps: IntArray, minutes: FloatArray) -> None:
        """Move the balance over whole minutes: seconds and sums, float64[2, len(_FED), m]."""
        seconds, sums = minutes
        m, whole_s = steps.size, self.steps * self.step_ns * 1e-9
        value = np.divide(sums, seconds, out=np.full(sums.shape, np.nan), where=seconds > 0.0)
        means = {name: specified_mean(self.bench, name, value[row]) for name, row in _ROW.items()}
        notes = Notes(m)
        pressure = pressure_kpa(self.bench, means, notes)
        dry = dry_flow(
            self.bench, self._reference, means, pressure, notes, strength=self._stated.at(steps).mass_fraction
        )
        rate = self._split(means["amps"].named("A"), dry)
        rates, rates_u = (np.broadcast_to(np.asarray(x, np.float64), (m,)) for x in (rate.value, rate.u))
        kpa = np.broadcast_to(np.asarray(pressure.value, np.float64), (m,))
        seconds_measured = seconds[_ROW["amps" if "amps" in self.bench.channels else "gas_flow"]]
        seconds_measured = np.where(np.isfinite(rates), np.minimum(seconds_measured, whole_s), 0.0)
        for i, step in enumerate(steps.tolist()):
            self._entries(step - 1)
            self._one_minute(
                float(rates[i]), float(rates_u[i]), float(seconds_measured[i]), whole_s, float(kpa[i]),
                {name: q for name, q in means.items() if name in ("lye_temp", *self._far)}, i,
            )  # fmt: skip
            self._note(int(step))

    def _split(self, amps: Quantity, dry: Quantity) -> Quantity:
        """Water split [kg/s]."""
        forward = Quantity.from_parts(np.maximum(np.asarray(amps.value), 0.0), "A", amps.parts)
        by_charge = (forward * self._kg_per_coulomb).named("kg/s")
        by_gas = (dry * self._kg_s_per_lpm).named("kg/s")
        share = Quantity(YIELD, YIELD_HALF_WIDTH / math.sqrt(3.0), "", label="gas yield")
        bounded = at_most(by_gas, by_charge)
        bounded = Quantity.from_parts(np.maximum(bounded.value, 0.0), "kg/s", bounded.parts)
        return first_known(bounded, (by_charge * share).named("kg/s"))

    def _one_minute(
        self, rate: float, rate_u: float, heard_s: float, whole_s: float, kpa: float,
        means: Mapping[str, Quantity], i: int,
    ) -> None:  # fmt: skip
        before, balance = self._minute, self.balance
        temp, temp_u = _number(means["lye_temp"], i)
        if math.isnan(temp):
            temp, temp_u = (before.temp_c, 2.0) if not math.isnan(before.temp_c) else UNKNOWN_TEMP
        temp = min(max(temp, 0.0), 99.0)
        missing_s = max(whole_s - heard_s, 0.0)
        if heard_s <= 0.0:
            rate, rate_u = before.rate_kg_s, before.rate_u
        silent_s = before.silent_s + missing_s if missing_s > 0.0 else 0.0
        guessed_s = missing_s if silent_s <= GAP_LONGEST_S else 0.0
        w = float(np.asarray(balance.mass_fraction.value))
        carried, per_k = self._carried(temp, w, kpa)
        steam = rate * 1.5 * carried
        steam_u = steam * math.hypot(SATURATION_U, per_k * temp_u)
        span = heard_s + guessed_s
        guessed_u = before.silent_u + GAP_SHARE_U * (rate + steam) * guessed_s if missing_s > 0.0 else 0.0
        own = math.sqrt(max(guessed_u**2 - before.silent_u**2, 0.0)) if missing_s > 0.0 else 0.0
        balance.use(rate * span, rate_u * span, steam * span, steam_u * span, own_u=own)
        temp_read = before.temp_c if math.isnan(_number(means["lye_temp"], i)[0]) else temp
        self._minute = _Minute(
            rate, rate_u, rate / M_H2O * 1.5e3, temp_read, steam, silent_s if heard_s <= 0.0 else 0.0,
            guessed_u if heard_s <= 0.0 else 0.0,
        )  # fmt: skip
        self._readings(means, i, temp, temp_u, flows=rate > 0.0 and heard_s > 0.0)

    def _carried(self, temp: float, w: float, kpa: float) -> tuple[float, float]:
        """Moles of vapour on a mole of dry gas, and by what share it rises with a kelvin."""
        of = self.bench.stack.electrolyte
        over = [
            float(np.asarray(vapour_pressure_lye(t, min(w, 0.5), of, outside="nan")))
            for t in (temp, temp + 1.0)
        ]
        if not all(math.isfinite(p) for p in over) or over[1] > 0.9 * kpa:
            over = [min(p, 0.9 * kpa) if math.isfinite(p) else 0.0 for p in over]
        here, above = (float(np.asarray(vapour_per_dry(p, kpa))) for p in over)
        return here, (above / here - 1.0) if here > 0.0 else 0.0

    def _readings(
        self, means: Mapping[str, Quantity], i: int, temp: float, temp_u: float, *, flows: bool
    ) -> None:
        """What a level and a conductivity meter read in that minute."""
        level, level_u = _number(means["lye_level"], i)
        if math.isfinite(level) and level > 0.0:
            scale = math.hypot(level_u / level, HOLD_UP_U if flows else 0.0)
            found = self.balance.level_read(
                level, LEVEL_OWN_U * level, max(scale, 1e-6), temp, gate=self._gate("lye_level")
            )
            self._count("lye_level", found.deviation)
        kappa, kappa_u = _number(means["lye_conductivity"], i)
        if self.bench.stack.electrolyte == "KOH" and math.isfinite(kappa) and 0.005 < kappa < 2.0:
            scale = math.sqrt((kappa_u / kappa) ** 2 + KAPPA_SPREAD_U**2 + (0.02 * temp_u) ** 2)
            found = self.balance.conductivity_read(
                kappa, KAPPA_OWN_U * kappa, scale, temp, gate=self._gate("lye_conductivity")
            )
            self._count("lye_conductivity", found.deviation)

    def _gate(self, channel: str) -> float:
        return FAR if self._far[channel] < FAR_TIMES else math.inf

    def _count(self, channel: str, deviation: float) -> None:
        self._far[channel] = self._far[channel] + 1 if abs(deviation) > FAR else 0

    def _due(self, rate_kg_s: float) -> tuple[float | None, str]:
        """In how long water is due at the rate of the last minute [s], and why; None where nothing is used
        and nothing is due."""
        water, hydroxide = (
            float(np.asarray(q.value)) for q in (self.balance.water_kg, self.balance.hydroxide_kg)
        )
        limit = strength_limit(self.start)
        litres, least = float(np.asarray(self.balance.litres.value)), least_litres(self.bench)
        left = (
            (water - hydroxide * (1.0 - limit) / limit, f"the lye is {100.0 * limit:.3g} % strong"),
            ((litres - least), f"{least:.3g} L are left"),
        )
        kg, why = min(left, key=lambda x: x[0])
        if kg <= 0.0:
            return 0.0, why
        return (None, "") if rate_kg_s <= 0.0 else (kg / rate_kg_s, why)


def lye_of_run(bench: Bench, bins: Bins, entries: Iterable[tuple[int, LyeEntry]] = ()) -> LyeTrack:
    """The lye through a recorded run.

    Parameters
    ----------
    bench : Bench
        As it was when the run was made.
    bins : Bins
        Of the run from its start.
    entries : iterable of (int, LyeEntry)
        With their times [ns].
    """
    track = LyeTrack(bench, bins.step_ns)
    for t_ns, entry in entries:
        track.tell(t_ns, entry)
    track.begin(bins.first)
    track.advance(bins, bins.end + SETTLED_STEPS)
    return track


def _number(quantity: Quantity, i: int) -> tuple[float, float]:
    value, u = np.asarray(quantity.value), np.asarray(quantity.u)
    return float(value[i]), float(u[i] if u.ndim else u)


def _with_u95(quantity: Quantity, factor: float = 1.0) -> dict[str, float]:
    return {
        "value": factor * float(np.asarray(quantity.value)),
        "u95": factor * float(np.asarray(quantity.u95)),
    }


def _round(ml: float) -> str:
    return f"{ml:.0f}" if ml >= 10.0 else f"{ml:.2g}"
