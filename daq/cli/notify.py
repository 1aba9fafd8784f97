"""`lyewatch notify BENCH`: who is told of alarms, and whether a message gets through."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from daq.bench import load_bench
from daq.cli.common import bench_argument, json_option, print_json
from daq.errors import UsageError

if TYPE_CHECKING:
    from daq.service.notify import Receiver

__all__ = ["add", "run"]


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "notify",
        help="say who is told of alarms; with --test send each a message",
        description="Addresses come from the environment variable LYEWATCH_NOTIFY_URLS, spaces between them. "
        "They are never printed.",
    )
    bench_argument(parser)
    parser.add_argument(
        "--test", action="store_true", help="send a message to each, once, and say what came of it"
    )
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Say it; 1 when a receiver did not take the test's message."""
    from daq.service.notify import URLS_VARIABLE, Receiver, addresses, check_address

    bench = load_bench(args.bench)
    spec = bench.notify
    receivers = [Receiver(i, address, spec) for i, address in enumerate(addresses(), start=1)]
    if not receivers:
        raise UsageError(
            "is not set, so nobody is told of alarms",
            place=URLS_VARIABLE,
            remedy="put addresses into it, as apprise's documentation gives them, with spaces between them",
        )
    for receiver in receivers:
        try:
            check_address(receiver.address)
        except UsageError as exc:
            place = f"{URLS_VARIABLE}, {receiver.name}"
            raise UsageError(exc.message, place=place, remedy=exc.remedy) from None
    rows: list[dict[str, Any]] = [
        {"receiver": r.name, "taken": _offer(r, bench.name) if args.test else None} for r in receivers
    ]
    ok = all(row["taken"] is not False for row in rows)
    if args.json:
        print_json({"bench": bench.name, "ok": ok, **spec.model_dump(), "receivers": rows})
        return 0 if ok else 1
    print(f"alarms of priority {spec.minimum_priority} and above go to:")
    words = {None: "", True: ": took the message; see that it arrived", False: ": did not take the message"}
    for row in rows:
        print(f"  {row['receiver']}{words[row['taken']]}")
    print(f"at most {spec.at_most} messages in {spec.within_s:g} s to each; more are gathered into one")
    return 0 if ok else 1


def _offer(receiver: Receiver, bench: str) -> bool:
    from daq.service.notify import Note

    note = Note(
        f"{bench}: test",
        "A test of lyewatch's messages, asked for by a person. Nothing is wrong at the bench.",
        "low",
    )
    return receiver.offer(note)
