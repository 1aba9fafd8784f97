"""`lyewatch scan`: thousands of runs in one pass over their files."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from daq.cli.common import DEFAULT_FOLDER, json_option, print_json, print_table

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
    from daq.study.tables import by_build, named_now, scan_runs

    scan = scan_runs(args.location, powered_above_amps=args.above)
    found = named_now(scan.runs, _builds(args.location))
    _with_fills(args.location, found)
    rows = [r.as_dict() for r in found] if args.runs else [asdict(b) for b in by_build(found)]
    if args.json:
        print_json({"files": scan.files, "rows": scan.rows, "peak_bytes": scan.peak_bytes, "lines": rows})
        return 0
    headings = (
        ("run", "build", "rows", "mean_watts", "mmw_as_read", "mmw_by_fills", "highest_lye_temp")
        if args.runs
        else ("build", "runs", "mean_watts", "mmw_as_read", "mmw_se", "mmw_by_fills", "highest_lye_temp")
    )
    print_table(headings, [[_shown(row[h]) for h in headings] for row in rows])
    print(
        f"{len(scan.runs)} runs, {scan.rows:,} rows of {scan.files} files; "
        f"at most {scan.peak_bytes / 1e6:.0f} MB held at a time"
    )
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


def _shown(value: object) -> str:
    if value is None:
        return "–"
    return f"{value:.4g}" if isinstance(value, float) else str(value)
