"""What was recognised, named: sources, what is asked of them, and which field becomes which channel."""

from __future__ import annotations

import argparse
import math
import re
import struct
import sys
from collections.abc import Callable
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from typing import Any, Final

from pydantic import ValidationError

from daq.bench.modbus_spec import REGISTERS_OF, ModbusRegister
from daq.bench.scpi_spec import check_question
from daq.bench.units import KNOWN_CHANNELS, convert, units_like
from daq.cli.common import print_table
from daq.cli.new_ask import Asker
from daq.cli.new_draft import (
    NO_CHANNELS,
    Draft,
    DraftChannel,
    DraftSource,
    proposed_channel,
    proposed_unit,
    spare_name,
)
from daq.errors import FrameError, PortError, UsageError
from daq.sources.recognise import Recognised, ask_scpi
from daq.sources.scpi_format import parse_numbers

__all__ = ["Flags", "channel_keys", "name_fields", "of_source", "query_keys", "register_keys"]

_NAME: Final = r"[a-z][a-z0-9_]{0,31}"
_CALLED: Final = {"line": "head", "text": "meter", "scpi": "instrument", "modbus": "modbus", "mqtt": "node"}
_ASKED: Final = {"VOLT": "V", "CURR": "A", "POW": "W"}
"""What a query asks for, by its mnemonic (SCPI-1999, volume 2)."""
_TYPES: Final = tuple(kind for kind in REGISTERS_OF if kind != "bit")


@dataclass(frozen=True, slots=True)
class Flags:
    """What flags say of sources and channels.

    Attributes
    ----------
    queries : dict of str to list of (query, field)
        By source.
    registers : dict of str to list of dict
        By source.
    channels : list of DraftChannel
        Channels as named; without a unit it is "".
    cuts : set of str
        Instruments that may cut the supply.
    """

    queries: dict[str, list[tuple[str, str]]] = dataclass_field(default_factory=dict)
    registers: dict[str, list[dict[str, Any]]] = dataclass_field(default_factory=dict)
    channels: list[DraftChannel] = dataclass_field(default_factory=list)
    cuts: set[str] = dataclass_field(default_factory=set)


def name_fields(draft: Draft, wanted: str | None, found: Recognised, asker: Asker, flags: Flags) -> None:
    """Name the source and what it says, and put both into the draft.

    Parameters
    ----------
    draft : Draft
        What is known so far; added to.
    wanted : str, optional
        The name that a flag gives the source; None asks for one.
    found : Recognised
        What speaks on the port.
    asker : Asker
    flags : Flags
        What they say of sources and channels.
    """
    taken = {s.name for s in draft.sources}
    default = wanted or spare_name(_CALLED[found.kind], taken)
    name = default if wanted else asker.ask("  A name for it", _free_name(taken), default)
    if name in taken:
        raise UsageError("two sources have one name", place=f"--port {name}=", remedy="name each differently")
    source = DraftSource(
        name, found, flags.queries.get(name, []), flags.registers.get(name, []), name in flags.cuts
    )
    draft.sources.append(source)
    if found.kind == "scpi":
        _queries(source, asker)
    elif found.kind == "modbus":
        _registers(source, asker)
    elif asker.interactive:
        rows = [(n, f"{v:.6g}", found.units.get(n, "")) for n, v in found.values.items()]
        print_table(("field", "value", "unit"), rows)
    named = {c.field: c for c in flags.channels if c.source == name}
    for field, value in found.values.items():
        if field in named:
            channel = named.pop(field)
            channel.value, channel.decimals = value, found.decimals.get(field)
            channel.unit = channel.unit or proposed_unit(channel.name, found.units.get(field))
            draft.channels.append(channel)
        elif field not in NO_CHANNELS:
            _channel(draft, source, field, value, asker, {c.name for c in flags.channels})
    for channel in named.values():
        raise UsageError(
            "no such field is heard",
            place=f"--channel {channel.name}={name}.{channel.field}",
            value=channel.field,
            remedy=f"{name} says {', '.join(found.values) or 'nothing'}",
        )


