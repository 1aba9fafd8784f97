"""`lyewatch import LOG.csv --bench BENCH`: a run from any table of channels against time."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from daq.bench import load_bench
from daq.cli.common import json_option, print_json, progress

__all__ = ["add", "run"]


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "import",
        help="make a run of a CSV log",
        description="The header names the bench file's channels, in lyewatch's units or as "
        "`lye_temp [degF]`, and the time: `elapsed_s` (seconds) or `time` (ISO 8601 or 28.03.2026 14:05:09; "
        "without a zone it is taken as UTC). Commas, semicolons or tabs part the columns, points or commas "
        "the decimals: the file tells which. A cell that is no number is a bad value, a row without a time "
        "is left out, and a note says so. The log goes through the same watch as live data, in log time.",
    )
    parser.add_argument("log", metavar="LOG.csv", type=Path, help="the table")
    parser.add_argument(
        "--bench", metavar="FILE", type=Path, required=True, help="the bench file it belongs to"
    )
    parser.add_argument("--name", default="", help="the run's name (default: the file's)")
    parser.add_argument("--build", default="", help="the build's tag (default: the bench file's)")
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Import it."""
    from daq.quantity import duration_words
    from daq.store import Store
    from daq.study.tables import import_log

    bench = load_bench(args.bench)
    with Store.of(bench) as store, progress() as bar:
        task = bar.add_task(f"importing {args.log.name}", total=None)

        def show_progress(done: float, what: str) -> None:
            bar.update(task, completed=done, total=1.0, description=what)

        done = import_log(store, bench, args.log, name=args.name, build=args.build, progress=show_progress)
    for note in done.notes:
        print(f"lyewatch: {note}", file=sys.stderr)
    result = {
        "run": done.run_id,
        "rows": done.rows,
        "duration_s": done.duration_s,
        "alarms": done.alarms,
        "channels": list(done.channels),
        "notes": list(done.notes),
    }
    if args.json:
        print_json(result)
    else:
        print(
            f"run {done.run_id}: {done.rows} rows over {duration_words(done.duration_s)}, "
            f"{done.alarms} alarms"
        )
        print(f"review it: lyewatch review {done.run_id} --bench {args.bench}")
    return 0
