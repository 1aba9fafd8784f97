"""Trends as SVG, drawn here: no script, vectors on paper, and a title and description for those who can not
see.

A channel is drawn as the band between the lowest and the highest sample of each stretch, so that no spike of
one sample is lost. A gap stays a gap.

Why not by matplotlib, which draws the other pictures: seven panels of a run of 71,600 samples take 21 ms and
183 kB here, and 361 ms and 283 kB there, after 0.5 s for its import (CPU time, measured 2026-12-01); and the
page's style sheet reaches what is drawn here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from daq.measure import FloatArray, IntArray
from daq.store import envelope_of

__all__ = ["Event", "Line", "Mark", "Panel", "Span", "draw", "draw_shares", "nice_ticks", "time_ticks"]

WIDTH, LEFT, RIGHT = 1000.0, 62.0, 12.0
TOP, BOTTOM = 20.0, 6.0
AXIS = 24.0
POINTS = 700
LANE, PHASES = 26.0, 18.0
NEAR, FLOOD = 14.0, 4
"""Alarms nearer than so many units to one another, and so many of them, are drawn as one bar."""
_GRAVITY = ("critical", "high", "medium", "low")


@dataclass(frozen=True, slots=True)
class Line:
    """A series to draw: times [ns] and values; `style` is a class of the page's style sheet.

    `u95` draws a band of the uncertainty; `samples` says that these are raw samples, of which the extremes of
    each stretch are kept.
    """

    label: str
    t_ns: IntArray
    values: FloatArray
    style: str = "one"
    u95: FloatArray | None = None
    samples: bool = False


@dataclass(frozen=True, slots=True)
class Mark:
    """A horizontal line at a value, with its words: a limit."""

    label: str
    at: float
    style: str = "limit"


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time that is shaded behind the lines: from and to [s], with a class of the style sheet."""

    from_s: float
    to_s: float
    style: str
    label: str = ""


@dataclass(frozen=True, slots=True)
class Event:
    """An instant on the axis: an alarm that was raised, of its priority, or a "note"."""

    t_s: float
    kind: str


@dataclass(frozen=True, slots=True)
class Panel:
    """One chart: what it shows, in which unit, its lines and limits."""

    title: str
    unit: str
    lines: Sequence[Line]
    marks: Sequence[Mark] = ()
    height: float = 120.0
    from_zero: bool = False


def nice_ticks(low: float, high: float, most: int = 4) -> list[float]:
    """Round values within ``low <= tick <= high``, 1, 2 or 5 times a power of ten apart.

    Parameters
    ----------
    low, high : float
        Ends of the axis; one tick where the one is not below the other.
    most : int
        About how many ticks at most.
    """
    if not high > low:
        return [low]
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= rough * (1.0 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    count = math.floor(high / step + 1e-9) - first
    return [(first + i) * step for i in range(count + 1)]


def time_ticks(from_s: float, to_s: float, most: int = 9) -> list[tuple[float, str]]:
    """Round instants of a run with their words: ``12 s``, ``5 min``, ``1:30 h``.

    Parameters
    ----------
    from_s, to_s : float
        Ends of the axis [s of the run].
    most : int
        How many steps at most.
    """
    steps = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)
    step = next(
        (s for s in steps if (to_s - from_s) / s <= most), 86400 * math.ceil((to_s - from_s) / 86400 / most)
    )
    out = []
    for i in range(math.ceil(from_s / step), math.floor(to_s / step) + 1):
        t = i * step
        if step >= 1800:
            out.append((float(t), f"{t // 3600}:{t % 3600 // 60:02d} h"))
        elif step >= 60:
            out.append((float(t), f"{t // 60} min"))
        else:
            out.append((float(t), f"{t} s"))
    return out