def _channel(
    draft: Draft, source: DraftSource, field: str, value: float, asker: Asker, kept: set[str]
) -> None:
    taken = {c.name for c in draft.channels} | kept
    unit = source.found.units.get(field)
    proposed = proposed_channel(field, unit, taken)
    if proposed is None and (asker.interactive or source.queries or source.registers):
        fits = re.fullmatch(_NAME, field.lower())
        proposed = spare_name(field.lower(), taken) if fits else spare_name("value", taken)
    if asker.interactive:
        shown = f"{value:.6g} {unit or ''}".strip()
        question = f"  {field} = {shown}: which channel? ({', '.join(KNOWN_CHANNELS)}, a name, or - for none)"
        proposed = asker.ask(question, _channel_name(taken), proposed)
    if proposed is None or proposed == "-":
        draft.left_out.append((source.name, field))
        return
    chosen = proposed_unit(proposed, unit)
    if asker.interactive and unit is None and proposed not in ("relay", "duty"):
        chosen = asker.ask(f"  unit of {proposed}", _unit_of(proposed), chosen)
    decimals = source.found.decimals.get(field)
    draft.channels.append(DraftChannel(proposed, source.name, field, chosen, value, decimals))


def _queries(source: DraftSource, asker: Asker) -> None:
    """What the instrument is asked: by flags, or by a person who sees each answer."""
    asker.say(
        "  Which queries give its numbers? A supply: MEAS:VOLT? and MEAS:CURR?; a meter: READ? or FETC?\n"
        "  Each that you name is sent once, now. On a source-measure unit MEAS and READ may switch its\n"
        "  output on, on a meter MEAS may change its function; FETC? only takes what was measured last."
    )
    while asker.interactive:
        query = asker.ask("  Query (- for no more)", _question, "-" if source.queries else None)
        if query == "-":
            if source.queries:
                break
            asker.say("  without a query it gives no numbers: name one")
            continue
        field = asker.ask("  its field", _field_name, _field_of(query, source))
        source.queries.append((query, field))
        if not _try_query(source, query, field, asker) and not asker.agrees(
            "  keep it all the same?", default=False
        ):
            source.queries.pop()
    if not source.queries:
        raise UsageError(
            "does not say what the instrument is asked",
            place=f"--query {source.name}.FIELD=QUERY",
            remedy=f'add, for instance, --query "{source.name}.volts=MEAS:VOLT?"',
        )
    if not asker.interactive:
        for query, field in source.queries:
            _try_query(source, query, field, asker)
    if asker.interactive and not source.cuts:
        question = "  Does its output feed the stack, and may it be switched off (OUTP OFF) at a trip?"
        source.cuts = asker.agrees(question, default=False)


def _try_query(source: DraftSource, query: str, field: str, asker: Asker) -> bool:
    """Ask it once and show what comes; a field without an answer is kept as not a number."""
    try:
        reply = ask_scpi(source.found, query)
        value = math.nan if reply is None else parse_numbers(reply, 1)[0]
    except (FrameError, PortError) as exc:
        reply, value = str(exc), math.nan
    source.found.values[field] = value
    unit = next((unit for part, unit in _ASKED.items() if part in query.upper()), None)
    if unit is not None:
        source.found.units[field] = unit
    words = "no answer" if reply is None else reply
    shown = f"{value:.6g}" if math.isfinite(value) else "no number"
    print(f"  {query} -> {words} -> {shown}", file=sys.stderr, flush=True)
    return math.isfinite(value)


def _registers(source: DraftSource, asker: Asker) -> None:
    """Which registers are read: by flags, or by a person who sees the first of them."""
    from daq.sources.modbus_probe import read_table

    units: list[int] = source.found.keys["units"]
    for unit in units if asker.interactive or not source.registers else []:
        table = read_table(source.found, unit)
        rows = []
        for (function, address), word in table.items():
            low = table.get((function, address + 1))
            real = "" if low is None else f"{struct.unpack('>f', struct.pack('>HH', word, low))[0]:.6g}"
            signed = word - 0x10000 if word >= 0x8000 else word
            rows.append((str(unit), function, str(address), str(word), str(signed), real))
        if asker.interactive:
            print_table(("unit", "function", "address", "u16", "i16", "f32 with the next"), rows)
    if not asker.interactive and not source.registers:
        raise UsageError(
            f"units {', '.join(map(str, units))} answer, and no register is named",
            place=f"--register {source.name}.FIELD=UNIT:FUNCTION:ADDRESS:TYPE",
            remedy=f"add, for instance, --register {source.name}.volts={units[0]}:input:0:f32",
        )
    while asker.interactive:
        keys = asker.ask(
            "  Register, as volts=1:input:0:f32 for FIELD=UNIT:FUNCTION:ADDRESS:TYPE[:SCALE] (- for no more)",
            lambda text: None if text == "-" else register_keys(text),
            None,
        )
        if keys is None and source.registers:
            break
        if keys is not None:
            source.registers.append(keys)
    for register in source.registers:
        source.found.values[register["field"]] = _register_value(source, register)


