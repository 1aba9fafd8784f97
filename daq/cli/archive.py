"""`lyewatch archive`: where the samples of each run are, and moving them."""

from __future__ import annotations

import argparse
from typing import Any

from daq.bench import load_bench
from daq.cli.common import (
    find_run,
    json_option,
    open_store,
    print_json,
    print_table,
    progress,
    store_options,
    utc_day,
)
from daq.errors import UsageError
from daq.store import RunRecord, Store
from daq.store.archive import KINDS, settle

__all__ = ["add", "run"]


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "archive",
        help="say where the samples of each run are, and move them",
        description="Without --to it lists where each run's samples are: in the journal, in segments, on the "
        "server. With --to it moves them: each batch is written, read back and compared before it "
        "counts, and a move that was interrupted goes on when it is asked for again.",
    )
    parser.add_argument("targets", metavar="RUN", nargs="*", help="only these runs (default: all)")
    parser.add_argument("--to", choices=KINDS, help="where to move them")
    parser.add_argument("--before", metavar="DATE", type=utc_day, help="only runs that began before that day")
    store_options(parser)
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """List or move."""
    if args.bench:
        settle(load_bench(args.bench))
    with open_store(args) as store:
        records = [find_run(store, target) for target in args.targets] or [
            r for r in store.logbook.list_runs(limit=1_000_000, away=None) if r.kind != "standby"
        ]
        if args.before is not None:
            records = [r for r in records if r.start_utc_ns < args.before]
        return _list(store, records, args.json) if args.to is None else _move(store, records, args)


def _list(store: Store, records: list[RunRecord], as_json: bool) -> int:
    rows: list[dict[str, Any]] = []
    for record in records:
        rows_by_backend = store.segments.rows_by_backend(record.id)
        rows.append(
            {"id": record.id, "name": record.name, "open": record.ended_ns is None, **rows_by_backend}
        )
    letters = store.archive.dead_letters()
    refused = [{"run": r.run_id, "piece": r.name, "reasons": dict(r.reasons)} for r in letters]
    if as_json:
        print_json({"runs": rows, "refused": refused})
        return 0
    headings = ("run", "name", "journal", "segments", "influxdb", "refused")
    print_table(
        headings, [[str(r["id"]), str(r["name"]), *(f"{r[k]:,}" for k in headings[2:])] for r in rows]
    )
    for one in letters:
        for reason, count in one.reasons.items():
            print(f"refused of {one.run_id}: {count:,} samples: {reason}")
    return 0


def _move(store: Store, records: list[RunRecord], args: argparse.Namespace) -> int:
    still_open = [r.id for r in records if r.ended_ns is None]
    if args.targets and still_open:
        raise UsageError("is being recorded", place=still_open[0], remedy="stop the run first, then move it")
    done: list[dict[str, Any]] = []
    moved = 0
    with progress() as bar:
        ended = [r for r in records if r.ended_ns is not None]
        counts = {r.id: len(store.segments.elsewhere(r.id, args.to)) for r in ended}
        task = bar.add_task(f"to {args.to}", total=sum(counts.values()))
        for record in ended:
            if counts[record.id]:
                bar.update(task, description=f"{record.id} to {args.to}")
                rows = store.segments.move(record.id, to=args.to, tell=lambda _: bar.advance(task))
                done.append({"id": record.id, "rows": rows})
                moved += rows
    if args.json:
        print_json({"to": args.to, "moved": done, "open": still_open})
    else:
        print(f"{len(done)} runs moved to {args.to}: {moved:,} samples, each read back and found the same")
        if still_open:
            print(f"left, being recorded: {', '.join(still_open)}")
    return 0
