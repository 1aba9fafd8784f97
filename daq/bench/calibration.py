"""A channel's calibration: the curve from the device's raw number to the channel's unit, and how well it is
known.

It replaces the bench file's scale and offset for the channel, and its uncertainty the accuracy line. It lives
in the logbook, not in the bench file, and every run remembers which one it was recorded with.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daq.bench.accuracy import Accuracy, parse_accuracy
from daq.errors import StoreCorrupt
from daq.quantity import Curve, Quantity, Variable
from daq.quantity.evaluate import resolution_u, specification_u
from daq.utc import iso_day, iso_second

__all__ = ["Calibration", "Kept", "calibration_words", "plain_accuracy", "read_calibrations"]

FloatArray = NDArray[np.float64]
_GRID = 513
_BEYOND = 2.0
"""The table of uncertainties reaches so many ranges beyond the points on either side."""


class Kept(Protocol):
    """A calibration as the logbook keeps it."""

    @property
    def id(self) -> int: ...
    @property
    def channel(self) -> str: ...
    @property
    def t_utc_ns(self) -> int: ...
    @property
    def who(self) -> str: ...
    @property
    def reference(self) -> str: ...
    @property
    def due_utc_ns(self) -> int | None: ...
    @property
    def body(self) -> dict[str, Any]: ...


@dataclass(frozen=True)
class Calibration:
    """One calibration of one channel.

    Attributes
    ----------
    channel, field, unit : str
        The channel, its field in the device's frames, and its unit.
    curve : Curve
        From the raw number to the channel's unit, rising or falling throughout.
    t_utc_ns, due_utc_ns : int
        When it was made and when it is due again, UTC [ns].
    who, reference : str
        Who made it, and against what.
    reference_accuracy : str
        Accuracy line of what it was made against: an error that all points share and no fit takes out.
    remaining : str
        Accuracy line of what a calibration can not take out: drift until the next, warmth. Empty for none.
    id : int
        In the logbook; 0 before it is there.
    """

    channel: str
    field: str
    unit: str
    curve: Curve
    t_utc_ns: int
    who: str
    reference: str
    due_utc_ns: int | None = None
    reference_accuracy: str = ""
    remaining: str = ""
    id: int = 0
    points: tuple[tuple[float, ...], ...] = dataclasses.field(default=(), repr=False)
    """Raw number, reference value and, where given, its standard uncertainty."""

    def u(self, value: ArrayLike) -> FloatArray:
        """Standard uncertainty of the calibrated value: half of the 95 % band of a further point.

        Half, so that twice it covers 95 % however few the points were; the reference's and the remaining
        accuracy are not in it, see `quantity`.
        """
        values, u = self._table
        return np.asarray(np.interp(np.asarray(value, dtype=np.float64), values, u))

    def quantity(self, value: FloatArray, label: str, resolution: float) -> Quantity:
        """Calibrated values with the calibration's parts, common to all of them.

        The parts are the curve's, the reference's, what remains, and the resolution's.

        Parameters
        ----------
        value : float64[...]
            In the channel's unit.
        label : str
            The channel's name, which begins the parts' labels.
        resolution : float
            What one count is [unit of the channel]; 0 for none.
        """
        parts: dict[Variable, Any] = {Variable(f"{label}: calibration"): self.u(value)}
        for name, line in (("reference", self.reference_accuracy), ("accuracy", self.remaining)):
            if line:
                a = plain_accuracy(line, self.unit)
                u = specification_u(value, percent_of_reading=a.percent_of_reading, absolute=a.absolute)
                parts[Variable(f"{label}: {name}", shape="rectangular")] = u
        if resolution:
            parts[Variable(f"{label}: resolution", shape="rectangular")] = resolution_u(resolution)
        return Quantity.from_parts(value, self.unit, parts)

    @cached_property
    def span(self) -> tuple[float, float]:
        """The lowest and the highest value of the calibrated range [unit]."""
        ends = self.curve.at(self.curve.low), self.curve.at(self.curve.high)
        return min(ends), max(ends)

    @cached_property
    def _table(self) -> tuple[FloatArray, FloatArray]:
        """Values, rising, and the uncertainty at each, for interpolation: it is asked for at every window."""
        curve = self.curve
        width = _BEYOND * (curve.high - curve.low)
        raw = np.concatenate(
            [
                [curve.low - width],
                np.linspace(curve.low, curve.high, _GRID),
                [curve.high + width],
            ]
        )
        values, u = curve(raw), 0.5 * curve.band(raw)
        return (values, u) if values[-1] > values[0] else (values[::-1], u[::-1])

    def overdue(self, utc_ns: int) -> bool:
        """Whether it was due at that time [ns]."""
        return self.due_utc_ns is not None and utc_ns >= self.due_utc_ns

    @property
    def words(self) -> str:
        """In short: ``calibration 3 of 2025-03-01 against bench meter 7``."""
        return f"calibration {self.id} of {iso_day(self.t_utc_ns)} against {self.reference}"

    def fits(self, spec: Any) -> bool:
        """Whether it was made for the channel as the bench file has it now (`ChannelSpec`)."""
        return bool(spec.field == self.field and spec.unit == self.unit)

    def as_dict(self) -> dict[str, Any]:
        """For JSON, in reviews: what it was, without points and curve."""
        return {
            "id": self.id,
            "channel": self.channel,
            "made_utc": iso_second(self.t_utc_ns),
            "due_utc": None if self.due_utc_ns is None else iso_second(self.due_utc_ns),
            "who": self.who,
            "reference": self.reference,
            "kind": self.curve.kind,
            "unit": self.unit,
            "from": self.span[0],
            "to": self.span[1],
        }

    def body(self) -> dict[str, Any]:
        """What the logbook keeps beside date, person and reference."""
        return {
            "field": self.field,
            "unit": self.unit,
            "curve": self.curve.as_dict(),
            "reference_accuracy": self.reference_accuracy,
            "remaining": self.remaining,
            "points": [list(p) for p in self.points],
        }

    @classmethod
    def read(cls, kept: Kept) -> Calibration:
        """The calibration that the logbook keeps."""
        body = kept.body
        return cls(
            channel=kept.channel,
            field=str(body["field"]),
            unit=str(body["unit"]),
            curve=Curve.from_dict(body["curve"]),
            t_utc_ns=kept.t_utc_ns,
            who=kept.who,
            reference=kept.reference,
            due_utc_ns=kept.due_utc_ns,
            reference_accuracy=str(body["reference_accuracy"]),
            remaining=str(body["remaining"]),
            id=kept.id,
            points=tuple(tuple(map(float, p)) for p in body["points"]),
        )

    def kept_as(self, given: int) -> Calibration:
        """The same with the logbook's id."""
        return replace(self, id=given)


