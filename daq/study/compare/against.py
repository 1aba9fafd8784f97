"""What changed in a run against a reference run: results at matched conditions, and the bench file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from daq.bench import Bench
from daq.errors import LyewatchError
from daq.store import RunRecord, Store
from daq.study.compare.comparison import Difference, Group, compare_groups
from daq.study.compare.days import days_of
from daq.study.compare.result import DifferenceResult, KnownDifference, difference_result
from daq.study.compare.run_blocks import block_seconds, read_run, recorded_seconds
from daq.study.compare.verdict import level_words, span_words, verdict
from daq.study.runs import recorded_bench

__all__ = ["AgainstRun", "against_run", "bench_changes"]

MOST_OTHERS = 8
"""So many other runs of the bench are read for their scatter from day to day."""
_TABLES = ("stack", "supply", "site", "gas", "limits", "channels")


@dataclass(frozen=True, slots=True)
class WordedDifference(KnownDifference):
    """A difference, with the level of either run and the difference in words."""

    words: Sequence[str]


@dataclass(frozen=True, slots=True)
class UnknownDifference(DifferenceResult):
    """A difference that could not be had."""

    words: None


@dataclass(frozen=True, slots=True)
class BenchChange:
    """A key of the bench file that differs: what it was and is."""

    key: str
    was: Any
    now: Any


@dataclass(frozen=True, slots=True)
class AgainstRun:
    """What changed against a reference run: the verdict, the differences, and the bench file."""

    run: str
    name: str
    build: str
    sentence: str
    differences: Sequence[WordedDifference | UnknownDifference]
    bench_changes: Sequence[BenchChange]


def against_run(store: Store, record: RunRecord, reference: RunRecord) -> AgainstRun:
    """Compare a run with a reference run.

    Parameters
    ----------
    store : Store
    record, reference : RunRecord
    """
    changes = bench_changes(*(recorded_bench(store, r) for r in (reference, record)))
    about = partial(AgainstRun, reference.id, reference.name, reference.build, bench_changes=changes)
    block_s = block_seconds(recorded_seconds(store, r) for r in (reference, record))
    groups = [
        Group(name, (read_run(store, r, block_s),))
        for name, r in (("the reference run", reference), ("this run", record))
    ]
    try:
        # Few of them: a report is read for its own run first.
        days = days_of(store, (reference, record), block_s, most=MOST_OTHERS)
        (found,) = compare_groups(groups, days=days)
    except LyewatchError as exc:
        return about(f"Not compared: {exc.message} ({exc.value}).", [])
    sentence = verdict(found).sentence.replace("this run is", "This run is", 1)
    return about(sentence, [_worded(d) for d in found.differences])


def _worded(d: Difference) -> WordedDifference | UnknownDifference:
    words = [level_words(d, 0), level_words(d, 1), span_words(d)] if d.known else None
    return difference_result(d, WordedDifference, UnknownDifference, words=words)


def bench_changes(was: Bench, now: Bench) -> list[BenchChange]:
    """Keys of the bench file that differ."""
    then, after = (dict(_flat(_tables(b), "")) for b in (was, now))
    return [
        BenchChange(key, then.get(key), after.get(key))
        for key in sorted({*then, *after})
        if then.get(key) != after.get(key)
    ]


def _tables(bench: Bench) -> Mapping[str, Any]:
    whole = bench.model_dump(mode="json")
    return {k: whole[k] for k in _TABLES if k in whole}


def _flat(value: Any, key: str) -> Iterator[tuple[str, Any]]:
    if isinstance(value, Mapping):
        for k, v in value.items():
            yield from _flat(v, f"{key}.{k}" if key else str(k))
    else:
        yield key, value
