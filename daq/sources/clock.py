"""From a device's milliseconds to the host's monotonic clock, so that delays do not move a reading.

A frame that was measured at one instant arrives later by a delay that is never negative: the line, the USB
poll, the scheduler. The host's receive time against the device's time is therefore a cloud above a straight
line, whose slope is the ratio of the clocks. The line sought lies under every point and is the closest to
them in the mean; it is the edge of the cloud's lower convex hull above the mean abscissa.

Reference: S. B. Moon, P. Skelly, D. Towsley, "Estimation and removal of clock skew from network delay
measurements", Proc. IEEE INFOCOM 1999, pp. 227-234, doi:10.1109/INFCOM.1999.749287 (the linear program;
that its optimum is a hull edge is from the geometry of the constraint set).
"""

from __future__ import annotations

from collections import deque
from itertools import pairwise
from typing import Final, Literal

from daq.sources.reading import MAX_COUNT

__all__ = ["ClockMode", "DeviceClock", "MsUnwrapper"]

ClockMode = Literal["host", "fitted", "device"]

_NS_PER_MS: Final = 1_000_000
_BUCKET_NS: Final = 2_000_000_000
"""One point is kept of so much device time: the least delayed."""
_BUCKETS: Final = 90
"""Three minutes: long against jitter, short against the drift of a warming crystal."""
_FIT_SPAN_NS: Final = 10_000_000_000
"""Before the points span this much, jitter would tilt the line more than two clocks differ."""
_MAX_SKEW: Final = 0.02
"""Crystals keep 1e-4, resonators 5e-3, trimmed RC oscillators 2e-2 (common practice, no published source)."""
_EARLY_NS: Final = 100_000_000
"""A frame can not come before it was measured: earlier than this below the line, a clock has stepped."""
_LATE_NS: Final = 500_000_000
_LATE_FOR_NS: Final = 8_000_000_000
"""When everything comes this late for so long, it is a step. A stalled computer catches up sooner."""
_WIRE_MODULUS: Final = MAX_COUNT + 1


class MsUnwrapper:
    """Unsigned 32-bit milliseconds, wrapping every 49.7 days, to milliseconds that only go on."""

    def __init__(self) -> None:
        self._last: int | None = None

    def restart(self) -> None:
        """The next value is taken as it is."""
        self._last = None

    def __call__(self, ms: int) -> int:
        """The unwrapped milliseconds. Steps of up to 24.8 days either way are followed."""
        if self._last is None:
            self._last = ms
        else:
            step = (ms - self._last) % _WIRE_MODULUS
            self._last += step if step < _WIRE_MODULUS // 2 else step - _WIRE_MODULUS
        return self._last


