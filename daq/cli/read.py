"""`lyewatch read BENCH`: the reader process."""

from __future__ import annotations

import argparse
import sys

from daq.bench import load_bench
from daq.cli.common import bench_argument, stop_event
from daq.watch import check_alarms

__all__ = ["add", "run"]


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "read", help="record from the bench's ports, guard it, and trip its supply"
    )
    bench_argument(parser)
    parser.add_argument(
        "--until-stdin-closes", action="store_true", help="also stop when standard input ends"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Read until told to stop."""
    from daq.reader import Reader
    from daq.store import Store

    bench = load_bench(args.bench)
    check_alarms(bench)
    with stop_event(stdin_too=args.until_stdin_closes) as stop:
        Reader(bench, lambda: Store.of(bench, writer=True), say=_say).serve(stop)
    return 0


def _say(line: str) -> None:
    print(f"reader: {line}", file=sys.stderr, flush=True)
