"""`lyewatch ports`: the serial ports of this computer."""

from __future__ import annotations

import argparse
from dataclasses import asdict

from daq.cli.common import json_option, print_json, print_table
from daq.sources import list_ports

__all__ = ["add", "run"]


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("ports", help="list this computer's serial ports")
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """List them; none is a result, not a failure."""
    found = list_ports()
    if args.json:
        print_json([asdict(port) for port in found])
    elif not found:
        print("No serial port was found. Plug the device in; on Linux, join the group that owns the ports.")
    else:
        print_table(
            ("port", "what it is", "hardware"), [(p.device, p.description, p.hardware_id) for p in found]
        )
    return 0
