"""What the runaway watch is told of a bench, and the physics it needs, as tables over the lye's temperature.

The equations are those of `daq.physics`; they are tabulated once so that a forecast of a hundred futures
costs less than a millisecond.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from daq.forecast.experience import Experience
from daq.forecast.tuning import TUNING
from daq.physics.cell_voltage import v_tn
from daq.physics.constants import ATMOSPHERE_KPA, ELECTRONS_PER_H2, FARADAY, M_H2O
from daq.physics.faraday import gas_rate_lpm, gas_rate_mol_s
from daq.physics.heat import thermal_mass_j_k, vapour_power_w
from daq.physics.lye import Electrolyte
from daq.physics.moist_gas import vapour_pressure_lye
from daq.physics.reference import REFERENCE_CONDITIONS, ReferenceCondition

__all__ = ["FloatArray", "RunawayConfig", "SupplyMode", "Tables"]

FloatArray: TypeAlias = NDArray[np.float64]
SupplyMode: TypeAlias = Literal["constant_voltage", "constant_current", "pwm"]

GRID_LOW_C: Final = 0.0
GRID_HIGH_C: Final = 99.0
"""Lye boils above that; the forecast ends there."""
_STEP_C: Final = 0.25
_VAPOUR_SHARE_MAX: Final = 0.95
_STRONGEST: Final = 0.49
"""Lye's vapour is published to 50 % by mass."""
_KG_PER_LITRE: Final = 0.93
"""Of water in a litre of lye, 20 to 30 % KOH: 1.19 to 1.29 kg/L less its share of KOH."""


@dataclass(frozen=True, slots=True)
class RunawayConfig:
    """What the bench file says that the watch can use; a prior where data can say better.

    Attributes
    ----------
    cells : int
        Gaps in series between powered plates.
    litres, steel_kg : float
        Lye in the whole circuit [L] and metal [kg]: the prior of the heat capacity.
    litres_u, steel_kg_u : float
        Their standard uncertainties where they were said as a range or not at all [L], [kg]; 0 where the
        usual error of a bench file is all there is.
    electrolyte, mass_fraction
        As `daq.physics.lye`.
    limits_c : dict of str to float
        Temperature limits [degC] by name ("warn", "high", "trip").
    watched : str or None
        The limit that warnings speak of; None where there is no limit.
    mode : {"constant_voltage", "constant_current", "pwm"}
        What the supply is set to hold, until the data say otherwise.
    amps_max, volts_max : float or None
        The supply's limits [A], [V]; data that exceed them win.
    room_temp_c : float or None
        The room's temperature where no channel measures it [degC]; None is unknown.
    room_temp_u_c : float or None
        Its standard uncertainty [K], where it was said as a range.
    powered_above_amps : float
        Current above which the supply counts as on [A].
    pressure_kpa : float
        Pressure over the lye [kPa].
    false_costs_min : float
        What a false warning costs, in minutes of lead.
    experience : Experience or None
        What earlier runs of this bench taught, as `Experience.widened` gives it.
    flow_reference : ReferenceCondition
        Condition at which the flow handed to `update` is stated, dry.
    """

    cells: int
    litres: float
    steel_kg: float
    limits_c: dict[str, float]
    litres_u: float = 0.0
    steel_kg_u: float = 0.0
    electrolyte: Electrolyte = "KOH"
    mass_fraction: float = 0.25
    watched: str | None = "high"
    mode: SupplyMode = "constant_voltage"
    amps_max: float | None = None
    volts_max: float | None = None
    room_temp_c: float | None = None
    room_temp_u_c: float | None = None
    powered_above_amps: float = 0.3
    pressure_kpa: float = ATMOSPHERE_KPA
    false_costs_min: float = TUNING.false_costs_min
    experience: Experience | None = None
    flow_reference: ReferenceCondition = field(default_factory=lambda: REFERENCE_CONDITIONS["0C_101.325kPa"])

    @property
    def limit_c(self) -> float | None:
        """The watched limit [degC]."""
        return None if self.watched is None else self.limits_c[self.watched]