def draw(
    panels: Sequence[Panel],
    from_s: float,
    to_s: float,
    spans: Sequence[Span] = (),
    events: Sequence[Event] = (),
) -> str:
    """All panels above one another over one axis of time, as one SVG element.

    Parameters
    ----------
    panels : sequence of Panel
        Those without a single finite value are left out.
    from_s, to_s : float
        Ends of the axis of time [s].
    spans : sequence of Span
        Shaded behind every panel; their labels stand in a line above.
    events : sequence of Event
        Alarms and marks, in a lane above the panels; a flood of alarms is one bar.
    """
    panels = [p for p in panels if any(np.isfinite(line.values).any() for line in p.lines)]
    if not panels or not to_s > from_s:
        return ""
    named = any(span.label for span in spans)
    lane = (LANE if events else 0.0) + (PHASES if named else 0.0)
    height = sum(p.height + TOP + BOTTOM for p in panels) + AXIS + lane
    words = "; ".join([*(_described(p) for p in panels), *_counted(events)])
    out = [
        f'<svg class="trends" viewBox="0 0 {WIDTH:g} {height:g}" role="img" aria-labelledby="trends-d">',
        '<title id="trends-t">Trends of the run</title>',
        f'<desc id="trends-d">{escape(words)}</desc>',
    ]
    if events:
        out.append(_lane(events, from_s, to_s))
    y = lane
    if named:
        out.append(_labels(spans, lane - 5.0, from_s, to_s))
    for panel in panels:
        out.append(_panel(panel, y, from_s, to_s, spans))
        y += panel.height + TOP + BOTTOM
    for t, text in time_ticks(from_s, to_s):
        x = _x(t, from_s, to_s)
        anchor = "start" if x < LEFT + 20 else "end" if x > WIDTH - RIGHT - 20 else "middle"
        out.append(f'<text class="tick" x="{x:.1f}" y="{y + 15:.1f}" text-anchor="{anchor}">{text}</text>')
    out.append("</svg>")
    return "\n".join(out)


def draw_shares(label: str, shares: Mapping[str, float]) -> str:
    """Shares of a whole side by side as one bar, each under its class of the style sheet.

    Parameters
    ----------
    label : str
        What the bar shows.
    shares : mapping of str to float
        Class to share [1]; a negative share has no width.
    """
    x, parts = 0.0, []
    for style, share in shares.items():
        width = WIDTH * max(0.0, share)
        parts.append(f'<rect class="{style}" x="{x:.1f}" y="0" width="{width:.1f}" height="26"/>')
        x += width
    return (
        f'<svg role="img" aria-label="{escape(label)}" viewBox="0 0 1000 26" preserveAspectRatio="none">'
        f"{''.join(parts)}</svg>"
    )


def _counted(events: Sequence[Event]) -> list[str]:
    alarms = sum(e.kind != "note" for e in events)
    return [f"{alarms} alarms raised, {len(events) - alarms} marks"] if events else []


def _lane(events: Sequence[Event], from_s: float, to_s: float) -> str:
    """Alarms and marks: hundreds of lines through the trends would say nothing but that they were many."""
    out = [
        '<text class="name" x="0" y="13">Alarms, marks</text>',
        f'<line class="grid" x1="{LEFT:g}" x2="{WIDTH - RIGHT:g}" y1="20" y2="20"/>',
    ]
    at = sorted((_x(e.t_s, from_s, to_s), e.kind) for e in events if from_s <= e.t_s <= to_s)
    chains: list[list[tuple[float, str]]] = []
    for x, kind in at:
        if kind == "note":
            out.append(f'<path class="note" d="M{x:.1f} 20V6h7l-2.5 3l2.5 3h-7"/>')
        elif chains and x - chains[-1][-1][0] < NEAR:
            chains[-1].append((x, kind))
        else:
            chains.append([(x, kind)])
    for chain in chains:
        # Few that stand close are drawn each for itself.
        for part in [chain] if len(chain) >= FLOOD else [[one] for one in chain]:
            worst = min((kind for _, kind in part), key=_GRAVITY.index)
            x0, x1 = part[0][0], max(part[-1][0], part[0][0] + 3.0)
            out.append(f'<rect class="alarm {worst}" x="{x0:.1f}" y="14" width="{x1 - x0:.1f}" height="6"/>')
            if len(part) > 1:
                where = f'x="{(x0 + x1) / 2:.1f}" y="11" text-anchor="middle"'
                out.append(f'<text class="label" {where}>{len(part)} alarms</text>')
    return "\n".join(out)


