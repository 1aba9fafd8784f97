"""A timed fill made while a run was recorded: what the run measured in those seconds, and what the fill says
of its flow meter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from daq.bench import Bench
from daq.errors import UsageError
from daq.frame import Block
from daq.measure import (
    Assessor,
    Bins,
    Columns,
    Measured,
    Notes,
    above_noise,
    dry_flow,
    first_known,
    known,
    measure,
    pressure_kpa,
)
from daq.quantity import Quantity
from daq.study.fill.form import During
from daq.study.fill.result import TimedFill
from daq.watch import suited_to

__all__ = ["LEAD_IN_NS", "FillInterval", "MeterCheck", "check_meter", "interval_of"]

LEAD_IN_NS = 10_000_000_000
"""So much before the fill is to be read, for what the first samples in it stand for [ns]."""
STEPS = 30
STEADY_SHARE = 0.1
"""A current that changes by more than this share over the fill is said (judgement)."""
_WITHOUT = ("gas_flow: accuracy", "gas_flow: calibration")


@dataclass(frozen=True, slots=True)
class FillInterval:
    """What a run measured in the seconds of a fill.

    Attributes
    ----------
    bench : Bench
        As it was when the run was made, suited to the log's pace.
    during : During
        For `timed_fill`.
    measured : Measured
        All means, of the one window.
    """

    bench: Bench
    during: During
    measured: Measured


def interval_of(bench: Bench, blocks: Mapping[str, Block], start_ns: int, end_ns: int) -> FillInterval:
    """Means over exactly `start_ns` to `end_ns` of the run [ns].

    Parameters
    ----------
    bench : Bench
    blocks : mapping of str to Block
        The run's samples from `LEAD_IN_NS` before the start to the end, by source.
    start_ns, end_ns : int
        [ns]

    Raises
    ------
    UsageError
        When the interval is empty or holds no samples.
    """
    if end_ns - start_ns < 100_000_000:
        raise UsageError(
            "is no time to fill anything in", place="fill: seconds", value=(end_ns - start_ns) / 1e9
        )
    suited, _ = suited_to(bench, list(blocks.values()))
    step_ns = -(-(end_ns - start_ns) // STEPS)  # rounded up, or the last sample would fall out
    bins = Bins(suited, step_ns=step_ns)
    # The interval's own zero: steps are counted from it, whatever instant of the run it is.
    bins.add(Columns.from_blocks([_shifted(b, start_ns) for b in blocks.values()]))
    measured = measure(suited, bins, np.array([STEPS], dtype=np.int64), STEPS)
    if not any(known(q).any() for q in measured.means.values()):
        raise UsageError(
            "holds no samples in that time",
            place="run",
            value=f"{start_ns / 1e9:.1f} to {end_ns / 1e9:.1f} s",
            remedy="give the second of the run at which the fill began with --at",
        )
    assessor = Assessor(suited)
    balance = assessor.balance(measured)
    flows, means, notes = balance.flows, measured.means, Notes(1)
    nothing = {"gas_pressure": Quantity(np.array([np.nan]), 0.0, "kPa")}
    during = During(
        volts=flows["volts"].named("V"),
        amps=flows["amps"],
        power=flows["power"],
        cell_volts=flows["cell_volts"],
        lye_temp=flows["lye_temp"],
        room_temp=means["room_temp"] if known(means["room_temp"]).any() else None,
        # The vessel stands in the room, wherever the meter's own pressure is measured.
        pressure=pressure_kpa(suited, {**means, **nothing}, notes),
        notes=(*_changing(bins), *_electrical(balance.notes), *notes.texts),
        refused=tuple(balance.refused.texts),
    )
    return FillInterval(suited, during, measured)


@dataclass(frozen=True, slots=True)
class MeterCheck:
    """What a fill says of the flow meter beside it.

    Attributes
    ----------
    factor : Quantity
        True flow to meter reading: `gas.meter_factor` of the bench file. The meter's accuracy line is not in
        its uncertainty, because that is what the factor corrects; its resolution and noise are.
    reading_lpm : float
        Mean reading over the fill [L/min].
    k_per_l : Quantity or None
        The same as a K-factor [counts/L], where the channel's scale turns counts a second into a flow.
    """

    factor: Quantity
    reading_lpm: float
    k_per_l: Quantity | None

    def as_dict(self) -> dict[str, Any]:
        """For JSON and the logbook."""
        out: dict[str, Any] = {
            "factor": {
                **_value_and_u95(self.factor),
                "u95_shared": float(np.asarray(_common(self.factor).u95)[0]),
            },
            "reading_lpm": self.reading_lpm,
            "k_per_l": None if self.k_per_l is None else _value_and_u95(self.k_per_l),
        }
        return out


def check_meter(fill: TimedFill, interval: FillInterval) -> MeterCheck | None:
    """Calibrate the run's flow meter by the fill; None where there is no meter, or it read nothing.

    The meter's reading goes to dry gas at the reference by the meter's own temperature, pressure and
    humidity and by its scale, with a factor of 1; the fill's dry gas over that is the factor. The room's
    pressure enters both and cancels as far as it does in the meter's kind.
    """
    bench, means = interval.bench, interval.measured.means
    flow = means["gas_flow"]
    if not known(flow).any() or interval.during.pressure is None:
        return None
    pressure = first_known(means["gas_pressure"].named("kPa"), interval.during.pressure)
    reading = {**means, "gas_flow": flow.without(*_WITHOUT)}
    one = Quantity(1.0, 0.0, "")
    by_meter = dry_flow(bench, fill.form.condition(), reading, pressure, Notes(1), factor=one)
    if not (above_noise(flow) & known(by_meter)).all():
        return None
    factor = (fill.dry / by_meter).named("")
    spec = bench.channels["gas_flow"]
    counts = (
        bench.gas.meter == "volume"
        and spec.scale != 1.0
        and spec.offset == 0.0
        and "gas_flow" not in bench.calibrations
    )
    k = (1.0 / (factor * (spec.scale / 60.0))).named("1/L") if counts else None
    return MeterCheck(factor, float(np.asarray(flow.value)[0]), k)


def _shifted(block: Block, by_ns: int) -> Block:
    return Block(block.source, block.t_ns - by_ns, block.seq, block.values, block.status, block.raw)


def _changing(bins: Bins) -> Sequence[str]:
    """A sentence where the current was not steady over the fill."""
    seconds, sums = bins.windows(np.array([STEPS], dtype=np.int64), STEPS)
    third = STEPS // 3
    held = seconds[1, 0].reshape(3, third).sum(axis=1)
    if not (held > 0.0).all():
        return ()
    means = sums[1, 0].reshape(3, third).sum(axis=1) / held
    middle = float(np.abs(means).mean())
    change = float(means[-1] - means[0])
    if middle == 0.0 or abs(change) <= STEADY_SHARE * middle:
        return ()
    return (
        f"the current was not steady: {means[0]:.1f} A at first, {means[-1]:.1f} A at the end of the fill",
    )


def _electrical(notes: Notes) -> Sequence[str]:
    """Those of a window's assumptions that are of volts and amps: the meter's do not touch a fill."""
    return [t for t in notes.texts if t.startswith(("volts", "amps", "watts", "the drop in the leads"))]


def _common(quantity: Quantity) -> Quantity:
    kept = {v: p for v, p in quantity.parts.items() if v.common and not v.label.startswith("stop-watch")}
    return Quantity.from_parts(quantity.value, quantity.unit, kept)


def _value_and_u95(quantity: Quantity) -> dict[str, float]:
    return {"value": float(np.asarray(quantity.value)[0]), "u95": float(np.asarray(quantity.u95)[0])}
