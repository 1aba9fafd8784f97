"""`lyewatch gather FLEET`: the workers that gather what benches publish."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from daq.cli.common import stop_event

__all__ = ["add", "run"]


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "gather",
        help="gather the samples of many benches from a broker into a server",
        description="Workers share the benches' messages among them (MQTT 5 shared subscription), write the "
        "samples to the server, and acknowledge what is stored. One that dies is started again, and goes on "
        "where it was. docs/fleet.md describes the fleet file.",
    )
    parser.add_argument("fleet", metavar="FLEET", type=Path, help="the fleet file")
    parser.add_argument("--workers", type=int, metavar="N", help="instead of the fleet file's gather.workers")
    parser.add_argument(
        "--heartbeat", metavar="FILE", type=Path, help="touch this file each second while all workers live"
    )
    parser.add_argument(
        "--until-stdin-closes", action="store_true", help="also stop when standard input ends"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Gather until told to stop."""
    from daq.fleet import load_fleet
    from daq.fleet.settings import GatherSpec
    from daq.fleet.supervisor import Supervisor

    fleet = load_fleet(args.fleet)
    if args.workers is not None:
        gather = GatherSpec.model_validate({**fleet.gather.model_dump(), "workers": args.workers})
        fleet = fleet.model_copy(update={"gather": gather})
    with stop_event(stdin_too=args.until_stdin_closes) as stop:
        Supervisor(fleet, say=_say, heartbeat=args.heartbeat).run(stop)
    return 0


def _say(line: str) -> None:
    print(f"gather: {line}", file=sys.stderr, flush=True)
