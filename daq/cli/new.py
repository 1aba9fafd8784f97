"""`lyewatch new BENCH`: look what is on the bench, ask the rest, and write its bench file."""

from __future__ import annotations

import argparse
import contextlib
import os
import tempfile
from pathlib import Path
from typing import Any

from daq.bench import parse_bench
from daq.cli.common import bench_argument, seconds
from daq.cli.new_ask import FACTS, Asker, at_a_terminal, fill_in, missing, whole
from daq.cli.new_draft import Draft, DraftSource, spare_name
from daq.cli.new_find import Search, choose_ports, search, wanted_port
from daq.cli.new_name import Flags, channel_keys, name_fields, of_source, query_keys, register_keys
from daq.cli.new_text import bench_text
from daq.errors import UsageError
from daq.sources.recognise import Recognised

__all__ = ["add", "run"]


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "new",
        help="look what is on the bench, ask the rest, and write a bench file",
        description="Listens to each port first; only a silent one is asked who it is (*IDN?, then reads of "
        "Modbus registers). Sends nothing that could change an output. What no flag says is asked.",
    )
    bench_argument(parser)
    parser.add_argument("--force", action="store_true", help="replace a file that is there")
    parser.add_argument(
        "--no-input",
        action="store_true",
        help="ask nothing: flags and defaults only, as where there is no terminal",
    )
    look = parser.add_argument_group("what is on the bench")
    look.add_argument(
        "--port",
        action="append",
        type=wanted_port,
        metavar="[NAME=]PORT[@BAUD]",
        help="look here (repeatable)",
    )
    look.add_argument("--listen", type=seconds, default=4.0, metavar="TIME", help="listen so long (4 s)")
    look.add_argument("--listen-only", action="store_true", help="ask no port who it is")
    look.add_argument(
        "--units",
        type=_units,
        default=range(1, 9),
        metavar="1-8",
        help="addresses of Modbus units to look for",
    )
    look.add_argument("--query", action="append", default=[], type=lambda text: _of(text, query_keys),
                      metavar="SOURCE.FIELD=QUERY", help="what a SCPI instrument is asked")  # fmt: skip
    look.add_argument("--register", action="append", default=[], type=lambda text: _of(text, register_keys),
                      metavar="SOURCE.FIELD=UNIT:FUNCTION:ADDRESS:TYPE[:SCALE]",
                      help="a Modbus register, as meter.volts=1:input:0:f32")  # fmt: skip
    look.add_argument("--channel", action="append", default=[], type=channel_keys,
                      metavar="CHANNEL=SOURCE.FIELD[:UNIT]", help="what a field is")  # fmt: skip
    look.add_argument("--cuts", action="append", default=[], metavar="SOURCE",
                      help="a SCPI supply that feeds the stack and is switched off at a trip")  # fmt: skip
    look.add_argument(
        "--trip-source", metavar="SOURCE", help="who cuts the supply (default: whoever has a relay)"
    )
    facts = parser.add_argument_group("stack, supply and site")
    for fact in FACTS:
        facts.add_argument(fact.flag, type=fact.parse, metavar="X", help=fact.question.replace("%", "%%"))
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Make the file; 2 where something is not said that must be."""
    path: Path = args.bench
    asker = Asker(interactive=at_a_terminal() and not args.no_input)
    replace = _may_write(path, asker, force=args.force)
    given = {fact.key: getattr(args, fact.key) for fact in FACTS}
    lacking = [] if asker.interactive else missing(given)
    if lacking:
        raise UsageError(
            "is not said, and has no default that would suit any bench",
            place=", ".join(lacking),
            remedy="give these flags, or run it at a terminal, where they are asked",
        )
    draft = _looked_at(args, asker)
    _cutters(draft, args, asker)
    asker.say("\nNow the stack, its supply and the site. Enter takes what stands in brackets.")
    draft.facts |= {
        "stem": path.stem,
        "channels": {c.name for c in draft.channels},
        "asked": any(s.found.kind in ("scpi", "modbus") for s in draft.sources),
    }
    fill_in(asker, draft.facts, given)
    text = bench_text(draft)
    parse_bench(text, path)  # what a flag said may still not fit with another
    _write(path, text, replace=replace)
    print(f"{path} is written: {len(draft.sources)} sources, {', '.join(c.name for c in draft.channels)}")
    if not draft.has("lye_temp"):
        print("Nothing measures the lye's temperature: there is NO over-temperature trip. Give it a sensor.")
    print(
        f"Look through it, above all at the accuracy lines; then: lyewatch check {path}; lyewatch up {path}"
    )
    return 0


def _looked_at(args: argparse.Namespace, asker: Asker) -> Draft:
    draft = Draft()
    how = Search(args.listen, not args.listen_only, args.units)
    flags = Flags(_by_source(args.query), _by_source(args.register), args.channel, set(args.cuts))
    _each_channel_once(args)
    for wanted in args.port or choose_ports(asker):
        for found in search(wanted, how, asker):
            name_fields(draft, wanted.name, found, asker, flags)
    names = {s.name for s in draft.sources}
    for flag, named in (
        ("--query", flags.queries), ("--register", flags.registers), ("--cuts", flags.cuts),
        ("--channel", {c.source for c in flags.channels}),
    ):  # fmt: skip
        for name in named:
            if name not in names:
                raise UsageError(
                    "no such source was found",
                    place=f"{flag} {name}",
                    remedy=f"found: {', '.join(names) or 'none'}; name one with --port {name}=PORT",
                )
    if not draft.channels:
        raise UsageError(
            "no channel is left: nothing that was found gives a number that is named",
            place=", ".join(w.port for w in args.port or []) or "ports",
            remedy="plug the devices in, and name fields with --channel CHANNEL=SOURCE.FIELD",
        )
    return draft


def _each_channel_once(args: argparse.Namespace) -> None:
    names = [c.name for c in args.channel]
    twice = next((n for n in names if names.count(n) > 1), None)
    if twice is not None:
        raise UsageError("is given twice", place=f"--channel {twice}", remedy="give each channel one field")


def _cutters(draft: Draft, args: argparse.Namespace, asker: Asker) -> None:
    """Who cuts the supply at a trip, and who does so as well."""
    for source in draft.sources:
        if source.name in args.cuts and source.found.kind != "scpi":
            raise UsageError(
                "is no SCPI instrument", place=f"--cuts {source.name}", value=source.found.kind,
                remedy="a device that speaks the line format cuts by its relay: name it with --trip-source",
            )  # fmt: skip
    able = draft.cutters()
    if not able and asker.interactive:
        asker.say(
            "\nNothing that was found can cut the supply, and lyewatch watches none that it can not cut."
        )
        port = asker.ask(
            "Port of the device that will hold the relay and speak the line format (- to give up)",
            _port_or_none,
            "-",
        )
        if port != "-":
            about = "not heard yet: it holds the relay"
            head = Recognised(port, "line", 115_200, about=about, keys={"crc": "required", "clock": "fitted"})
            draft.sources.append(DraftSource(spare_name("head", {s.name for s in draft.sources}), head))
            able = draft.cutters()
    chosen = args.trip_source
    if chosen is None and able:
        chosen = able[0]
        if len(able) > 1 and asker.interactive:
            chosen = asker.ask(f"Who cuts the supply at a trip? ({', '.join(able)})", str, chosen)
    if chosen not in able:
        raise UsageError(
            "can not cut the supply" if chosen else "nothing that was found can cut the supply",
            place="--trip-source",
            value=chosen,
            remedy=f"use one of {', '.join(able)}"
            if able
            else "add a device with a relay that speaks the line format, or a SCPI supply with --cuts NAME",
        )
    draft.facts["trip_source"] = chosen
    second = [s.name for s in draft.sources if s.cuts and s.name != chosen]
    draft.facts["second_cut"] = second[0] if second else None


def _port_or_none(text: str) -> str:
    return text if text == "-" else wanted_port(text).port


def _may_write(path: Path, asker: Asker, *, force: bool) -> bool:
    """Whether a file that is there is to be replaced. Raises UsageError where it may not be written."""
    if path.is_dir() or not path.parent.is_dir():
        raise UsageError(
            "is a folder" if path.is_dir() else "its folder does not exist",
            place=str(path),
            remedy="name a file, such as bench.toml",
        )
    if not path.exists() or force:
        return force
    if asker.interactive and asker.agrees(f"{path} is there already. Replace it?", default=False):
        return True
    raise UsageError(
        "is there already, and is left as it is", place=str(path), remedy="name another, or add --force"
    )


def _write(path: Path, text: str, *, replace: bool) -> None:
    """All of it or nothing: a file of its own first, which then takes the name."""
    temporary: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        temporary = Path(name)
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
        temporary.chmod(0o644)
        if replace:
            temporary.replace(path)
        else:
            os.link(temporary, path)  # fails where somebody has made that file meanwhile
    except FileExistsError:
        raise UsageError(
            "has appeared meanwhile, and is left as it is",
            place=str(path),
            remedy="name another, or add --force",
        ) from None
    except OSError as exc:
        raise UsageError(
            f"can not be written: {exc.strerror or exc}", place=str(path), remedy="choose another place"
        ) from None
    finally:
        if temporary is not None:
            with contextlib.suppress(FileNotFoundError):
                temporary.unlink()


def _by_source(pairs: list[tuple[str, Any]]) -> dict[str, list[Any]]:
    grouped: dict[str, list[Any]] = {}
    for source, keys in pairs:
        grouped.setdefault(source, []).append(keys)
    return grouped


def _of(text: str, read: Any) -> tuple[str, Any]:
    source, rest = of_source(text)
    return source, read(rest)


def _units(text: str) -> range:
    first, dash, last = text.partition("-")
    low = whole(1, 247)(first)
    return range(low, (whole(low, 247)(last) if dash else low) + 1)
