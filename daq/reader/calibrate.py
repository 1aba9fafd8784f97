"""From a frame's raw numbers to a sample in engineering units."""

from __future__ import annotations

import math
from dataclasses import dataclass

from daq.bench import Bench
from daq.frame import Frame, Sample, Status

__all__ = ["Calibrator"]


@dataclass(frozen=True, slots=True)
class _Line:
    """One channel's straight line, taken out of the models because this runs for every value."""

    channel: str
    field: str
    scale: float
    offset: float
    low: float
    high: float
    identity: bool


class Calibrator:
    """Turns frames into samples by the bench file's scales, offsets and valid ranges.

    A number outside its channel's `valid` range is bad: its value becomes NaN and the raw number is kept
    beside it. A field that the frame lacks is missing. Nothing raises.

    Parameters
    ----------
    bench : Bench
        The bench whose channels are filled.
    """

    def __init__(self, bench: Bench) -> None:
        self._lines: dict[str, tuple[_Line, ...]] = {
            source: tuple(
                _Line(
                    channel=name,
                    field=spec.field,
                    scale=spec.scale,
                    offset=spec.offset,
                    low=spec.valid[0] if spec.valid else -math.inf,
                    high=spec.valid[1] if spec.valid else math.inf,
                    identity=spec.scale == 1.0 and spec.offset == 0.0,
                )
                for name, spec in bench.channels.items()
                if spec.source == source
            )
            for source in bench.sources
        }

    def __call__(self, frame: Frame, t_ns: int) -> tuple[Sample, int]:
        """The frame's sample at run time `t_ns`, and how many of its values were out of range."""
        values: dict[str, float] = {}
        status: dict[str, Status] = {}
        raw_kept: dict[str, float] = {}
        out_of_range = 0
        fields = frame.fields
        for line in self._lines.get(frame.source, ()):
            raw = fields.get(line.field)
            if raw is None:
                values[line.channel] = math.nan
                status[line.channel] = Status.MISSING
                continue
            value = raw * line.scale + line.offset
            # Also false for NaN, by which a device says that its sensor is silent, and for infinities.
            if line.low <= value <= line.high and not math.isinf(value):
                values[line.channel] = value
                if not line.identity:
                    raw_kept[line.channel] = raw
                continue
            values[line.channel] = math.nan
            status[line.channel] = Status.BAD
            if not math.isnan(raw):
                raw_kept[line.channel] = raw
                out_of_range += 1
        return Sample(frame.source, t_ns, values, status, frame.seq, raw_kept), out_of_range