def _labels(spans: Sequence[Span], y: float, from_s: float, to_s: float) -> str:
    out = [f'<text class="name" x="0" y="{y:.1f}">Phases</text>']
    for span in spans:
        x0, x1 = (min(max(_x(s, from_s, to_s), LEFT), WIDTH - RIGHT) for s in (span.from_s, span.to_s))
        if span.label and x1 - x0 > 7.0 * len(span.label) + 8.0:
            out.append(f'<text class="label" x="{x0 + 4:.1f}" y="{y:.1f}">{escape(span.label)}</text>')
            out.append(
                f'<line class="edge" x1="{x0:.1f}" x2="{x0:.1f}" y1="{y - 10.0:.1f}" y2="{y + 4.0:.1f}"/>'
            )
    return "\n".join(out)


def _described(panel: Panel) -> str:
    parts = []
    for line in panel.lines:
        finite = line.values[np.isfinite(line.values)]
        if finite.size:
            parts.append(f"{line.label} from {finite.min():.4g} to {finite.max():.4g} {panel.unit}".rstrip())
    return f"{panel.title}: {', '.join(parts)}"


def _x(t_s: float, from_s: float, to_s: float) -> float:
    return LEFT + (WIDTH - LEFT - RIGHT) * (t_s - from_s) / (to_s - from_s)


def _panel(panel: Panel, y: float, from_s: float, to_s: float, spans: Sequence[Span]) -> str:
    low, high = _range(panel)
    top, height = y + TOP, panel.height
    right = WIDTH - RIGHT

    def at(value: float) -> float:
        return top + height * (high - value) / (high - low)

    out = []
    for span in spans:
        x0, x1 = (min(max(_x(s, from_s, to_s), LEFT), right) for s in (span.from_s, span.to_s))
        if x1 > x0:
            out.append(
                f'<rect class="{span.style}" x="{x0:.1f}" y="{top:.1f}" '
                f'width="{x1 - x0:.1f}" height="{height:.1f}"/>'
            )
    for tick in nice_ticks(low, high, max(2, round(height / 32))):
        here = at(tick)
        out.append(f'<line class="grid" x1="{LEFT:g}" x2="{right:g}" y1="{here:.1f}" y2="{here:.1f}"/>')
        out.append(
            f'<text class="tick" x="{LEFT - 6:g}" y="{here + 4:.1f}" text-anchor="end">{tick:.6g}</text>'
        )
    for t, _ in time_ticks(from_s, to_s):
        x = _x(t, from_s, to_s)
        out.append(f'<line class="grid" x1="{x:.1f}" x2="{x:.1f}" y1="{top:.1f}" y2="{top + height:.1f}"/>')
    for mark in panel.marks:
        if low <= mark.at <= high:
            here = at(mark.at)
            out.append(
                f'<line class="{mark.style}" x1="{LEFT:g}" x2="{right:g}" y1="{here:.1f}" y2="{here:.1f}"/>'
            )
            out.append(
                f'<text class="label {mark.style}-text" x="{right - 4:g}" y="{here - 4:.1f}" '
                f'text-anchor="end">{escape(mark.label)}</text>'
            )
    for line in panel.lines:
        out += _line(line, low, high, top, height, from_s, to_s)
    out.append(_heading(panel, y))
    return "\n".join(out)


