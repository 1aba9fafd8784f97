"""The command `lyewatch`: one module a command, each with `add(subparsers)` and `run(args) -> int`."""

from __future__ import annotations

import argparse
import difflib
import importlib
import os
import sys
from collections.abc import Sequence

import daq
from daq.errors import LyewatchError

__all__ = ["COMMANDS", "build_parser", "main"]

COMMANDS = (
    "demo",
    "up",
    "read",
    "serve",
    "new",
    "check",
    "notify",
    "ports",
    "runs",
    "review",
    "card",
    "compare",
    "plan",
    "polarisation",
    "leak",
    "fill",
    "lye",
    "calibrate",
    "import",
    "export",
    "archive",
    "gather",
    "fleet",
    "scan",
)


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """The whole command line, or that of one command: the others' libraries take a second to import."""
    parser = argparse.ArgumentParser(
        prog="lyewatch",
        description="Watch, record and review the test bench of a water-electrolysis gas cell.",
        epilog="Exit status: 0 done, 1 the thing asked failed, 2 bad use or a bad file.",
    )
    parser.add_argument("--version", action="version", version=f"lyewatch {daq.__version__}")
    subparsers = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in COMMANDS if only is None else (only,):
        # "import" is a word of Python's own, so its module carries another name.
        importlib.import_module(f"daq.cli.{'import_log' if name == 'import' else name}").add(subparsers)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit status."""
    words = sys.argv[1:] if argv is None else list(argv)
    only = words[0] if words and words[0] in COMMANDS else None
    if words and words[0] not in COMMANDS and not words[0].startswith("-"):
        print(f"lyewatch: {_no_command(words[0])}", file=sys.stderr)
        return 2
    args = build_parser(only).parse_args(words)
    try:
        status: int = args.run(args)
        sys.stdout.flush()
        return status
    except LyewatchError as exc:
        print(f"lyewatch: {exc}", file=sys.stderr)
        return exc.exit_code
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # Whoever read our output has gone (`lyewatch runs | head`): nothing to say, and nobody to say it to.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1


def _no_command(word: str) -> str:
    """What is said of a word that is no command."""
    near = difflib.get_close_matches(word.lower(), COMMANDS, n=1, cutoff=0.5)
    meant = f"did you mean `lyewatch {near[0]}`? " if near else ""
    return f"{word}: is no command; {meant}The commands are {', '.join(COMMANDS)}"
