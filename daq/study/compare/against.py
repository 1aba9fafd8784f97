"""What changed in a run against a reference run: results at matched conditions, and the bench file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from daq.bench import Bench
from daq.errors import LyewatchError
from daq.store import RunRecord, Store
from daq.study.compare.comparison import Group, compare_groups
from daq.study.compare.days import days_of
from daq.study.compare.form import as_dict, level_words
from daq.study.compare.run_blocks import block_seconds, read_run, recorded_seconds
from daq.study.compare.verdict import span_words, verdict
from daq.study.runs import recorded_bench

__all__ = ["against_run", "bench_changes"]

MOST_OTHERS = 8
"""So many other runs of the bench are read for their scatter from day to day."""
_TABLES = ("stack", "supply", "site", "gas", "limits", "channels")


def against_run(store: Store, record: RunRecord, reference: RunRecord) -> dict[str, Any]:
    """Compare a run with a reference run.

    Returns
    -------
    dict
        `run` and `name` of the reference, the verdict's `sentence`, the `differences` as `lyewatch compare`
        gives them with `words` for each, and `bench_changes`: keys of the bench file that differ.
    """
    benches = [recorded_bench(store, r) for r in (reference, record)]
    out: dict[str, Any] = {
        "run": reference.id,
        "name": reference.name,
        "build": reference.build,
        "sentence": "",
        "differences": [],
        "bench_changes": bench_changes(*benches),
    }
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
        out["sentence"] = f"Not compared: {exc.message} ({exc.value})."
        return out
    body = as_dict([found])["comparisons"][0]
    words = {
        d.metric.key: [level_words(d, 0), level_words(d, 1), span_words(d)]
        for d in found.differences
        if d.known
    }
    out["sentence"] = verdict(found).sentence.replace("this run is", "This run is", 1)
    out["differences"] = [{**d, "words": words.get(d["metric"])} for d in body["differences"]]
    return out


def bench_changes(was: Bench, now: Bench) -> list[dict[str, Any]]:
    """Keys of the bench file that differ: what they were and are."""
    then, after = (dict(_flat(_tables(b), "")) for b in (was, now))
    return [
        {"key": key, "was": then.get(key), "now": after.get(key)}
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
