"""`lyewatch plan --detect 3%`: how many runs of which length would tell two builds apart."""

from __future__ import annotations

import argparse

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

__all__ = ["add", "run"]

NEWEST = 40


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "plan",
        help="say how many runs of which length would tell two builds apart, from this bench's own scatter",
        description=f"Looks at the runs named, or at the newest {NEWEST}: builds that were run more than "
        "once tell how one day differs from another.",
    )
    parser.add_argument("targets", metavar="RUN", nargs="*", help="runs to learn the scatter from")
    parser.add_argument(
        "--detect",
        type=share,
        required=True,
        metavar="SHARE",
        help="the difference in gas per watt to be told, as 3%%",
    )
    parser.add_argument(
        "--power", type=share, default=0.8, metavar="SHARE", help="the chance of telling it (default: 80%%)"
    )
    parser.add_argument(
        "--day-sd",
        type=share,
        metavar="SHARE",
        help="by how much gas per watt of one build scatters from run to run, where no repeats tell it "
        "(default: bench.day_sd of the newest run's bench file, else 2%%)",
    )
    store_options(parser)
    json_option(parser)
    form_options(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Plan it."""
    from daq.errors import UsageError
    from daq.study.compare import (
        block_seconds,
        plan,
        plan_document,
        plan_picture,
        read_run,
        recorded_seconds,
        stated_days,
    )

    if args.power >= 1.0:
        raise UsageError("no number of runs tells with certainty", place="--power", remedy="write 80% or 95%")
    with open_store(args) as store, progress() as bar:
        if args.targets:
            records = [find_run(store, target) for target in args.targets]
        else:
            known = [r for r in store.logbook.list_runs(limit=100_000) if r.kind != "standby"]
            records = sorted(known, key=lambda r: -r.start_utc_ns)[:NEWEST]
        block_s = block_seconds(recorded_seconds(store, r) for r in records)
        runs = [read_run(store, r, block_s) for r in bar.track(records, description="reading runs")]
        days = stated_days(store, records, args.day_sd)
    found = plan(runs, args.detect, wanted=args.power, days=days)
    show_result(args, plan_document(found), found.as_dict, [lambda: plan_picture(found, "png")])
    return 0 if found.best is not None else 1
