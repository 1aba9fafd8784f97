"""`lyewatch card RUN`: the result of a run as one picture to show."""

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
    parser = subparsers.add_parser(
        "card",
        help="a run's result as one picture of 1200 by 630 pixels, with U, conditions and limits",
        description="Draws the numbers of the run's longest steady phase with U, what no cell can pass, "
        "where the power went, and what limits the claim.",
    )
    parser.add_argument(
        "target", metavar="RUN", help="the run's id, the beginning of it, its name, or `latest`"
    )
    parser.add_argument(
        "--png", metavar="FILE", type=picture_file, help="where to (default: card-RUN.png in this folder)"
    )
    store_options(parser)
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Draw it."""
    from daq.study.review import card_dict, result_card, review_run

    with open_store(args) as store, progress() as bar:
        record = find_run(store, args.target)
        bar.add_task(f"reviewing {record.id}", total=None)
        review = review_run(store, record, forecasts=False).review
    file = args.png or Path(f"card-{record.id}.png")
    if args.png or not args.json:
        write_file(file, result_card(review))
    if args.json:
        print_json(card_dict(review))
    else:
        print(f"card written: {file}")
    return 0