class DeviceClock:
    """Maps each frame's device milliseconds to the host's monotonic nanoseconds.

    Parameters
    ----------
    mode : "host", "fitted" or "device"
        "host": the receive time is the frame's time.
        "fitted": offset and skew are fitted over a sliding window, as the module says.
        "device": the first frame's receive time plus what the device's clock says has passed since. For a
        clock that is meant to run faster or slower than the host's.

    Attributes
    ----------
    steps : int
        Times that a jump of either clock made the fit begin anew.

    Times handed out never go backwards, and ("host" and "fitted") never lie after the frame was received.
    """

    def __init__(self, mode: ClockMode = "fitted") -> None:
        self.mode: ClockMode = mode
        self.steps = 0
        self._unwrap = MsUnwrapper()
        self._last_ns: int | None = None
        self._last_received_ns = 0
        self._skew = 0.0
        self._anchor: int | None = None
        self._points: deque[tuple[int, int]] = deque(maxlen=_BUCKETS)
        self._best: tuple[int, int] | None = None
        self._late_since: int | None = None
        self._bucket = 0
        # The line, y = y0 + (1 + skew) (x - x0): about a point, so that large numbers cost no digits.
        self._x0 = self._y0 = 0

    @property
    def skew_ppm(self) -> float:
        """How much longer a second of the device is than one of the host [1e-6]; 0 before there is a fit."""
        return self._skew * 1e6

    def restart(self) -> None:
        """The device begins anew. Its skew is kept, being of its crystal; its offset is not."""
        self._unwrap.restart()
        self._begin()

    def map(self, ms: int | None, received_ns: int) -> tuple[int, int | None]:
        """A frame's time on the host's monotonic clock [ns], and its unwrapped device milliseconds.

        `ms` is the wire's number or None, `received_ns` the host's monotonic clock when the frame had
        arrived.
        """
        device_ms = None if ms is None else self._unwrap(ms)
        if device_ms is None or self.mode == "host":
            mapped = received_ns
        elif self.mode == "device":
            mapped = self._follow(device_ms * _NS_PER_MS, received_ns)
        else:
            mapped = min(self._fit(device_ms * _NS_PER_MS, received_ns), received_ns)
        if self._last_ns is not None and mapped <= self._last_ns:
            mapped = self._last_ns + 1
        self._last_ns, self._last_received_ns = mapped, received_ns
        return mapped, device_ms

    # -- device alone --------------------------------------------------------------------------------------

    def _follow(self, x: int, y: int) -> int:
        if self._anchor is None:
            # After a restart the run goes on from where it was: how long the device was away, only the host
            # knows.
            on = y if self._last_ns is None else self._last_ns + max(0, y - self._last_received_ns)
            self._anchor = on - x
        return self._anchor + x

    # -- fitted --------------------------------------------------------------------------------------------

    def _begin(self) -> None:
        self._anchor = self._best = self._late_since = None
        self._points.clear()

    def _line(self, x: int) -> int:
        return self._y0 + (x - self._x0) + round(self._skew * (x - self._x0))

    def _fit(self, x: int, y: int) -> int:
        if self._best is None and not self._points:
            self._open_bucket(x, y)
            self._x0, self._y0 = x, y
            return y
        delay = y - self._line(x)
        if self._stepped(delay, y):
            self.steps += 1
            self._begin()
            return self._fit(x, y)
        if delay < 0:
            self._x0, self._y0 = x, y
        self._collect(x, y)
        return self._line(x)

    def _stepped(self, delay: int, y: int) -> bool:
        if delay < -self._early_limit():
            return True
        if delay < _LATE_NS:
            self._late_since = None
        elif self._late_since is None:
            self._late_since = y
        return self._late_since is not None and y - self._late_since > _LATE_FOR_NS

    def _early_limit(self) -> int:
        # Until the slope is known, a first burst of late frames, or a bad resonator, is not yet a step.
        return _EARLY_NS if self._span() >= _FIT_SPAN_NS else 20 * _EARLY_NS

    def _span(self) -> int:
        return self._points[-1][0] - self._points[0][0] if len(self._points) > 1 else 0

    def _open_bucket(self, x: int, y: int) -> None:
        self._bucket, self._best = x // _BUCKET_NS, (x, y)

    def _collect(self, x: int, y: int) -> None:
        assert self._best is not None
        if x // _BUCKET_NS != self._bucket:
            self._points.append(self._best)
            self._open_bucket(x, y)
            self._refit()
        elif y - x < self._best[1] - self._best[0]:
            self._best = (x, y)

    def _refit(self) -> None:
        points = list(self._points)
        if self._span() >= _FIT_SPAN_NS:
            self._skew = _lowest_slope(points)
        # The highest line of that slope that no point lies under; the newest bucket counts as it fills.
        x0, y0 = points[-1]
        low = min((y - y0) - (x - x0) - self._skew * (x - x0) for x, y in [*points, self._best or points[-1]])
        self._x0, self._y0 = x0, y0 + round(low)


def _lowest_slope(points: list[tuple[int, int]]) -> float:
    """The slope, less 1, of the lower hull's edge above the mean abscissa. Points in order of x."""
    x0, y0 = points[0]
    # Delays against the first point keep the products small; the tilt by one changes no hull.
    cloud = [(x - x0, (y - y0) - (x - x0)) for x, y in points]
    hull: list[tuple[int, int]] = []
    for x, d in cloud:
        while len(hull) > 1:
            (xa, da), (xb, db) = hull[-2], hull[-1]
            if (db - da) * (x - xa) < (d - da) * (xb - xa):
                break
            hull.pop()
        hull.append((x, d))
    mean = sum(x for x, _ in cloud) / len(cloud)
    for (xa, da), (xb, db) in pairwise(hull):
        if xa <= mean <= xb:
            return max(-_MAX_SKEW, min(_MAX_SKEW, (db - da) / (xb - xa)))
    return 0.0
