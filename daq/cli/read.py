"""`lyewatch read BENCH`: the reader process."""

from __future__ import annotations

import argparse
import sys

from daq.bench import load_bench
from daq.cli.common import bench_argument, stop_event

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
    parser.add_argument(
        "--after-cut", metavar="WORDS", help="begin tripped: the supply was cut because the reader had died"
    )
    # By `up`, which has looked at the file already: to import the watch takes a reader's time to guard again.
    parser.add_argument("--checked", action="store_true", help=argparse.SUPPRESS)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Read until told to stop."""
    from daq.reader import Reader
    from daq.store import Store

    bench = load_bench(args.bench)
    if not args.checked:
        from daq.alarms import check_alarms

        check_alarms(bench)
    with stop_event(stdin_too=args.until_stdin_closes) as stop:
        reader = Reader(bench, lambda: Store.of(bench, writer=True), say=_say, cut_before=args.after_cut)
        # Whoever started it was killed: that is no reason to end the run.
        reader.serve(stop, leave_open=lambda: stop.parent_died)
    return 0


def _say(line: str) -> None:
    print(f"reader: {line}", file=sys.stderr, flush=True)