def _heading(panel: Panel, y: float) -> str:
    unit = f" [{panel.unit}]" if panel.unit else ""
    out = [f'<text class="name" x="0" y="{y + 13:.1f}">{escape(panel.title)}{escape(unit)}</text>']
    shown = [line for line in panel.lines if np.isfinite(line.values).any()]
    x = WIDTH - RIGHT
    for line in reversed(shown if len(shown) > 1 else []):
        x -= 7.0 * len(line.label)
        out.append(f'<text class="label" x="{x:.1f}" y="{y + 13:.1f}">{escape(line.label)}</text>')
        out.append(
            f'<line class="line {line.style}" x1="{x - 30:.1f}" x2="{x - 6:.1f}" '
            f'y1="{y + 9:.1f}" y2="{y + 9:.1f}"/>'
        )
        x -= 44.0
    return "\n".join(out)


def _range(panel: Panel) -> tuple[float, float]:
    values = [line.values[np.isfinite(line.values)] for line in panel.lines]
    low = min(float(v.min()) for v in values if v.size)
    high = max(float(v.max()) for v in values if v.size)
    if panel.from_zero:
        low = min(low, 0.0)
    near = [
        m.at for m in panel.marks if low - 0.7 * (high - low) - 5.0 <= m.at <= high + 0.7 * (high - low) + 5.0
    ]
    low, high = min([low, *near]), max([high, *near])
    margin = 0.06 * (high - low) or 0.05 * abs(high) or 1.0
    # Room above a limit for its words.
    above = 0.14 * (high - low) if near else margin
    return (low if panel.from_zero and low == 0.0 else low - margin), high + max(above, margin)


def _line(
    line: Line, low: float, high: float, top: float, height: float, from_s: float, to_s: float
) -> list[str]:
    start, stop = round(from_s * 1e9), round(to_s * 1e9)
    env = envelope_of(line.t_ns, line.values, POINTS, start, stop)
    t, lo, hi, mid = env.t_ns / 1e9, env.lo, env.hi, env.mean
    if t.size == 0:
        return []
    x = LEFT + (WIDTH - LEFT - RIGHT) * (t - from_s) / (to_s - from_s)
    scale = height / (high - low)
    out = []
    pieces = _pieces(t, mid)
    if line.u95 is not None:
        u = np.interp(t, line.t_ns / 1e9, np.nan_to_num(line.u95))
        below, above = (top + (high - np.clip(mid + sign * u, low, high)) * scale for sign in (-1.0, 1.0))
        out += [_area(x[p], below[p], above[p], "band") for p in pieces]
    if line.samples:
        out += [
            _area(x[p], top + (high - lo[p]) * scale, top + (high - hi[p]) * scale, f"spread {line.style}")
            for p in pieces
        ]
    y = top + (high - np.clip(mid, low, high)) * scale
    path = " ".join(
        "M" + " L".join(f"{a:.1f} {b:.1f}" for a, b in zip(x[p].tolist(), y[p].tolist(), strict=True))
        for p in pieces
    )
    # A lone sample between gaps would be invisible as a line of no length.
    path += "".join(" h0.8" for p in pieces[-1:] if p.stop - p.start == 1)
    out.append(f'<path class="line {line.style}" d="{path}"/>')
    return out


def _pieces(t: FloatArray, values: FloatArray) -> list[slice]:
    """Stretches of finite values without a gap of more than a few points."""
    known = np.isfinite(values)
    usual = float(np.median(np.diff(t))) if t.size > 1 else 0.0
    breaks = np.ones(t.size, dtype=bool)
    breaks[1:] = ~known[1:] | ~known[:-1] | (np.diff(t) > 4.0 * usual)
    starts = np.flatnonzero(breaks & known)
    out = []
    for start in starts.tolist():
        stop = start + 1
        later = np.flatnonzero(breaks[stop:])
        stop = t.size if later.size == 0 else stop + int(later[0])
        out.append(slice(start, stop))
    return out


def _area(x: FloatArray, below: FloatArray, above: FloatArray, style: str) -> str:
    up = " L".join(f"{a:.1f} {b:.1f}" for a, b in zip(x.tolist(), above.tolist(), strict=True))
    down = " L".join(f"{a:.1f} {b:.1f}" for a, b in zip(x[::-1].tolist(), below[::-1].tolist(), strict=True))
    return f'<path class="{style}" d="M{up} L{down} Z"/>'
