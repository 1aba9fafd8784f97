"""`lyewatch runs`: the runs of a store."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

from daq.bench import load_bench
from daq.cli.common import (
    json_option,
    open_store,
    print_json,
    print_table,
    store_options,
)
from daq.quantity import duration_words, shown_time
from daq.store import FillRecord

__all__ = ["add", "run"]

MOST_FILLS = 100_000


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("runs", help="list the recorded runs")
    store_options(parser)
    parser.add_argument(
        "--rebuild",
        action="store_true",
        help="first make the runs again that the logbook has lost, of what their segments say",
    )
    parser.add_argument("--limit", type=int, default=50, metavar="N", help="the newest N (default 50)")
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """List them, newest first."""
    with open_store(args) as store:
        bench = load_bench(args.bench) if args.bench else None
        rebuilt = store.rebuild_runs(bench) if args.rebuild else []
        rows: list[dict[str, Any]] = []
        filled = store.logbook.fills.find(limit=MOST_FILLS)
        for record in store.logbook.list_runs(limit=args.limit):
            if record.kind == "standby":
                continue
            last_ns = record.ended_ns if record.ended_ns is not None else store.last_t_ns(record.id)
            rows.append(
                {
                    "id": record.id,
                    "name": record.name,
                    "build": record.build,
                    "bench": record.bench,
                    "kind": record.kind,
                    "start_utc": datetime.fromtimestamp(record.start_utc_ns / 1e9, UTC).isoformat(),
                    "duration_s": (last_ns or 0) / 1e9,
                    "state": "open" if record.ended_ns is None else "ended",
                    "alarms": len({t.alarm for t in store.logbook.alarms.transitions(record.id)}),
                    "mmw_by_fills": _by_fills([f for f in filled if f.run_id == record.id]),
                    "_start": shown_time(record.start_utc_ns),
                }
            )
    shown = [str(row.pop("_start")) for row in rows]
    if args.rebuild and not args.json:
        print(
            f"{len(rebuilt)} runs made again" + (": " if rebuilt else "") + ", ".join(r.id for r in rebuilt)
        )
    if args.json:
        print_json(rows)
    elif not rows:
        print("No runs yet.")
    else:
        print_table(
            ("run", "name", "build", "start", "duration", "state", "alarms", "MMW by fills, dry"),
            [
                (
                    str(r["id"]),
                    str(r["name"]),
                    str(r["build"]),
                    start,
                    duration_words(float(str(r["duration_s"]))),
                    str(r["state"]),
                    str(r["alarms"]),
                    _mmw(r["mmw_by_fills"]),
                )
                for r, start in zip(rows, shown, strict=True)
            ],
        )
    return 0


def _by_fills(records: list[FillRecord]) -> dict[str, Any] | None:
    if not records:
        return None
    from daq.study.fill import mmw_by_fills  # most stores hold no fills, and it takes a while to import

    return None if (found := mmw_by_fills(records)) is None else asdict(found)


def _mmw(mmw: dict[str, Any] | None) -> str:
    from daq.quantity import shown

    return "–" if mmw is None else f"{shown(mmw['value'], mmw['u95'], '').text} ({mmw['fills']})"
