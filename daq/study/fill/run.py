"""What a run's timed fills say of the whole run, on a bench that no flow meter watches.

A fill tells the gas of its own seconds. What the current makes elsewhere in the run is that and the
difference of the currents: what leaks past the plates hardly goes with the current, since the cells' voltages
hardly do. So ``dry gas = gas of the fills + (I - I of the fills)``, both as currents by Faraday's law, and
the numbers of every window follow by the equations that a flow meter's follow by.

Several fills are a series: their scatter, by Student's t, is in U; what all share (the vessel) is not
averaged.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from daq.bench import Bench
from daq.errors import UsageError
from daq.measure import GivenGas, Measured, Ratios
from daq.physics.reference import reference_condition
from daq.quantity import Quantity, Variable
from daq.store import FillRecord
from daq.study.fill.form import VOLUME_ERROR_SHARE
from daq.study.fill.series import Repeated, at_reference, series_of
from daq.study.render import Count, FiniteOrNull

__all__ = [
    "MmwByFills",
    "RunFills",
    "RunFillsResult",
    "fills_result",
    "gas_by_fills",
    "mmw_by_fills",
    "run_fills",
]

FAR: Final = 3.0
"""At more than so many times the fills' current, or less, they tell nothing of the gas (judgement)."""
PER_KELVIN: Final = 0.02
"""By so much of itself a leak grows with the lye's temperature [1/K] (common practice, no published
source)."""
PER_E_FOLD: Final = 0.15
"""... and with the current, by the cells' voltage, for a factor of e in it [1] (judgement)."""
LEAST_LEAK: Final = 0.02
"""A leak is taken as at least this share of the current when its change is judged [1] (judgement)."""
_SQRT3 = math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class RunFills:
    """The fills of one run together.

    Attributes
    ----------
    records : tuple of FillRecord
    series : dict of str to Repeated
        By number: mean, repeatability and U, dry gas at the bench's reference.
    amps, gas_amps : float
        Mean current of the fills, and their gas as a current by Faraday's law [A].
    u_own, u_vessel : float
        Standard uncertainties of `gas_amps` [A]: the series' own and its day's, and the vessel's.
    wet : float
        Gas as it stood over dry gas at the reference [1].
    vessel : str
    """

    records: tuple[FillRecord, ...]
    series: Mapping[str, Repeated]
    amps: float
    gas_amps: float
    u_own: float
    u_vessel: float
    wet: float
    vessel: str

    @property
    def words(self) -> str:
        """What numbers rest on that come from these."""
        n = len(self.records)
        return (
            f"no flow meter: gas by {n} timed fill{'s' if n > 1 else ''} of this run, at {self.amps:.3g} A; "
            "elsewhere as much current is taken to leak as in them"
        )


def run_fills(bench: Bench, records: Sequence[FillRecord]) -> RunFills | None:
    """A run's fills together; None where there are none that tell gas and current.

    Parameters
    ----------
    bench : Bench
        As it was when the run was made.
    records : sequence of FillRecord
        Of that run, in the order of time.
    """
    reference = reference_condition(bench.site.reference)
    usable: list[tuple[FillRecord, Mapping[str, Any]]] = []
    for record in records:
        try:
            result = at_reference(record.body["result"], bench.site.reference)
        except UsageError:
            continue  # of a version that took a condition which this one does not
        cells = int(record.body["form"].get("cells", 0))
        known = all(result[k]["value"] is not None for k in ("flow_dry_ref_lpm", "leak_amps"))
        if known and cells == bench.stack.cells:
            usable.append((record, result))
    if not usable:
        return None
    results = [r for _, r in usable]
    series = series_of(results)
    per_lpm = Ratios(bench.stack.cells, reference, 0.0).amps_per_lpm
    dry = series["flow_dry_ref_lpm"]
    gas_amps = per_lpm * dry.value
    forms = [record.body["form"] for record, _ in usable]
    vessel = float(np.mean([_vessel_share(form) for form in forms])) * gas_amps
    whole = 0.5 * per_lpm * dry.u95
    volumes = sorted({float(form["volume_ml"]) for form in forms})
    return RunFills(
        records=tuple(record for record, _ in usable),
        series=series,
        amps=gas_amps + series["leak_amps"].value,
        gas_amps=gas_amps,
        u_own=math.sqrt(max(whole**2 - vessel**2, 0.0)),
        u_vessel=min(vessel, whole),
        wet=series["flow_as_read_lpm"].value / dry.value,
        vessel=", ".join(f"{v:g} mL" for v in volumes),
    )


