"""From a frame's raw numbers to a sample in engineering units."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from daq.bench import Bench, ChannelSpec
from daq.bench.sensors import Thermometer
from daq.frame import Frame, Sample, Status
from daq.quantity import Curve

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
    calibration: Curve | None = None
    thermometer: Thermometer | None = None


class Calibrator:
    """Turns frames into samples by the bench file's scales, offsets and valid ranges, or by a channel's
    calibration where it has one.

    A number outside its channel's `valid` range is bad: its value becomes NaN, the raw number is kept beside
    it, and the guard is given what it would be worth (`Sample.beyond`). A field that the frame lacks is
    missing, but left out where the source's frames carry only what was measured just then. A raw number
    beyond the range of a channel's calibration makes an uncertain value, by the curve continued straight.
    Nothing raises.

    Parameters
    ----------
    bench : Bench
        The bench whose channels are filled.
    """

    def __init__(self, bench: Bench) -> None:
        curves = {name: c.curve for name, c in bench.calibrations.items()}
        self._lines: dict[str, tuple[_Line, ...]] = {
            source: tuple(
                _Line(
                    channel=name,
                    field=spec.field,
                    scale=spec.scale,
                    offset=spec.offset,
                    low=spec.valid[0] if spec.valid else -math.inf,
                    high=spec.valid[1] if spec.valid else math.inf,
                    identity=spec.scale == 1.0
                    and spec.offset == 0.0
                    and name not in curves
                    and spec.thermometer is None,
                    calibration=curves.get(name),
                    thermometer=spec.thermometer,
                )
                for name, spec in sorted(bench.channels.items(), key=lambda c: _needs_another(c[1]))
                if spec.source == source
            )
            for source in bench.sources
        }
        self._cold_c: dict[str, float] = {}
        self._sparse = frozenset(name for name, spec in bench.sources.items() if spec.sparse)

    def __call__(self, frame: Frame, t_ns: int) -> tuple[Sample, int]:
        """The frame's sample at run time `t_ns`, and how many of its values were out of range."""
        values: dict[str, float] = {}
        status: dict[str, Status] = {}
        raw_kept: dict[str, float] = {}
        beyond: dict[str, float] = {}
        out_of_range = 0
        fields = frame.fields
        sparse = frame.source in self._sparse
        for line in self._lines.get(frame.source, ()):
            raw = fields.get(line.field)
            if raw is None:
                if sparse:
                    continue
                values[line.channel] = math.nan
                status[line.channel] = Status.MISSING
                continue
            curve = line.calibration
            if line.thermometer is not None:
                start = self._temperature(line, line.thermometer, raw, values)
                value = start if curve is None else curve.at(start)
            else:
                start = raw
                value = raw * line.scale + line.offset if curve is None else curve.at(raw)
            # Also false for NaN, by which a device says that its sensor is silent, and for infinities.
            if line.low <= value <= line.high and not math.isinf(value):
                values[line.channel] = value
                if not line.identity:
                    raw_kept[line.channel] = raw
                if curve is not None and not curve.low <= start <= curve.high:
                    status[line.channel] = Status.UNCERTAIN
                continue
            values[line.channel] = math.nan
            status[line.channel] = Status.BAD
            if not math.isnan(raw):
                raw_kept[line.channel] = raw
                out_of_range += 1
            if math.isfinite(value):
                beyond[line.channel] = value
        return Sample(frame.source, t_ns, values, status, frame.seq, raw_kept, beyond), out_of_range

    def _temperature(
        self, line: _Line, thermometer: Thermometer, raw: float, values: Mapping[str, float]
    ) -> float:
        """What a thermometer tells [degC]; NaN beyond its curve and while its cold junction is not known.

        A frame that does not hold the cold junction leaves it at what it last was: it changes slowly.
        """
        cold = math.nan
        if (channel := thermometer.cold_channel) is not None:
            cold = values.get(channel, math.nan)
            if math.isnan(cold):
                cold = self._cold_c.get(channel, math.nan)
            self._cold_c[channel] = cold
        return float(np.asarray(thermometer.temperature_c(raw * line.scale + line.offset, cold)))


def _needs_another(spec: ChannelSpec) -> bool:
    """Whether it is worked out after the channel of its cold junction."""
    return spec.thermometer is not None and spec.thermometer.cold_channel is not None
