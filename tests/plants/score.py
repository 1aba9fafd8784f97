"""Scoring: the whole table the forecast is held to, and the same by margin and by structure.

Reliability compares what was said each minute with whether the conditions of that instant lead to the limit;
its spread is by bootstrap over runs, since the minutes of a run are one story. The continuous ranked
probability score [1] is taken from the three points that are said of a distribution, as twice the mean
pinball loss.

References
----------
.. [1] T. Gneiting, A. E. Raftery, J. Am. Stat. Assoc. 102 (2007) 359, DOI 10.1198/016214506000001437.
.. [2] G. W. Brier, Mon. Weather Rev. 78 (1950) 1: the score of a chance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.plants.physics import FloatArray
from tests.plants.simulate import Course
from tests.plants.watched import Heard

__all__ = ["MINUTES_LEFT", "Mark", "mark", "table"]

MINUTES_LEFT = (5, 10, 20, 30)
_SLACK_S = 90.0
_POINTS = np.array([0.05, 0.5, 0.95])


@dataclass(slots=True)
class Mark:
    """One run's marks."""

    course: Course
    crossed: bool
    benign: bool
    false: int
    safe_h: float
    detected: bool = False
    lead_s: float = 0.0
    interval_s: float = 0.0
    cause_right: bool | None = None
    time_errors: dict[int, float] = field(default_factory=dict)
    settling: dict[int, float] = field(default_factory=dict)
    probability: FloatArray = field(default_factory=lambda: np.empty((0, 2)))
    """Chance said and whether it was so (0 or 1), by minute."""
    time_held: list[int] = field(default_factory=list)
    """-1: later than the band, 0: within, 1: sooner."""
    settles_held: list[int] = field(default_factory=list)
    """-1: below the band, 0: within, 1: above."""
    crps_k: list[float] = field(default_factory=list)
    ticks: int = 0
    spent_s: float = 0.0


def _near(c: Course, at: float) -> bool:
    gap = float(c.check_s[1] - c.check_s[0]) if len(c.check_s) > 1 else 0.0
    return bool(c.leads_to_limit[np.abs(c.check_s - at) <= gap + _SLACK_S].any())


def _came_true(c: Course, at: float) -> bool:
    """Whether it crossed after all with nothing new in between."""
    return c.crossed_s is not None and not at < c.bench.event_s < c.crossed_s


def mark(c: Course, h: Heard) -> Mark:
    """Mark one run."""
    gap = float(c.check_s[1] - c.check_s[0]) if len(c.check_s) > 1 else 0.0
    m = Mark(
        c, c.crossed_s is not None, c.benign,
        sum(not (_near(c, a) or _came_true(c, a)) for a, _ in h.warnings),
        float((~c.leads_to_limit).sum() * gap / 3600.0), ticks=h.ticks, spent_s=h.spent_s,
    )  # fmt: skip
    begin = c.inevitable_s
    at = np.array(h.at_s)
    if c.crossed_s is not None and begin is not None:
        m.interval_s = c.crossed_s - begin
        standing = [
            (max(a, begin), i) for i, (a, b) in enumerate(h.warnings) if a < c.crossed_s and b > begin
        ]
        if standing:
            m.detected = True
            m.lead_s = c.crossed_s - standing[0][0]
            named = h.causes[standing[0][1]] if h.causes else ""
            if named:
                m.cause_right = named == c.bench.cause
        for left in MINUTES_LEFT:
            when = c.crossed_s - 60.0 * left
            k = int(np.searchsorted(at, when, side="right")) - 1
            if when >= begin + 0.1 * m.interval_s and k >= 0:
                true = c.crossed_s - at[k]
                m.time_errors[left] = float(min(abs(h.left_s[k][0] - true) / true, 1.0))
    if c.benign:
        _settling(c, h, at, m)
    if len(h.chance):
        chance = np.array(h.chance)
        check = np.clip(np.searchsorted(c.check_s, at, side="right") - 1, 0, len(c.check_s) - 1)
        known = np.isfinite(chance)
        m.probability = np.stack([chance[known], c.leads_to_limit[check][known]], 1)
    _bands(c, h, at, m)
    return m


def _settling(c: Course, h: Heard, at: FloatArray, m: Mark) -> None:
    start, end = float(c.true_c[0]), float(np.median(c.settles_c))
    if end - start < 5.0:
        return
    for share in (30, 50):
        over = np.nonzero(c.true_c >= start + share / 100.0 * (end - start))[0]
        if not len(over):
            continue
        t = float(c.t_s[over[0]])
        k = int(np.searchsorted(at, t, side="right")) - 1
        if k >= 0:
            predicted = h.settles_c[k][0]
            true = float(np.interp(t, c.check_s, c.settles_c))
            m.settling[share] = float(min(abs(predicted - true), 40.0)) if np.isfinite(predicted) else 40.0


def _bands(c: Course, h: Heard, at: FloatArray, m: Mark) -> None:
    for t, leads, settles, crosses in zip(
        c.check_s, c.leads_to_limit, c.settles_c, c.crosses_in_s, strict=True
    ):
        k = int(np.searchsorted(at, t + 30.0, side="right")) - 1
        if k < 0 or not np.isfinite(h.chance[k]):
            continue
        _, low, high = h.left_s[k] if leads else h.settles_c[k]
        true = crosses if leads else settles
        held = -1 if true > high else 1 if true < low else 0
        if leads:
            m.time_held.append(held)
        else:
            m.settles_held.append(-held)
            points = np.minimum(np.array(h.settles_c[k])[[1, 0, 2]], 105.0)
            off = true - points
            m.crps_k.append(float(2.0 * np.mean(np.maximum(_POINTS * off, (_POINTS - 1.0) * off))))


