"""`lyewatch compare RUN RUN ...`: what one build does otherwise than another, with an interval."""

from __future__ import annotations

import argparse
from functools import partial

from daq.cli.common import (
    find_run,
    form_options,
    json_option,
    open_store,
    progress,
    share,
    show_result,
    store_options,
)
from daq.errors import UsageError

__all__ = ["add", "run"]


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "compare",
        help="compare builds by their runs: gas per watt and what is behind it, with an interval",
        description="Runs of one build are repeats of each other; the build that comes first is what the "
        "others are compared with. Runs that are all of one build are compared one by one.",
    )
    parser.add_argument(
        "targets",
        metavar="RUN",
        nargs="+",
        help="the run's id, the beginning of it, or its name; two or more",
    )
    parser.add_argument(
        "--by", choices=("build", "run"), default="build", help="what is compared (default: builds)"
    )
    parser.add_argument(
        "--matters",
        type=share,
        default=0.03,
        metavar="SHARE",
        help="from which share of gas per watt on a difference matters (default: 3%%)",
    )
    parser.add_argument(
        "--day-sd",
        type=share,
        metavar="SHARE",
        help="by how much gas per watt of one build scatters from run to run, where no repeats on this bench "
        "tell it (default: bench.day_sd of the bench file, else 2%%)",
    )
    store_options(parser)
    json_option(parser)
    form_options(parser, "the picture, one for each build after the first")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Compare them."""
    from daq.study.compare import (
        as_dict,
        block_seconds,
        compare_groups,
        comparison_document,
        comparison_picture,
        days_of,
        group_runs,
        read_run,
        recorded_seconds,
        with_looks,
    )

    with open_store(args) as store, progress() as bar:
        records = [find_run(store, target) for target in args.targets]
        if len({r.id for r in records}) < len(records):
            raise UsageError("one run is named twice", place="compare", remedy="name each run once")
        block_s = block_seconds(recorded_seconds(store, r) for r in records)
        task = bar.add_task(f"reading {len(records)} runs", total=float(len(records)))
        runs = []
        for number, record in enumerate(records):

            def moved(done: float, before: int = number) -> None:
                bar.update(task, completed=before + done)

            runs.append(read_run(store, record, block_s, moved))
        repeats = bar.add_task("reading repeats on this bench", total=1.0)
        days = days_of(
            store,
            records,
            block_s,
            sd=args.day_sd,
            progress=lambda done: bar.update(repeats, completed=done),
        )
        found = compare_groups(group_runs(runs, args.by), matters=args.matters, days=days)
        comparisons = with_looks(store, found)
    show_result(
        args,
        comparison_document(comparisons),
        lambda: as_dict(comparisons),
        [partial(comparison_picture, c, "png") for c in comparisons],
    )
    return 0