def read_calibrations(kept: Mapping[str, Kept]) -> dict[str, Calibration]:
    """Calibrations by channel, as the logbook keeps them.

    Raises
    ------
    StoreCorrupt
        When one can not be read.
    """
    out: dict[str, Calibration] = {}
    for channel, record in kept.items():
        try:
            out[channel] = Calibration.read(record)
        except (KeyError, TypeError, ValueError) as exc:
            raise StoreCorrupt(
                f"can not be read: {exc!r}",
                place=f"calibration {record.id} of {channel}",
                remedy=f"withdraw it: `lyewatch calibrate BENCH --withdraw {record.id}`",
            ) from None
    return out


def calibration_words(bench: Any, newest: Mapping[str, Kept], utc_ns: int) -> list[str]:
    """What is to be said of a bench's calibrations: which are due, and which do not fit its file.

    Parameters
    ----------
    bench : Bench
        With the calibrations that it uses.
    newest : mapping
        The newest of each channel in the logbook.
    utc_ns : int
        Now, UTC [ns].
    """
    used: Mapping[str, Calibration] = bench.calibrations
    late = {n: c for n, c in used.items() if c.overdue(utc_ns)}
    warnings = [f"{n}: {c.words} was due again on {iso_day(c.due_utc_ns or 0)}" for n, c in late.items()]
    for channel, kept in newest.items():
        spec = bench.channels.get(channel)
        if channel not in used and spec is not None:
            warnings.append(
                f"{channel}: calibration {kept.id} is not used: it was made for field {kept.body['field']!r} "
                f"in {kept.body['unit']}, and the bench file now says {spec.field!r} in {spec.unit}"
            )
    return warnings


def plain_accuracy(line: str, unit: str) -> Accuracy:
    """An accuracy line with neither range nor counts, which mean nothing here.

    Raises
    ------
    ValueError
        Saying what would be right.
    """
    found = parse_accuracy(line, unit)
    if found.percent_of_range or found.counts or not math.isfinite(found.absolute):
        raise ValueError(
            f'no range and no resolution is known here: write it as "0.1 % of reading + 0.02 {unit}"'
        )
    return found
