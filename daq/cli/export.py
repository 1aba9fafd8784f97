"""`lyewatch export RUN FILE.csv|.parquet`: a run as a table."""

from __future__ import annotations

import argparse
from pathlib import Path

from daq.cli.common import find_run, json_option, open_store, print_json, progress, store_options
from daq.errors import UsageError
from daq.store import LostSpan

__all__ = ["add", "run"]


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "export",
        help="write a run to a CSV or Parquet file",
        description="One row an instant: elapsed_s, time (UTC), the channels, and a status column "
        "for each channel that was ever bad or uncertain. With --numbers the computed numbers of each window "
        "instead, each with its U (k = 2), the reference condition and what they rest on.",
    )
    parser.add_argument(
        "target", metavar="RUN", help="the run's id, the beginning of it, its name, or `latest`"
    )
    parser.add_argument("file", metavar="FILE", type=Path, help="ends in .csv or .parquet")
    parser.add_argument("--numbers", action="store_true", help="the computed numbers, a row a window")
    parser.add_argument(
        "--window", type=float, default=30.0, metavar="S", help="width of a window (default 30 s)"
    )
    store_options(parser)
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Export it."""
    from daq.study.runs import loss_notes, recorded_bench
    from daq.study.tables import export_numbers, export_samples

    if args.file.suffix not in (".csv", ".parquet"):
        raise UsageError(
            "is no format to write",
            place=str(args.file),
            value=args.file.suffix,
            remedy="end the name in .csv or .parquet",
        )
    with open_store(args) as store, progress() as bar:
        record = find_run(store, args.target)
        bar.add_task(f"exporting {record.id}", total=None)
        lost: list[LostSpan] = []
        blocks = store.read(record.id, lost=lost)
        notes = loss_notes(store.logbook.list_gaps(record.id), lost, store.missing_samples(record.id))
        if args.numbers:
            rows = export_numbers(
                recorded_bench(store, record),
                blocks,
                record.start_utc_ns,
                args.file,
                window_s=args.window,
                marks=store.logbook.list_marks(record.id),
            )
        else:
            rows = export_samples(blocks, record.start_utc_ns, args.file)
    if args.json:
        print_json({"run": record.id, "file": str(args.file), "rows": rows, "notes": notes})
    else:
        print(f"{args.file}: {rows} rows of run {record.id}")
        for words in notes:
            print(f"  note: {words}")
    return 0
