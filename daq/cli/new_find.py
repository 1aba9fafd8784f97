"""The ports of a new bench: listened to, and asked where that is allowed."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from daq.cli.common import print_table
from daq.cli.new_ask import Asker
from daq.errors import PortError, UsageError
from daq.sources import list_ports
from daq.sources.recognise import BAUDS, Recognised, hear, identify

__all__ = ["Search", "Wanted", "choose_ports", "search", "wanted_port"]

_NAME: Final = r"[a-z][a-z0-9_]{0,31}"
_PORT: Final = re.compile(rf"(?:(?P<name>{_NAME})=)?(?P<port>\S.*?)(?:@(?P<baud>\d{{2,7}}))?")

_ANY_LETTER: Final = re.compile(r"[^\W\d_]")
"""What the name of a port has on every system, and an answer to another question has not."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """A port to be looked at; name and baud rate where they are given."""

    port: str
    name: str | None = None
    baud: int | None = None
    named: bool = True
    """Whether somebody named it, rather than all ports being looked at."""


@dataclass(frozen=True, slots=True)
class Search:
    """How ports are looked at: listened to for so long [s], asked or not, and for which Modbus units."""

    listen_s: float
    may_ask: bool
    units: Sequence[int]


def wanted_port(text: str) -> Wanted:
    """An argument such as ``/dev/ttyUSB0``, ``head=/dev/ttyUSB0@115200``, ``socket://HOST:5025`` or
    ``mqtt://HOST/TOPIC``.
    """
    found = _PORT.fullmatch(text)
    if found is None or not _ANY_LETTER.search(found["port"]):
        raise argparse.ArgumentTypeError(
            f"{text!r} is no port: write [NAME=]PORT[@BAUD], as head=/dev/ttyUSB0@9600"
        )
    baud = None if found["baud"] is None else int(found["baud"])
    return Wanted(found["port"], found["name"], baud)


def choose_ports(asker: Asker) -> list[Wanted]:
    """The ports that a person chooses; all of them where nobody is asked."""
    there = list_ports()
    if not asker.interactive:
        return [Wanted(p.device, named=False) for p in there]
    if there:
        rows = [(str(n), p.device, p.description) for n, p in enumerate(there, start=1)]
        print_table(("", "port", "what it is"), rows)
    else:
        asker.say("No serial port was found on this computer.")

    def read(text: str) -> list[Wanted]:
        chosen = []
        for word in text.replace(",", " ").split():
            if word.isdigit():
                if not 1 <= int(word) <= len(there):
                    raise argparse.ArgumentTypeError(f"there is no port number {word}: use 1 to {len(there)}")
                chosen.append(Wanted(there[int(word) - 1].device))
            else:
                chosen.append(wanted_port(word))
        if not chosen:
            raise argparse.ArgumentTypeError("no port is named: write numbers of the list, or addresses")
        return chosen

    return asker.ask(
        "Which are on the bench? Numbers, or addresses as socket://HOST:5025 (SCPI), tcp://HOST:502 (Modbus) "
        "and mqtt://HOST (nodes on a broker)",
        read,
        [Wanted(p.device, named=False) for p in there] or None,
        "all",
    )


def search(wanted: Wanted, how: Search, asker: Asker) -> list[Recognised]:
    """What speaks on a port, of a broker every node; empty where nothing does and nobody named the port.

    Parameters
    ----------
    wanted : Wanted
        The port.
    how : Search
    asker : Asker
        Asked before anything is sent.
    """
    bauds = BAUDS if wanted.baud is None else (wanted.baud,)
    print(
        f"{wanted.port}: listening for {how.listen_s:g} s, nothing is sent ...", file=sys.stderr, flush=True
    )
    try:
        if wanted.port.lower().startswith(("mqtt://", "mqtts://")):
            return _nodes(wanted, how, asker)
        found = hear(wanted.port, how.listen_s, bauds=bauds)
        if found.kind == "silent" and how.may_ask:
            asked = "*IDN?, then reads of Modbus registers; neither changes anything"
            if asker.agrees(f"{wanted.port} is silent. Ask who it is ({asked})?", default=True):
                print(f"{wanted.port}: asking who it is ...", file=sys.stderr, flush=True)
                found = _asked(wanted, how, bauds)
    except PortError as exc:
        if wanted.named and not asker.interactive:
            raise
        print(f"  {exc}", file=sys.stderr, flush=True)
        return []
    if found.kind in ("silent", "unknown"):
        _not_usable(wanted, found, how, asker)
        return []
    print(f"{wanted.port}: {found.kind}; {found.about}", file=sys.stderr, flush=True)
    return [found]


def _nodes(wanted: Wanted, how: Search, asker: Asker) -> list[Recognised]:
    """The nodes of a broker."""
    from daq.sources.recognise_node import hear_nodes  # its library is not always needed

    found = hear_nodes(wanted.port, how.listen_s)
    if wanted.name is not None and len(found) > 1:
        raise UsageError(
            f"{len(found)} nodes publish there, and they can not have one name",
            place=f"--port {wanted.name}=",
            value=", ".join(str(node.keys["topic"]) for node in found),
            remedy="name each with its topic, as --port shed=mqtt://HOST/bench/shed",
        )
    if not found:
        nothing = f"no node published SenML or the line format within {how.listen_s:g} s"
        error = UsageError(
            nothing, place=wanted.port, remedy="listen longer (--listen), and see the broker's access list"
        )
        if not asker.interactive:
            raise error
        print(f"  left out: {error}", file=sys.stderr, flush=True)
    for node in found:
        print(f"{node.port}: mqtt; {node.about}", file=sys.stderr, flush=True)
    return found


def _asked(wanted: Wanted, how: Search, bauds: Sequence[int]) -> Recognised:
    from daq.sources.modbus_probe import find_units  # its library is slow to load, and not always needed

    # Instruments and meters that wait to be asked are slow ones more often than not.
    slow_first = tuple(sorted(bauds, key=lambda b: (b != 9600, b != 19200)))[:3]
    found = None
    if not wanted.port.lower().startswith("tcp://"):
        found = identify(wanted.port, bauds=slow_first)
    if found is None or found.kind == "silent":
        found = find_units(wanted.port, how.units, bauds=slow_first)
    return found


def _not_usable(wanted: Wanted, found: Recognised, how: Search, asker: Asker) -> None:
    silent = "nothing was heard" + (", and nothing answered" if how.may_ask else "")
    message = silent if found.kind == "silent" else found.about
    remedy = (
        "look at its cable, power, baud rate (PORT@BAUD) and what it is set to"
        + ("" if how.may_ask or found.kind == "unknown" else "; without --listen-only it is asked")
        + "; a meter that is not recognised is described in the bench file by hand, see README.md"
    )
    shown = found.heard[0] if found.heard else None
    error = UsageError(message, place=wanted.port, value=shown, remedy=remedy)
    if wanted.named and not asker.interactive:
        raise error
    print(f"  left out: {error}", file=sys.stderr, flush=True)
