"""`lyewatch fleet FLEET`: the page that shows all benches."""

from __future__ import annotations

import argparse
from pathlib import Path

from daq.cli.common import port_number
from daq.cli.serve import serve_app

__all__ = ["add", "run"]


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("fleet", help="serve the page that shows all benches, the worst first")
    parser.add_argument("fleet", metavar="FLEET", type=Path, help="the fleet file; see docs/fleet.md")
    parser.add_argument("--host", help="listen on this address instead of the fleet file's service.host")
    parser.add_argument(
        "--port", type=port_number, help="listen here instead of the fleet file's service.port"
    )
    parser.add_argument(
        "--until-stdin-closes", action="store_true", help="also stop when standard input ends"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Serve until told to stop."""
    from daq.fleet import load_fleet
    from daq.fleet.app import create_fleet_app

    fleet = load_fleet(args.fleet)
    host = fleet.service.host if args.host is None else args.host
    port = fleet.service.port if args.port is None else args.port
    app = create_fleet_app(fleet, host=host)
    return serve_app(app, host, port, until_stdin_closes=args.until_stdin_closes)
