"""`lyewatch lye RUN`: how strong a run's lye was, and what was poured in or measured."""

from __future__ import annotations

import argparse
from typing import Any

from daq.cli.common import find_run, json_option, open_store, print_json, print_table, store_options
from daq.quantity import duration_words, shown

__all__ = ["add", "run"]

_NUMBERS = (
    ("ml", "millilitres", "ML", "volume poured in or drawn off, with --top-up or --drawn-off"),
    ("grams", "grams", "G", "the same by mass"),
    ("mass-fraction", "mass_fraction", "W", "of the lye, such as 0.2; with --top-up of what was poured in"),
    ("temp", "temp_c", "C", "temperature of the lye at the hydrometer, or when its level was read"),
    ("litres", "litres", "L", "all the lye, with --level or --filled"),
    ("below-start", "below_start_ml", "ML", "how much is wanting to the mark of the start, with --level"),
)
_WHAT = (
    ("top-up", "top_up", "water was poured in, or lye of --mass-fraction: --ml or --grams"),
    ("drawn-off", "drawn_off", "lye was taken out for good: --ml or --grams"),
    ("strength", "strength", "a refractometer or a titration told the strength: --mass-fraction"),
    ("level", "level", "the level was read: --litres or --below-start"),
    ("filled", "filled", "the bench was emptied and filled anew: --litres and --mass-fraction"),
)
_ERRORS = {
    "millilitres": "millilitres_error",
    "grams": "grams_error",
    "mass_fraction": "mass_fraction_error",
    "density_kg_m3": "density_error",
    "litres": "litres_error",
    "below_start_ml": "below_start_error",
}


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "lye",
        help="how strong a run's lye was, and when to top up; note what was poured in or measured",
        description="Without an entry it prints the strength at the run's start and end with U, how much "
        "water is wanting, and every entry. An entry is kept as a mark of the run, and counts live and in "
        "hindsight; the words of a plain note are never taken for one.",
    )
    parser.add_argument(
        "target", metavar="RUN", help="the run's id, the beginning of it, its name, or `latest`"
    )
    what = parser.add_mutually_exclusive_group()
    for flag, value, words in _WHAT:
        what.add_argument(f"--{flag}", dest="what", action="store_const", const=value, help=words)
    what.add_argument(
        "--density", type=float, metavar="KG_M3", help="a hydrometer read so much, as 1185: with --temp"
    )
    for flag, name, unit, words in _NUMBERS:
        parser.add_argument(f"--{flag}", dest=name, type=float, metavar=unit, help=words)
    parser.add_argument(
        "--error", type=float, metavar="X", help="limit of error of that number, in its own unit"
    )
    parser.add_argument("--at", type=float, metavar="S", help="the run's second (default: now)")
    parser.add_argument("--who", default="", help="who did it")
    store_options(parser)
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Keep an entry, or say how the lye was."""
    from daq.study.runs import lye_dict, note_entry, stored_lye

    with open_store(args) as store:
        record = find_run(store, args.target)
        entry = _entry_from(args)
        if entry:
            t_ns = None if args.at is None else round(1e9 * args.at)
            kept = note_entry(store, record, entry, args.who, t_ns)
            if args.json:
                print_json({"run": record.id, **kept})
            else:
                print(f"{kept['message']}: noted at {duration_words(kept['t_s'])} of run {record.id}")
            return 0
        end_ns = record.ended_ns if record.ended_ns is not None else (store.last_t_ns(record.id) or 0)
        body = lye_dict(stored_lye(store, record), 0, end_ns)
    if args.json:
        print_json({"run": record.id, **body})
        return 0
    print_table(
        ("lye", "at the start", "at the end"),
        [
            (f"{body['electrolyte']}, % by mass", *(_text(body[k]["percent"]) for k in ("start", "end"))),
            ("amount at 20 °C, L", *(_text(body[k]["litres"]) for k in ("start", "end"))),
            ("water wanting, mL", *(_text(body[k]["top_up_ml"]) for k in ("start", "end"))),
        ],
    )
    print(body["words"])
    if body["entries"]:
        rows = [
            (
                duration_words(e["t_s"]),
                f"{e['words']}{', not what was expected' if e['surprising'] else ''}",
                f"{e['before_percent']:.1f}",
                f"{e['after_percent']:.1f}",
            )
            for e in body["entries"]
        ]
        print_table(("at", "entry", "% before", "% after"), rows)
    return 0


def _entry_from(args: argparse.Namespace) -> dict[str, Any]:
    """The entry that the arguments make; empty where they make none."""
    names = [name for _, name, _, _ in _NUMBERS]
    entry = {n: getattr(args, n) for n in names if getattr(args, n) is not None}
    if args.density is not None:
        entry |= {"what": "density", "density_kg_m3": args.density}
    elif args.what is not None:
        entry["what"] = args.what
    if args.error is not None:
        for name in ("density_kg_m3", "millilitres", "grams", "below_start_ml", "litres", "mass_fraction"):
            if name in entry:
                entry[_ERRORS[name]] = args.error
                break
    return entry


def _text(number: dict[str, float]) -> str:
    return shown(number["value"], number["u95"] or None, "").text