def _share(values: Sequence[float | bool] | NDArray[Any]) -> float:
    return float(np.mean(values)) if len(values) else float("nan")


def reliability(marks: Sequence[Mark], edges: FloatArray) -> list[tuple[float, float, float, int, int]]:
    """By bin of the chance said: mean said, observed, its standard error over runs, minutes, runs."""
    rng = np.random.default_rng(1)
    out = []
    for low, high in pairwise(edges.tolist()):
        per_run = []
        for m in marks:
            inside = m.probability[(m.probability[:, 0] >= low) & (m.probability[:, 0] < high)]
            if len(inside):
                per_run.append((inside[:, 0].sum(), inside[:, 1].sum(), len(inside)))
        if not per_run:
            continue
        a = np.array(per_run)
        picks = rng.integers(0, len(a), (200, len(a)))
        shares = a[picks, 1].sum(1) / a[picks, 2].sum(1)
        out.append((a[:, 0].sum() / a[:, 2].sum(), a[:, 1].sum() / a[:, 2].sum(), float(shares.std()),
                    int(a[:, 2].sum()), len(a)))  # fmt: skip
    return out


EDGES = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.001])


def table(name: str, marks: Sequence[Mark], *, short: bool = False) -> str:
    """The table, or one line of it, of the runs that cross or are benign."""
    marks = [m for m in marks if not m.course.undecided]
    away, calm = [m for m in marks if m.crossed], [m for m in marks if m.benign]
    safe = sum(m.safe_h for m in marks)
    false = sum(m.false for m in marks)
    used = [m.lead_s / m.interval_s if m.interval_s else 1.0 for m in away]
    lead_min = np.median([m.lead_s for m in away]) / 60.0 if away else np.nan
    none = _share([m.false == 0 for m in calm])
    line = (
        f"{name:<22} runs {len(marks)} away {len(away)} benign {len(calm)} safe {safe:.0f} h | "
        f"false {100.0 * false / max(safe, 1e-9):.2f}/100h none {100 * none:.1f} % | "
        f"used {np.median(used) if used else np.nan:.2f} lead {lead_min:.0f} min "
        f"det {100 * _share([m.detected for m in away]):.1f} % "
        f"lead10 {100 * _share([m.lead_s >= min(600.0, 0.9 * m.interval_s) for m in away]):.1f} %"
    )
    if short:
        return line
    errors = " / ".join(
        f"{100 * _share([m.time_errors[k] for m in away if k in m.time_errors]):.0f}" for k in MINUTES_LEFT
    )
    settling = " / ".join(f"{_share([m.settling[k] for m in calm if k in m.settling]):.1f}" for k in (30, 50))
    pairs = np.concatenate([m.probability for m in marks])
    held = np.array([x for m in marks for x in m.time_held])
    stays = np.array([x for m in marks for x in m.settles_held])
    crps = [x for m in marks for x in m.crps_k]
    named = [m.cause_right for m in away if m.cause_right is not None]
    brier = _share((pairs[:, 0] - pairs[:, 1]) ** 2)
    right = f"cause {100 * _share(named):.0f} % of {len(named)}"
    time = (
        f"{100 * _share(held == 0):.0f} % (later {100 * _share(held < 0):.0f}, "
        f"sooner {100 * _share(held > 0):.0f})"
    )
    ends = (
        f"{100 * _share(stays == 0):.0f} % (lower {100 * _share(stays < 0):.0f}, "
        f"higher {100 * _share(stays > 0):.0f})"
    )
    bins = " ".join(f"{s:.2f}:{o:.2f}±{sd:.2f}({runs})" for s, o, sd, _, runs in reliability(marks, EDGES))
    cost = 1e3 * sum(m.spent_s for m in marks) / max(sum(m.ticks for m in marks), 1)
    lines = [
        line,
        f"  time error 5/10/20/30 {errors} %   settling error 30/50 {settling} K",
        f"  Brier {brier:.3f}   CRPS of settling {_share(crps):.2f} K   {right}",
        f"  bands that hold: time {time}   settling {ends}",
        f"  reliability {bins}",
        f"  cost {cost:.3f} ms a tick",
    ]
    return "\n".join(lines)


def by_margin(marks: Sequence[Mark]) -> str:
    """Runs that never lead to the limit, by how near it they settle."""
    rows = []
    for low, high in ((0.0, 1.0), (1.0, 2.0), (2.0, 3.0), (3.0, 4.5), (4.5, 6.0), (6.0, 99.0)):
        some = [m for m in marks if not m.crossed and low <= m.course.margin_k < high]
        if some:
            safe = sum(m.safe_h for m in some)
            rows.append(f"  {low:g} to {high:g} K: {len(some)} runs, {safe:.0f} h, false "
                        f"{100.0 * sum(m.false for m in some) / safe:.1f}/100h, none "
                        f"{100.0 * _share([m.false == 0 for m in some]):.0f} %")  # fmt: skip
    return "\n".join(rows)


def by_structure(marks: Sequence[Mark]) -> str:
    """One line for each choice of structure."""
    rows = []
    for name in marks[0].course.bench.structure:
        for kind in sorted({m.course.bench.structure[name] for m in marks}):
            some = [m for m in marks if m.course.bench.structure[name] == kind]
            rows.append(table(f"{name}={kind}", some, short=True))
    return "\n".join(rows)
