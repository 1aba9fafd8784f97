"""`lyewatch polarisation RUN ...`: where a cell's volts go, from steps that were held until they settled."""

from __future__ import annotations

import argparse

from daq.cli.common import (
    find_run,
    form_options,
    json_option,
    open_store,
    progress,
    show_result,
    store_options,
)

__all__ = ["add", "run"]


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "polarisation",
        help="take a cell's volts apart: reversible, activation, ohmic; from a sweep in steps",
        description="Looks in each run for steps of volts or amps that were held until they settled, a "
        "minute or more, fits volts against current density, and compares builds: did a change do something "
        "to the plates, or only to the ohms?",
    )
    parser.add_argument("targets", metavar="RUN", nargs="+", help="a run with steps; one or more")
    parser.add_argument(
        "--by", choices=("build", "run"), default="build", help="what is compared (default: builds)"
    )
    store_options(parser)
    json_option(parser)
    form_options(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Fit and compare."""
    from daq.study.polarisation import (
        polarisation_document,
        polarisation_picture,
        polarise,
        swept_run,
    )

    with open_store(args) as store, progress() as bar:
        records = [find_run(store, target) for target in dict.fromkeys(args.targets)]
        swept = [swept_run(store, r) for r in bar.track(records, description="reading runs")]
    found = polarise(swept, by=args.by)
    show_result(
        args, polarisation_document(found), found.as_dict, [lambda: polarisation_picture(found, "png")]
    )
    return 0 if all(b.fit is not None for b in found.builds) else 1
