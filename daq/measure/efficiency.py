"""The numbers of many windows at once, each with its uncertainty: one code path, live and in review.

First the *balance* of each window: what went in and what came out, as means over its time. Then the numbers,
which are ratios of those. A phase of a run averages the balances of its windows before any ratio is taken, so
that its MMW is all its gas over all its energy and not a mean of ratios.

Equations come from `daq.physics`, propagation from `daq.quantity`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench
from daq.measure.bins import Bins
from daq.measure.calibrated import note_calibrations
from daq.measure.chopped import chopped_power, squared_amps
from daq.measure.columns import Columns, FloatArray, IntArray
from daq.measure.conditions import Notes, dry_flow, known, pressure_kpa
from daq.measure.lye_strength import LyeSource, StatedLye
from daq.measure.measured import Measured, first_known, mean_of, measure, taken_apart
from daq.measure.numbers import UNITS, Numbers
from daq.measure.ratios import H2_SHARE, Ratios, where
from daq.physics.cell_voltage import (
    mmw_ceiling_reversible,
    mmw_ceiling_thermoneutral,
    reaction_enthalpy_j_mol,
)
from daq.physics.constants import M_H2O
from daq.physics.faraday import reference_condition
from daq.physics.moist_gas import vapour_per_dry, vapour_pressure_lye
from daq.physics.reference import ReferenceCondition
from daq.physics.water import latent_heat_j_kg
from daq.quantity import Quantity, propagate

__all__ = ["Assessor", "Balance", "GivenGas", "assess_windows", "reference_words"]

YIELD_GUESS, YIELD_HALF_WIDTH = 0.95, 0.05
"""Faradaic efficiency taken for the heat balance where no flow is measured: 0.90 to 1.00 (judgement)."""
LEAD_U_SHARE = 0.1
"""Standard uncertainty of the leads' resistance, as a share of it (judgement)."""

WATCHED = (
    "volts",
    "cell_volts",
    "lye_temp",
    "flow_as_read_lpm",
    "flow_dry_ref_lpm",
    "faradaic_efficiency",
    "vapour_w",
    "temp_rate_c_per_min",
)
"""Numbers that alarms and forecasts go by: those of which the value does not hang on an uncertainty."""

PWM_REFUSAL = (
    "Power is not known: under a chopped supply mean volts times mean amps is not power. Measure true mean "
    "power (a channel `watts` from a device that multiplies volts and amps sample by sample); or log the "
    "`duty`, or `volts_rms` and `amps_rms`, with less certainty; or sense volts before the switch, where "
    'they hold steady, and write supply.volts_at = "supply".'
)
APART = (
    "volts and amps are not taken at the same instants: brought together in time, the error of that counted"
)
LEADS = "the drop in the leads from sense point to stack is taken out, their resistance known to 10 %"
LEADS_PWM = f"{LEADS}; the current's ripple is not seen, so they lose more than that"
NO_FLOW = "no gas flow measured: for the heat, 95 ± 5 % of the current is taken to make gas"
BEYOND_LYE = (
    "heat not told: the lye's temperature or strength lies beyond what is published for its vapour (0 to "
    "100 °C and short of boiling, to 0.5 kg/kg)"
)
NO_TEMP = "lye temperature not measured: 25 °C taken for the ceilings"


def reference_words(bench: Bench) -> str:
    """The condition at which dry gas is counted, in words: ``0 °C, 101.325 kPa``."""
    return _reference(bench).words


def _reference(bench: Bench) -> ReferenceCondition:
    return reference_condition(bench.site.reference, place=f"{bench.path}: site.reference")


