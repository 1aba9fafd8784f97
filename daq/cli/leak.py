"""`lyewatch leak BENCH`: the leak current predicted, measured and told by the missing gas, side by side."""

from __future__ import annotations

import argparse
from pathlib import Path

from daq.cli.common import bench_argument, find_run, form_options, json_option, show_result
from daq.errors import UsageError

__all__ = ["add", "run"]


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "leak",
        help="predict the leak current from the stack's geometry, and set it beside what runs say",
        description="Predicts the leak from [stack.geometry] of the bench file; with --run also from the gas "
        "that is missing, and from a slow rise of the voltage where a run has one.",
    )
    bench_argument(parser)
    parser.add_argument("--volts", type=float, metavar="V", help="voltage of the stack in operation [V]")
    parser.add_argument("--amps", type=float, metavar="A", help="current of the stack in operation [A]")
    parser.add_argument("--temp", type=float, metavar="C", help="temperature of the lye [°C]")
    parser.add_argument(
        "--run", dest="target", metavar="RUN", help="take these from a run, and its missing gas"
    )
    parser.add_argument(
        "--ramp", metavar="RUN", help="a run with a slow rise of the voltage, if not the same"
    )
    parser.add_argument("--store", metavar="DIR", type=Path, help="the store, if not the bench file's")
    json_option(parser)
    form_options(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Work it out."""
    from daq.bench import load_bench
    from daq.store import Mark, Store
    from daq.study.leak import (
        leak_document,
        leak_picture,
        leak_test,
        run_conditions,
        stated_conditions,
    )

    bench = load_bench(args.bench)
    conditions, deficit, ramp_blocks = None, None, None
    marks: list[Mark] = []
    if args.target or args.ramp:
        folder = args.store or bench.store_folder
        if not (folder / "logbook.db").is_file():
            raise UsageError("holds no runs", place=str(folder), remedy="name the store with --store DIR")
        with Store(folder) as store:
            if args.target:
                record = find_run(store, args.target)
                blocks = list(store.read(record.id).values())
                marks = store.logbook.list_marks(record.id)
                found = run_conditions(bench, blocks, marks)
                if found is None:
                    raise UsageError(
                        "has no powered stretch with volts and amps",
                        place=f"run {record.id}",
                        remedy="name another with --run",
                    )
                conditions, deficit = found
                ramp_blocks = blocks
            if args.ramp:
                ramp = find_run(store, args.ramp)
                ramp_blocks = list(store.read(ramp.id).values())
                marks = store.logbook.list_marks(ramp.id)
    if conditions is None:
        conditions = stated_conditions(bench, volts=args.volts, amps=args.amps, temp_c=args.temp)
    elif args.volts is not None or args.amps is not None or args.temp is not None:
        raise UsageError(
            "--volts, --amps and --temp are taken from the run",
            place="lyewatch leak",
            remedy="leave them, or --run, out",
        )
    test = leak_test(
        bench,
        conditions,
        deficit=deficit,
        ramp_blocks=ramp_blocks,
        ramp_marks=marks,
        run_given=args.target is not None,
    )
    show_result(args, leak_document(test), test.as_dict, [lambda: leak_picture(test, "png")])
    return 0 if test.estimates else 1
