"""`lyewatch scan`: thousands of runs in one pass over their files."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from daq.cli.common import DEFAULT_FOLDER, json_option, print_json

if TYPE_CHECKING:
    from daq.study.tables import RunScan

__all__ = ["add", "run"]

MOST_FILLS = 100_000


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "scan",
        help="one line a build, or a run, over thousands of runs at once",
        description="Scans the Parquet files of an archive's `segments` folder, on a disk or in object "
        "storage (s3://bucket/segments), column by column and in bounded memory. MMW is as read: wet, at "
        "room conditions. Builds are those of the logbook beside the folder, where there is one. For a "
        "verdict with uncertainties use `lyewatch compare` on the runs that matter.",
    )
    parser.add_argument(
        "location", metavar="WHERE", nargs="?", default=str(Path(DEFAULT_FOLDER) / "segments"),
        help="a folder or a URI (default: %(default)s)",
    )  # fmt: skip
    parser.add_argument("--runs", action="store_true", help="a line a run instead of a line a build")
    parser.add_argument(
        "--above", type=float, default=0.3, metavar="A", help="only rows above this current (default 0.3 A)"
    )
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Scan and print."""
    from daq.study.render import as_json, as_text
    from daq.study.tables import ScanResult, by_build, named_now, scan_document, scan_runs

    scan = scan_runs(args.location, powered_above_amps=args.above)
    found = named_now(scan.runs, _builds(args.location))
    _with_fills(args.location, found)
    lines = [r.line for r in found] if args.runs else by_build(found)
    result = ScanResult(scan.files, scan.rows, scan.peak_bytes, lines)
    if args.json:
        print_json(as_json(result))
    else:
        print(as_text(scan_document(result, len(scan.runs))))
    return 0


def _builds(location: str) -> dict[str, str]:
    """Run to build by the logbook beside a store's `segments`; none where there is no such file."""
    beside = Path(location).parent
    if "://" in location or not (beside / "logbook.db").is_file():
        return {}
    from daq.store import Store

    with Store(beside) as store:
        return {r.id: r.build for r in store.logbook.list_runs(limit=1_000_000_000, away=None)}


def _with_fills(location: str, runs: Sequence[RunScan]) -> None:
    """Add what the timed fills of a store tell, where its logbook stands beside the segments."""
    folder = Path(location).resolve().parent
    if "://" in location or not (folder / "logbook.db").exists():
        return
    from daq.store import Store

    with Store(folder) as store:
        filled = store.logbook.fills.find(limit=MOST_FILLS)
    for run in runs:
        run.add_fills(f for f in filled if f.run_id == run.run)
