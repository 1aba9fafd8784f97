"""Looks: every comparison of two builds that was asked for, with what data, as the logbook keeps them."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace

from daq.errors import StoreError
from daq.store import LookRecord, Store
from daq.study.compare.comparison import Comparison
from daq.study.compare.records import Group
from daq.study.compare.verdict import verdict
from daq.study.render import date_words

__all__ = ["left_out", "looks_words", "with_looks"]


def with_looks(store: Store, comparisons: Sequence[Comparison]) -> list[Comparison]:
    """The comparisons with every look that was taken at their builds, this one last and now in the logbook.

    A look at data that were looked at before is that look. Where gas per watt was not compared there was
    nothing to see. A logbook that can not be written to is no reason not to answer: the look is then told,
    not kept."""
    out = []
    for c in comparisons:
        if not c.headline.known:
            out.append(c)
            continue
        look = _look(c)
        try:
            look = store.logbook.looks.add(look)
            before = store.logbook.looks.of(look.bench, look.first, look.second, look.metric)
        except StoreError:
            before = []
        others = tuple(k for k in before if k.id < look.id or (k.id > look.id and k.runs != look.runs))
        out.append(replace(c, looks=(*others, look)))
    return out


def left_out(comparison: Comparison) -> list[str]:
    """Ids of runs that an earlier look at these builds counted and this one does not."""
    if not comparison.looks:
        return []
    now = {i for i, _ in comparison.looks[-1].runs}
    before = {i for look in comparison.looks[:-1] for i, _ in look.runs}
    return sorted(before - now)


def looks_words(comparison: Comparison) -> list[str]:
    """What is to be said of the looks so far."""
    looks = comparison.looks
    if not looks:
        return []
    out = [
        (
            f"Look {len(looks)} at these builds: the interval that the verdict goes by holds at all looks "
            "together, however many are taken as runs are added."
        )
    ]
    decisive = next((k for k in looks[:-1] if k.kind in ("better", "worse")), None)
    if decisive is not None:
        out.append(
            f"The look of {date_words(decisive.t_utc_ns)} at {len(decisive.runs)} runs had found "
            f"{decisive.second} {decisive.kind} than {decisive.first} already."
        )
    gone = left_out(comparison)
    if gone:
        out.append(
            f"An earlier look counted runs that this one leaves out ({', '.join(gone[:6])}"
            f"{', ...' if len(gone) > 6 else ''}): no interval allows for choosing among runs."
        )
    return out


# -- parts -------------------------------------------------------------------------------------------------


def _look(c: Comparison) -> LookRecord:
    d = c.headline
    groups = c.first, c.second
    one_build = {r.build for r in c.first.runs} & {r.build for r in c.second.runs}
    names = [_run_name(g) if one_build else g.name for g in groups]
    return LookRecord(
        bench=", ".join(sorted({r.bench for g in groups for r in g.runs})),
        first=names[0],
        second=names[1],
        metric=d.metric.key,
        runs=tuple(sorted((r.run_id, len(r)) for g in groups for r in g.runs)),
        t_utc_ns=time.time_ns(),
        kind=verdict(c).kind,
        low=d.any_low,
        high=d.any_high,
    )


def _run_name(group: Group) -> str:
    return ", ".join(r.run_id for r in group.runs)
