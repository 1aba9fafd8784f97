"""Calibrating a channel, and working a run out again under another calibration.

The fit is `daq.quantity.fit_curve`; what is kept of it is `daq.bench.Calibration`. Nothing of a run is ever
overwritten: raw numbers stay in the store, and a review under another calibration is made from them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench, Calibration, ChannelSpec, LimitSpec, read_calibrations
from daq.bench.calibration import plain_accuracy
from daq.errors import RequestRefused, UsageError
from daq.frame import Block, Status
from daq.quantity import Fit, Kind, fit_curve, specification_limit
from daq.store import CalibrationRecord, RunRecord, Store
from daq.study.calibration.points import Points

__all__ = ["Calibrated", "calibrate", "keep", "recalibrated", "recalibrated_bench", "warnings_of"]

FAR_TIMES = 3.0
"""A calibration that moves a value by more than so many times its accuracy is remarked on (judgement)."""


@dataclass(frozen=True, slots=True)
class Calibrated:
    """A calibration that was just fitted.

    Attributes
    ----------
    calibration : Calibration
        Not in the logbook yet.
    fit : Fit
    points : Points
    """

    calibration: Calibration
    fit: Fit
    points: Points


def calibrate(
    channel: str,
    spec: ChannelSpec,
    points: Points,
    *,
    kind: Kind = "linear",
    degree: int = 2,
    knots: Sequence[float] | None = None,
    t_utc_ns: int,
    who: str,
    reference: str,
    due_utc_ns: int | None = None,
    reference_accuracy: str = "",
    remaining: str = "",
) -> Calibrated:
    """Fit a channel's calibration.

    Parameters
    ----------
    channel, spec
        The channel, and how the bench file has it.
    points : Points
    kind, degree, knots
        As `fit_curve`.
    t_utc_ns, due_utc_ns : int
        When the points were taken and when they are due again, UTC [ns].
    who, reference : str
    reference_accuracy, remaining : str
        Accuracy lines, see `Calibration`.

    Raises
    ------
    UsageError
        For a curve that turns back on itself, a due date before the points, or an accuracy line that can not
        be read.
    LyewatchError
        For points that can not be fitted.
    """
    for line, name in ((reference_accuracy, "reference accuracy"), (remaining, "remaining accuracy")):
        if line:
            try:
                plain_accuracy(line, spec.unit)
            except ValueError as exc:
                raise UsageError(str(exc), place=name, value=line) from None
    if due_utc_ns is not None and due_utc_ns <= t_utc_ns:
        raise UsageError("is due before it was made", place="due", remedy="give a later date")
    fit = fit_curve(points.raw, points.reference, points.u, kind=kind, degree=degree, knots=knots)
    curve = fit.curve
    slopes = curve.slope(np.linspace(curve.low, curve.high, 1001))
    if not (np.all(slopes > 0.0) or np.all(slopes < 0.0)):
        raise UsageError(
            "turns back on itself: two raw numbers would mean one value",
            place=f"{channel}: the {kind} curve",
            remedy="look for a point with a typing mistake, or choose a simpler kind",
        )
    made = Calibration(
        channel=channel,
        field=spec.field,
        unit=spec.unit,
        curve=curve,
        t_utc_ns=t_utc_ns,
        who=who,
        reference=reference,
        due_utc_ns=due_utc_ns,
        reference_accuracy=reference_accuracy,
        remaining=remaining,
        points=points.rows(),
    )
    return Calibrated(made, fit, points)


def keep(store: Store, bench: Bench, calibration: Calibration) -> Calibration:
    """Put a calibration into the logbook; runs that begin from now on use it.

    Parameters
    ----------
    store : Store
    bench : Bench
        Whose channel it is of.
    calibration : Calibration
    """
    record = store.logbook.calibrations.add(
        CalibrationRecord(
            bench=bench.name,
            channel=calibration.channel,
            t_utc_ns=calibration.t_utc_ns,
            who=calibration.who,
            reference=calibration.reference,
            due_utc_ns=calibration.due_utc_ns,
            body=calibration.body(),
        )
    )
    return calibration.kept_as(record.id)


def warnings_of(
    calibration: Calibration, spec: ChannelSpec, limit: LimitSpec | None
) -> tuple[list[str], list[str]]:
    """What to look at before a calibration is kept.

    Parameters
    ----------
    calibration : Calibration
    spec : ChannelSpec
        The channel as the bench file has it.
    limit : LimitSpec, optional
        Its limits; None where it has none.

    Returns
    -------
    remarks : list of str
        Worth a look.
    grave : list of str
        Where the channel guards the stack and would do it otherwise than before.
    """
    curve, unit = calibration.curve, spec.unit
    remarks: list[str] = []
    raw = np.linspace(curve.low, curve.high, 101)
    before, after = spec.uncalibrated(raw), curve(raw)
    width = 0.0 if spec.valid is None else spec.valid[1] - spec.valid[0]
    a = spec.accuracy
    allowed = specification_limit(
        before,
        percent_of_reading=a.percent_of_reading,
        absolute=a.absolute,
        percent_of_range=a.percent_of_range,
        range_width=width,
        counts=a.counts,
        resolution=spec.resolution,
    )
    far = np.abs(after - before) / np.maximum(allowed, 1e-300)
    worst = int(np.argmax(far))
    if far[worst] > 1.0:
        remarks.append(
            f"it moves {before[worst]:.4g} {unit} to {after[worst]:.4g} {unit}, "
            "further than the bench file's accuracy allows"
        )
    grave: list[str] = []
    for level in ("low_trip", "trip"):
        at = None if limit is None else getattr(limit, level)
        if at is None:
            continue
        then = curve.at(float(spec.start_of(at)))
        tolerated = FAR_TIMES * float(np.interp(at, *_rising(before, allowed)))
        if abs(then - at) > max(tolerated, 1e-12):
            grave.append(
                f"what was {at:g} {unit}, where the supply is cut, will be shown as {then:.4g} {unit}"
            )
        low, high = calibration.span
        if not low <= at <= high:
            remarks.append(
                f"its points, {low:.4g} to {high:.4g} {unit}, do not reach {at:g} {unit}, "
                "where the supply is cut"
            )
    return remarks, grave


# -- another calibration -----------------------------------------------------------------------------------


def recalibrated_bench(store: Store, record: RunRecord, bench: Bench, which: str) -> Bench:
    """The bench of a run with other calibrations than it was recorded with.

    Parameters
    ----------
    store, record
    bench : Bench
        As `recorded_bench` gives it.
    which : str
        "newest" for the newest of every channel, "none" for the bench file's own scales, or the number of one
        calibration, which then replaces that of its channel alone.

    Raises
    ------
    UsageError
        When it is none of these, or the calibration is of another bench or does not fit the channel.
    RequestRefused
        When there is no calibration of that number.
    """
    if which == "none":
        return bench.calibrated({})
    if which == "newest":
        found = read_calibrations(store.logbook.calibrations.newest(record.bench))
        return bench.calibrated({**bench.calibrations, **found})
    if not which.isdigit():
        raise UsageError(
            "is no calibration", place="calibration", value=which, remedy="give its number, newest, or none"
        )
    kept = store.logbook.calibrations.get(int(which))
    if kept.bench != record.bench:
        raise RequestRefused(
            f"is of another bench, {kept.bench!r}", place=f"calibration {kept.id}", remedy="choose another"
        )
    one = read_calibrations({kept.channel: kept})
    made = bench.calibrated({**bench.calibrations, **one})
    if made.calibrations.get(kept.channel) != one[kept.channel]:
        raise RequestRefused(
            f"was made for field {kept.body['field']!r} in {kept.body['unit']}, which the run has not",
            place=f"calibration {kept.id}",
            remedy="choose another",
        )
    return made


def recalibrated(
    was: Bench, now: Bench, blocks: Mapping[str, Block], *, imported: bool = False
) -> dict[str, Block]:
    """A run's samples as they would have been under other calibrations; the blocks given stay as they are.

    Parameters
    ----------
    was, now : Bench
        With the calibrations of the recording, and with the others.
    blocks : mapping of str to Block
        Read with their raw numbers, by source.
    imported : bool
        Whether the run was imported: its numbers came in the channel's unit, not as a device says them.
    """
    changed = [n for n in now.channels if was.calibrations.get(n) != now.calibrations.get(n)]
    out: dict[str, Block] = {}
    for name, block in blocks.items():
        values, status = dict(block.values), dict(block.status)
        for channel in changed:
            if channel in values:
                values[channel], status[channel] = _again(was, now, block, channel, imported)
        out[name] = Block(block.source, block.t_ns, block.seq, values, status, block.raw)
    return out


def _again(
    was: Bench, now: Bench, block: Block, channel: str, imported: bool
) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    spec = now.channels[channel]
    value = block.values[channel]
    kept = block.raw.get(channel, np.full(len(block), np.nan))
    # Where the raw number was not kept, the value is the raw number; an import's numbers are values all.
    raw = np.where(np.isfinite(kept), kept, value)
    cold = None if spec.thermometer is None else spec.thermometer.cold_channel
    cold_c = np.nan if cold is None else block.values.get(cold, np.full(len(block), np.nan))
    start = spec.start_of(raw) if imported else spec.before_calibration(raw, cold_c)
    calibration = now.calibrations.get(channel)
    made = spec.uncalibrated(start) if calibration is None else calibration.curve(start)
    low, high = spec.valid or (-math.inf, math.inf)
    status = block.status.get(channel)
    if status is None:
        status = np.where(np.isfinite(value), Status.GOOD, Status.MISSING).astype(np.uint8)
    measured = np.isfinite(raw)
    sound = measured & (made >= low) & (made <= high)
    codes = np.where(measured, np.where(sound, Status.GOOD, Status.BAD), status).astype(np.uint8)
    if calibration is not None:
        beyond = sound & ((start < calibration.curve.low) | (start > calibration.curve.high))
        codes[beyond] = Status.UNCERTAIN
    return np.where(sound, made, np.nan), codes


def _rising(
    x: NDArray[np.float64], y: NDArray[np.float64] | float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    y = np.broadcast_to(np.asarray(y, dtype=np.float64), x.shape)
    return (x, y) if x[-1] >= x[0] else (x[::-1], y[::-1])
