"""What calibrations the numbers rest on, and which are due again."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from daq.bench import Bench
from daq.measure.columns import zeroed
from daq.measure.conditions import Notes, known
from daq.measure.findings import Finding
from daq.quantity import Quantity
from daq.utc import iso_day

__all__ = ["note_calibrations", "overdue"]


def note_calibrations(bench: Bench, means: Mapping[str, Quantity], notes: Notes) -> None:
    """Say of each calibrated channel which calibration it has, and where it lies beyond its points.

    Parameters
    ----------
    bench : Bench
    means : mapping of str to Quantity
        Means of the windows by channel; one that is not among them is passed over.
    notes : Notes
        Of the same windows; added to.
    """
    for channel, calibration in bench.calibrations.items():
        mean = means.get(channel)
        if mean is None:
            continue
        there = known(mean)
        notes.add(f"{channel}: {calibration.words}", there)
        low, high = calibration.span
        value = zeroed(np.asarray(mean.value), low)
        unit = calibration.unit
        notes.add(
            f"{channel} beyond its calibration, {low:g} to {high:g} {unit}: its curve is continued straight",
            there & ((value < low) | (value > high)),
        )


def overdue(bench: Bench, utc_ns: int | None) -> list[Finding]:
    """A finding for each calibration that was due by that time, UTC [ns]; none where that is not known."""
    if utc_ns is None:
        return []
    return [
        Finding(
            "calibration_overdue",
            f"The calibration of {channel} was due on {iso_day(c.due_utc_ns or 0)}: {c.words}.",
            (
                "nobody has calibrated it again: `lyewatch calibrate` takes the points",
                "it was, and is not in the logbook yet, or this run began before",
            ),
        )
        for channel, c in bench.calibrations.items()
        if c.overdue(utc_ns)
    ]