def assess_windows(
    columns: Columns, edges_ns: IntArray, bench: Bench, *, steps: int = 30, assessor: Assessor | None = None
) -> Numbers:
    """The numbers of consecutive windows.

    Parameters
    ----------
    columns : Columns
        The samples.
    edges_ns : int64[m + 1]
        Evenly spaced edges of the windows, multiples of the spacing [ns].
    bench : Bench
    steps : int
        Batches into which each window is cut to judge its noise.
    assessor : Assessor, optional
        Of the bench; None makes one of a lye that stays as it was filled.

    Returns
    -------
    Numbers
        Of m windows.
    """
    step_ns = max(1, int(edges_ns[1] - edges_ns[0]) // steps)
    bins = Bins(bench, step_ns=step_ns, first=int(edges_ns[0]) // step_ns)
    bins.add(columns)
    ends = np.asarray(edges_ns[1:] // step_ns, dtype=np.int64)
    return (assessor or Assessor(bench)).assess(bins, ends, steps)


@dataclass(frozen=True, slots=True)
class GivenGas:
    """Gas of m windows that no flow meter told: dry at the reference, and as it stood [L/min]; and by
    what."""

    dry: Quantity
    flow: Quantity
    words: str


@dataclass(frozen=True, slots=True)
class Balance:
    """What went in and what came out, as means over m windows.

    Attributes
    ----------
    end_ns : int64[m]
        End of each window [ns].
    window_ns : int
        Length of each [ns].
    flows : dict of str to Quantity
        `power` [W], `amps` [A], `volts`, `cell_volts` [V], `flow`, `dry` [L/min], `vapour`, `heat`,
        `heat_least` [W], `lye_temp` [degC], `rate` [degC/min], the two `ceiling_...` [mL/min/W], and of the
        lye `strength` [1], `litres` [L] and `top_up` [mL]; m elements, NaN where not known. `heat` is by the
        gas as measured, even where that is more than the current can make, `heat_least` what is left if all
        current makes gas; `daq.measure.bounded` brings the two together.
    seconds : dict of str to float64[m]
        Seconds of each window for which `power`, `amps`, `flow` and `lye_temp` have samples.
    notes, refused : Notes
        What the balances rest on, and what was refused.
    """

    end_ns: IntArray
    window_ns: int
    flows: Mapping[str, Quantity]
    seconds: Mapping[str, FloatArray]
    notes: Notes
    refused: Notes

    def averaged(self, where: NDArray[np.bool_]) -> Balance:
        """One balance of the windows in `where`, each weighted by the seconds that have samples.

        What is to be divided by each other is averaged over the same windows: those that have all of power,
        current and flow that any of them has.
        """
        has = {n: np.where(where & (s > 0.0), s, 0.0) for n, s in self.seconds.items()}
        joint = np.where(where, float(self.window_ns) * 1e-9, 0.0)
        for name in ("power", "amps", "flow"):
            if has[name].any():
                joint = np.minimum(joint, has[name])
        flows = {
            name: mean_of(q, has["lye_temp"] if name in ("lye_temp", "rate") else joint)
            for name, q in self.flows.items()
        }
        if not where.any():
            return Balance(
                self.end_ns[-1:], 0, flows, {}, self.notes.gathered(where), self.refused.gathered(where)
            )
        return Balance(
            end_ns=self.end_ns[where][-1:],
            window_ns=int(where.sum()) * self.window_ns,
            flows=flows,
            seconds={n: np.array([s.sum()]) for n, s in has.items()},
            notes=self.notes.gathered(where),
            refused=self.refused.gathered(where),
        )


class Assessor:
    """Turns means of windows into numbers, for one bench.

    Parameters
    ----------
    bench : Bench
    lye : LyeSource, optional
        Who says how strong the lye is, and how much of it there is, at any time; by default as the bench file
        says it was filled.

    Raises
    ------
    UsageError
        When the bench's reference condition can not be read.
    """

    def __init__(self, bench: Bench, lye: LyeSource | None = None) -> None:
        self.bench = bench
        self.lye: LyeSource = StatedLye(bench) if lye is None else lye
        self.reference = _reference(bench)
        supply = bench.supply
        self.ratios = Ratios(
            bench.stack.cells, self.reference, supply.powered_above_amps, supply.mode == "pwm"
        )
        self.water_ml_per_coulomb = self.ratios.water_ml_per_coulomb

    def assess(self, bins: Bins, ends: IntArray, steps: int) -> Numbers:
        """The numbers of windows.

        Parameters
        ----------
        bins : Bins
        ends : int64[m]
            Number of the step after each window's last, rising.
        steps : int
            Steps in a window, at least 1.
        """
        return self.numbers(self.balance(measure(self.bench, bins, ends, steps)))

    def bare(self, bins: Bins, ends: IntArray, steps: int) -> Numbers:
        """The numbers that alarms and forecasts go by, and of uncertainties that of the temperature's rate.

        It is what a run that is only to be watched needs, at a fraction of the cost.

        Parameters
        ----------
        bins : Bins
        ends : int64[m]
            As of `assess`.
        steps : int
            As of `assess`.
        """
        balance = self.balance(measure(self.bench, bins, ends, steps, bare=True), bare=True)
        out = self.ratios.watched(balance.flows)
        value = {k: _full(out[k].value, ends.shape) for k in WATCHED}
        u95 = {k: _full(out[k].u95, ends.shape) for k in ("temp_rate_c_per_min",)}
        return Numbers(balance.end_ns, balance.window_ns, value, u95, self.reference.words, {}, {})

    def balance(self, measured: Measured, gas: GivenGas | None = None, *, bare: bool = False) -> Balance:
        """What went in and what came out.

        Parameters
        ----------
        measured : Measured
            The means of m windows.
        gas : GivenGas, optional
            Counts where no flow meter told the gas; None where nothing else does.
        bare : bool
            Whether heat and ceilings are left out of the flows: no alarm and no forecast goes by them.
        """
        m = measured.end_ns.size
        notes, refused = Notes(m), Notes(m)
        means, seconds = measured.means, measured.seconds
        note_calibrations(self.bench, means, notes)
        amps, temp = means["amps"].named("A"), means["lye_temp"].named("degC")
        power, volts = self._power(means, notes, refused), self._stack_volts(means)
        pressure = pressure_kpa(self.bench, means, notes)
        lye = self.lye.at(measured.end_ns)
        if measured.bare:
            lye = lye.bare
        dry = dry_flow(self.bench, self.reference, means, pressure, notes, strength=lye.mass_fraction)
        flow, flowing_s = means["gas_flow"].named("L/min"), seconds["gas_flow"]
        if gas is not None:
            flowing_s = np.where(~known(dry) & known(gas.dry), seconds["amps"], flowing_s)
            notes.add(gas.words, ~known(dry) & known(gas.dry))
            dry, flow = first_known(dry, gas.dry), first_known(flow, gas.flow)
        gas_made = self._gas_made(amps, dry, temp, pressure, lye.mass_fraction, notes)
        flows = {
            "power": power,
            "amps": amps,
            "volts": means["volts"],
            "cell_volts": volts * (1.0 / self.bench.stack.cells),
            "flow": flow,
            "dry": dry,
            "vapour": gas_made.vapour,
            "lye_temp": temp,
            "rate": measured.temp_rate,
            "strength": lye.mass_fraction,
            "litres": lye.litres,
            "top_up": lye.top_up_ml,
        }
        if not bare:
            flows["heat"], flows["heat_least"] = self._heat(power, temp, gas_made)
            notes.add(NO_TEMP, ~known(temp) & known(amps))
            notes.add(BEYOND_LYE, known(temp) & known(power) & known(amps) & ~known(flows["heat"]))
            at = first_known(temp, Quantity(np.full(m, 25.0), 0.0, "degC"))
            for name, ceiling in (
                ("ceiling_thermoneutral", mmw_ceiling_thermoneutral),
                ("ceiling_reversible", mmw_ceiling_reversible),
            ):
                flows[name] = propagate(
                    ceiling, at, reference=self.reference, unit=UNITS["mmw_dry_ref"], outside="nan"
                )
        covered = {
            "power": np.maximum(seconds["watts"], seconds["volt_amps"]),
            "amps": seconds["amps"],
            "flow": flowing_s,
            "lye_temp": seconds["lye_temp"],
        }
        return Balance(measured.end_ns, measured.window_ns, flows, covered, notes, refused)

    def numbers(self, balance: Balance) -> Numbers:
        """The numbers that a balance makes."""
        out = self.ratios.numbers(balance.flows)
        shape = balance.end_ns.shape
        value = {k: _full(out[k].value, shape) for k in UNITS}
        u95 = {k: _full(out[k].u95, shape) for k in UNITS}
        notes, refused = balance.notes.texts, balance.refused.texts
        return Numbers(balance.end_ns, balance.window_ns, value, u95, self.reference.words, notes, refused)

    # -- parts ---------------------------------------------------------------------------------------------

    def _power(self, means: Mapping[str, Quantity], notes: Notes, refused: Notes) -> Quantity:
        """True mean power into the stack [W]."""
        bench, supply = self.bench, self.bench.supply
        watts, product = means["watts"].named("W"), means["volt_amps"].named("W")
        only_product = known(product) & ~known(watts)
        if supply.mode == "pwm":
            found = chopped_power(
                means,
                off_volts=supply.off_volts,
                sensed_at=supply.volts_at,
                cells=bench.stack.cells,
                powered_above_amps=supply.powered_above_amps,
            )
            power = first_known(watts, found.power)
            for text, where in found.notes.items():
                notes.add(text, where & ~known(watts))
            for text, where in found.refused.items():
                refused.add(text, where & ~known(power))
            refused.add(PWM_REFUSAL, only_product & ~known(power))
        else:
            if only_product.any() and taken_apart(bench):
                notes.add(APART, only_product)
            power = first_known(watts, product)
        if supply.lead_milliohms:
            square = self._mean_square(means, known(power), notes)
            power = power - (self._lead_ohms() * square).named("W")
        return power

    def _mean_square(self, means: Mapping[str, Quantity], there: NDArray[np.bool_], notes: Notes) -> Quantity:
        """Mean square of the current, which warms the leads [A2]."""
        plain = means["amps2"].named("A2")
        if self.bench.supply.mode != "pwm":
            notes.add(LEADS, there)
            return plain
        square = squared_amps(means)
        notes.add(LEADS, there & known(square))
        notes.add(LEADS_PWM, there & ~known(square))
        return first_known(square, plain)

    def _stack_volts(self, means: Mapping[str, Quantity]) -> Quantity:
        volts = means["volts"].named("V")
        if self.bench.supply.lead_milliohms:
            volts = volts - (self._lead_ohms() * means["amps"]).named("V")
        return volts

    def _lead_ohms(self) -> Quantity:
        ohms = 1e-3 * self.bench.supply.lead_milliohms
        return Quantity(ohms, LEAD_U_SHARE * ohms, "ohm", label="leads")

    def _gas_made(
        self,
        amps: Quantity,
        dry: Quantity,
        temp: Quantity,
        pressure: Quantity,
        strength: Quantity,
        notes: Notes,
    ) -> _GasMade:
        """The gas that the heat is counted by, and the latent heat of the vapour that it carries off."""
        stack = self.bench.stack
        flowing = np.asarray(amps.value) > self.bench.supply.powered_above_amps
        notes.add(NO_FLOW, flowing & ~known(dry))
        share = Quantity(
            np.full(notes.size, YIELD_GUESS),
            YIELD_HALF_WIDTH / np.sqrt(3.0),
            "",
            shape="rectangular",
            label="gas yield",
        )
        could = (amps * (1.0 / self.ratios.amps_per_lpm)).named("L/min")
        lpm = first_known(dry, could * share)
        # More gas than the current can make, or less than none, is a fault of the reading. What is carried
        # off does not follow it, and while no current flows neither does the heat; else the heat keeps it,
        # with its uncertainty, until its window or its run is looked at as a whole.
        within = np.clip(lpm.value, 0.0, np.maximum(could.value, 0.0))
        clipped = Quantity.from_parts(within, "L/min", lpm.parts)

        def vapour_j_mol(t_c: FloatArray, p_kpa: FloatArray, w: FloatArray) -> FloatArray:
            over_lye = vapour_pressure_lye(t_c, w, stack.electrolyte, outside="nan")
            vapour_j_per_mol = vapour_per_dry(over_lye, p_kpa, outside="nan")
            return np.asarray(vapour_j_per_mol * (1e-3 * M_H2O) * latent_heat_j_kg(t_c, outside="nan"))

        vapour_j_per_mol = propagate(vapour_j_mol, temp, pressure, strength, unit="")
        vapour = (clipped * self.ratios.mol_s_per_lpm * vapour_j_per_mol).named("W")
        return _GasMade(amps, lpm, could, flowing, vapour_j_per_mol, vapour)

    def _heat(self, power: Quantity, temp: Quantity, gas: _GasMade) -> tuple[Quantity, Quantity]:
        """The power less the heat of gas and vapour, by the gas as measured and if all current made gas
        [W]."""
        lpm_known, could = gas.lpm, gas.could
        idle = first_known(where(lpm_known, ~(np.asarray(lpm_known.value) > np.asarray(could.value))), could)
        none = Quantity(np.where(known(gas.amps), 0.0, np.nan), 0.0, "L/min")
        idle = first_known(where(idle, np.asarray(idle.value) >= 0.0), none)
        lpm_known = first_known(where(lpm_known, gas.flowing), idle)
        enthalpy = propagate(reaction_enthalpy_j_mol, temp, unit="", outside="nan")
        per_lpm = (self.ratios.mol_s_per_lpm * (H2_SHARE * enthalpy + gas.vapour_j_per_mol)).named("")
        heat, least = (power - (lpm * per_lpm).named("W") for lpm in (lpm_known, could))
        return heat, least


@dataclass(frozen=True, slots=True)
class _GasMade:
    """Gas of m windows: as measured (or taken, where it is not) and as the current could make it [L/min]; the
    heat of the vapour in a mole [J/mol], and in all [W]."""

    amps: Quantity
    lpm: Quantity
    could: Quantity
    flowing: NDArray[np.bool_]
    vapour_j_per_mol: Quantity
    vapour: Quantity


def _full(value: float | FloatArray, shape: tuple[int, ...]) -> FloatArray:
    array = np.asarray(value, dtype=np.float64)
    return array if array.shape == shape else np.full(shape, array)