def gas_by_fills(
    bench: Bench, measured: Measured, records: Sequence[FillRecord], fills: RunFills | None = None
) -> GivenGas | None:
    """Gas of every window by the run's fills; None where a flow meter tells it, or no fill does.

    Parameters
    ----------
    bench : Bench
        As it was when the run was made.
    measured : Measured
        Of the run's windows.
    records : sequence of FillRecord
        Of that run.
    fills : RunFills, optional
        The same together, where they are at hand.
    """
    if np.isfinite(np.asarray(measured.means["gas_flow"].value)).any():
        return None
    found = fills or run_fills(bench, records)
    if found is None:
        return None
    amps = np.asarray(measured.means["amps"].value, dtype=np.float64)
    near = (amps > bench.supply.powered_above_amps) & (amps < FAR * found.amps) & (amps > found.amps / FAR)
    gas = np.where(near, found.gas_amps + amps - found.amps, np.nan)
    leak = max(found.amps - found.gas_amps, LEAST_LEAK * found.amps)
    with np.errstate(invalid="ignore", divide="ignore"):
        away = PER_E_FOLD * np.abs(np.log(np.where(near, amps, found.amps) / found.amps))
    away = away + PER_KELVIN * np.abs(np.nan_to_num(_apart_k(measured, found)))
    per_lpm = Ratios(bench.stack.cells, reference_condition(bench.site.reference), 0.0).amps_per_lpm
    parts = {
        Variable(f"timed fills: vessel of {found.vessel}"): np.full(amps.shape, found.u_vessel / per_lpm),
        # the words tell a comparison that another day's series has another error
        Variable("timed fills: noise of the series"): np.full(amps.shape, found.u_own / per_lpm),
        Variable("timed fills: taken for other times"): leak * away / _SQRT3 / per_lpm,
    }
    dry = Quantity.from_parts(gas / per_lpm, "L/min", parts)
    return GivenGas(dry, (dry * found.wet).named("L/min"), found.words)


@dataclass(frozen=True, slots=True)
class MmwByFills:
    """Dry MMW of some fills: their mean, its U, how many, and where dry gas is counted."""

    value: float
    u95: FiniteOrNull
    unit: str
    fills: Count
    reference: str


def mmw_by_fills(records: Sequence[FillRecord], reference: str | None = None) -> MmwByFills | None:
    """Dry MMW of some fills for a line in a list; None where none tells it."""
    results = []
    for record in records:
        try:
            result = record.body["result"]
            results.append(result if reference is None else at_reference(result, reference))
        except UsageError:
            continue
    results = [r for r in results if r["mmw_dry_ref"]["value"] is not None]
    if not results or len({str(r["reference"]) for r in results}) > 1:
        return None
    found = series_of(results)["mmw_dry_ref"]
    return MmwByFills(found.value, found.u95, "mL/min/W", found.n, results[0]["reference"])


@dataclass(frozen=True, slots=True)
class RunFillsResult:
    """A run's fills, when they began [s], their means, and whether the run's gas is theirs."""

    ids: Sequence[int]
    t_s: Sequence[float | None]
    series: Mapping[str, Repeated]
    gas_of_the_run: bool


def fills_result(fills: RunFills | None, used: bool) -> RunFillsResult | None:
    """What a review tells of the run's fills."""
    if fills is None:
        return None
    return RunFillsResult(
        [record.id for record in fills.records],
        [None if record.t_ns is None else record.t_ns / 1e9 for record in fills.records],
        fills.series,
        used,
    )


# -- parts -------------------------------------------------------------------------------------------------


def _vessel_share(form: Mapping[str, Any]) -> float:
    """Standard uncertainty of a vessel's volume, as a share of it."""
    volume = float(form["volume_ml"])
    error = form.get("volume_error_ml")
    return (VOLUME_ERROR_SHARE if error is None else float(error) / volume) / _SQRT3


def _apart_k(measured: Measured, fills: RunFills) -> np.ndarray[Any, np.dtype[np.float64]]:
    """How far each window's lye is from that of the fills [K]; NaN where it is not measured."""
    temp = np.asarray(measured.means["lye_temp"].value, dtype=np.float64)
    at = [r.t_ns for r in fills.records if r.t_ns is not None]
    if not at:
        return np.full(temp.shape, np.nan)
    held = np.clip(np.searchsorted(measured.end_ns, at), 0, temp.size - 1)
    found = temp[held]
    found = found[np.isfinite(found)]
    return np.asarray(temp - float(found.mean())) if found.size else np.full(temp.shape, np.nan)
