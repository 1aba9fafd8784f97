"""`lyewatch review RUN`: what a run was, in words, as JSON or as a page."""

from __future__ import annotations

import argparse
from pathlib import Path

from daq.cli.common import (
    find_run,
    json_option,
    open_store,
    picture_file,
    print_json,
    progress,
    store_options,
    write_file,
)

__all__ = ["add", "run"]


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("review", help="summarise a run: energy, gas, phases, peaks, alarms, gaps")
    parser.add_argument(
        "target", metavar="RUN", help="the run's id, the beginning of it, its name, or `latest`"
    )
    store_options(parser)
    json_option(parser)
    parser.add_argument(
        "--calibration",
        metavar="N|newest|none",
        help="work the run out again from its raw numbers: with calibration N of its channel, with the "
        "newest of every channel, or by the bench file's own scales; what was recorded stays",
    )
    parser.add_argument(
        "--against", metavar="RUN", help="a reference run: say what changed against it, with intervals"
    )
    parser.add_argument("--html", metavar="FILE", type=Path, help="also write a self-contained page")
    parser.add_argument("--png", metavar="FILE", type=picture_file, help="also write the result card")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Review it."""
    from daq.study.review import html_report, review_run, summary_text

    with open_store(args) as store, progress() as bar:
        record = find_run(store, args.target)
        against = find_run(store, args.against) if args.against else None
        bar.add_task(f"reviewing {record.id}", total=None)
        reviewed = review_run(store, record, calibration=args.calibration, against=against)
        page = html_report(reviewed.review, reviewed.blocks) if args.html else None
    written = []
    if page is not None:
        write_file(args.html, page.encode("utf-8"))
        written.append(f"page written: {args.html}")
    if args.png:
        from daq.study.review import result_card

        write_file(args.png, result_card(reviewed.review))
        written.append(f"card written: {args.png}")
    if args.json:
        print_json(reviewed.review.as_dict())
    else:
        print(summary_text(reviewed.review))
        for line in written:
            print(f"\n{line}")
    return 0