def _register_value(source: DraftSource, register: dict[str, Any]) -> float:
    from daq.sources.modbus_map import read_blocks
    from daq.sources.modbus_probe import ModbusProbe

    block = read_blocks([ModbusRegister.model_validate(register)], 1.0)[0]
    probe = ModbusProbe(source.found.port, source.found.baud, source.found.framing)
    try:
        answer = probe.read(block.unit, register["function"], block.address, block.count)
        value = math.nan if answer is None or answer.exception else block.values(answer)[register["field"]]
    except FrameError:
        value = math.nan
    finally:
        probe.close()
    print(f"  {register['field']} = {value:.6g}", file=sys.stderr, flush=True)
    return value


def register_keys(text: str) -> dict[str, Any]:
    """``FIELD=UNIT:FUNCTION:ADDRESS:TYPE[:SCALE]`` as keys of a bench file."""
    name, _, rest = text.partition("=")
    unit, function, address, kind, scale, more = [*rest.split(":"), "", "", "", "", "", ""][:6]
    try:
        keys = {"field": _field_name(name), "unit": int(unit), "function": function, "address": int(address)}
        keys |= {"type": kind} | ({"scale": float(scale)} if scale else {})
        wrong = "" if not more else "it has too many parts"
        wrong = wrong or ("" if function in ("holding", "input") else "its function is holding or input")
        wrong = wrong or ("" if kind in _TYPES else f"its type is {', '.join(_TYPES)}")
        if not wrong:
            ModbusRegister.model_validate(keys)
    except ValueError as exc:  # pydantic's are such
        wrong = (
            str(exc).splitlines()[-1].strip() if isinstance(exc, ValidationError) else "a number is missing"
        )
    if wrong:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no register, {wrong}: write FIELD=UNIT:FUNCTION:ADDRESS:TYPE[:SCALE], as "
            "volts=1:input:0:f32"
        )
    return keys


def of_source(text: str) -> tuple[str, str]:
    """``SOURCE.REST`` in its two parts."""
    source, dot, rest = text.partition(".")
    if not dot or not re.fullmatch(_NAME, source) or not rest:
        raise argparse.ArgumentTypeError(
            f"{text!r} names no source: write SOURCE.FIELD=..., as meter.volts=..."
        )
    return source, rest


def query_keys(text: str) -> tuple[str, str]:
    """``FIELD=QUERY`` as (query, field)."""
    name, _, query = text.partition("=")
    return _question(query.strip()), _field_name(name)


def channel_keys(text: str) -> DraftChannel:
    """``CHANNEL=SOURCE.FIELD[:UNIT]``."""
    found = re.fullmatch(
        rf"(?P<name>{_NAME})=(?P<source>{_NAME})\.(?P<field>[A-Za-z]\w{{0,31}})(?::(?P<unit>\S+))?",
        text,
        re.ASCII,
    )
    if found is None:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no channel: write CHANNEL=SOURCE.FIELD[:UNIT], as lye_temp=head.t1:degC"
        )
    unit = found["unit"] or ""
    if unit:
        _unit_of(found["name"])(unit)
    return DraftChannel(found["name"], found["source"], found["field"], unit)


def _question(text: str) -> str:
    if text == "-":
        return text
    try:
        return check_question(text)
    except ValueError as exc:
        raise argparse.ArgumentTypeError(f"{text!r} {exc}") from None


def _field_of(query: str, source: DraftSource) -> str:
    unit = next((unit for part, unit in _ASKED.items() if part in query.upper()), "")
    name = {"V": "volts", "A": "amps", "W": "watts"}.get(unit, "value")
    return spare_name(name, {f for _, f in source.queries})


def _field_name(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]{0,31}", text):
        raise argparse.ArgumentTypeError(f"{text!r} is no field's name: a letter, then letters, digits and _")
    return text


def _free_name(taken: set[str]) -> Callable[[str], str]:
    def read(text: str) -> str:
        if not re.fullmatch(_NAME, text):
            raise argparse.ArgumentTypeError(
                f"{text!r} is no name: a lower-case letter, then lower-case letters, digits and _"
            )
        if text in taken:
            raise argparse.ArgumentTypeError(f"{text!r} is the name of another already")
        return text

    return read


def _channel_name(taken: set[str]) -> Callable[[str], str]:
    free = _free_name(taken)
    return lambda text: text if text == "-" else free(text)


def _unit_of(channel: str) -> Callable[[str], str]:
    known = KNOWN_CHANNELS.get(channel)

    def read(text: str) -> str:
        if known is not None and convert(text, known.unit) is None:
            raise argparse.ArgumentTypeError(
                f"{text!r} is no unit of {known.words}: write {', '.join(units_like(known.unit))}"
            )
        return text

    return read