class Tables:
    """Thermoneutral voltage and vapour's power for each ampere, over the temperature of the lye."""

    def __init__(self, config: RunawayConfig) -> None:
        self.grid: FloatArray = np.arange(GRID_LOW_C, GRID_HIGH_C + 0.5 * _STEP_C, _STEP_C)
        self._rows: FloatArray = np.zeros((3, len(self.grid)))
        self.gas_volts, self.vapour_volts, self.vapour_slope = self._rows
        """Stack volts that leave as the gas' heating value [V]; power carried off by saturated gas for each
        ampere that makes gas [W/A]; its slope [W/(A K)].
        """
        self.gas_volts[:] = config.cells * np.asarray(v_tn(self.grid))
        self._config = config
        self.capacity_j_k: float = 0.0
        """Heat capacity of lye and metal, where nothing better is known [J/K]."""
        self._used_per_coulomb: float = 0.0
        self.set_lye(config.mass_fraction, config.litres)
        self.capacity_sd: float = math.hypot(
            TUNING.capacity_sd, min(self._range_uncertainty(), TUNING.roughest)
        )
        """Of its logarithm."""
        self.highest_c: float = max(config.limits_c.values(), default=60.0)
        """The highest limit [degC]."""
        self.lpm_per_amp: float = float(gas_rate_lpm(1.0, config.cells, reference=config.flow_reference))
        """Gas that an ampere could make, dry, at the flow's reference [L/min]."""

    def _range_uncertainty(self) -> float:
        """Relative standard uncertainty of the heat capacity by ranges in litres' and steel's place."""
        c = self._config
        lye, both = (
            float(np.asarray(thermal_mass_j_k(c.litres, min(max(c.mass_fraction, 0.0), _STRONGEST), steel,
                                              c.electrolyte, stronger="nearest")))
            for steel in (0.0, 1.0)
        )  # fmt: skip
        return math.hypot(lye * c.litres_u / c.litres, (both - lye) * c.steel_kg_u) / self.capacity_j_k

    def set_lye(self, mass_fraction: float, litres: float) -> None:
        """The lye has become stronger or less: what rests on it follows.

        Parameters
        ----------
        mass_fraction : float
            [1], held at what is published for its vapour.
        litres : float
            Lye in the circuit [L].
        """
        config = self._config
        w = min(max(mass_fraction, 0.0), _STRONGEST)
        vapour = np.asarray(vapour_pressure_lye(self.grid, w, config.electrolyte))
        vapour = np.minimum(vapour, _VAPOUR_SHARE_MAX * config.pressure_kpa)
        gas = gas_rate_mol_s(1.0, config.cells)
        self.vapour_volts[:] = vapour_power_w(gas, vapour, config.pressure_kpa, self.grid)
        self.vapour_slope[:] = np.gradient(self.vapour_volts, self.grid)
        self.capacity_j_k = float(
            np.asarray(thermal_mass_j_k(litres, w, config.steel_kg, config.electrolyte, stronger="nearest"))
        )
        water_kg = _KG_PER_LITRE * litres
        self._used_per_coulomb = 1e-3 * config.cells * M_H2O / (ELECTRONS_PER_H2 * FARADAY * water_kg)

    def used_per_s(self, amps: float) -> float:
        """Share of the lye's water that a current uses up in a second [1/s], by Faraday's law."""
        return self._used_per_coulomb * max(amps, 0.0)

    def at(self, t_c: FloatArray) -> FloatArray:
        """`gas_volts`, `vapour_volts` and `vapour_slope` at these temperatures, a row each."""
        i = np.minimum(np.maximum((t_c - GRID_LOW_C) / _STEP_C, 0.0), len(self.grid) - 1.001)
        k = i.astype(np.intp)
        below = self._rows[:, k]
        return np.asarray(below + (self._rows[:, k + 1] - below) * (i - k))

    def gas_at(self, t_c: float) -> float:
        """`gas_volts` at a temperature."""
        return float(np.interp(t_c, self.grid, self.gas_volts))

    def vapour_at(self, t_c: float) -> tuple[float, float]:
        """`vapour_volts` at a temperature and its slope [W/A], [W/(A K)]."""
        i = (min(max(t_c, GRID_LOW_C), GRID_HIGH_C - _STEP_C) - GRID_LOW_C) / _STEP_C
        k = int(i)
        f = i - k
        v, s = self.vapour_volts, self.vapour_slope
        return float(v[k] + f * (v[k + 1] - v[k])), float(s[k] + f * (s[k + 1] - s[k]))
