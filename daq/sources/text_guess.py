"""From a meter's lines to the description that a bench file needs: a guess, tried on those lines."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from pydantic import ValidationError

from daq.bench import TextSpec
from daq.sources.counters import LinkCounters
from daq.sources.reading import Reading
from daq.sources.text import TextDecoder

__all__ = ["TextGuess", "guess_text"]

_LEAST_SHARE: Final = 0.6
"""A description that takes fewer of the lines is none."""
_MOST_FIELDS: Final = 32
_MOST_KINDS: Final = 4
"""Kinds of lines that one meter sends, in turn."""

# What is printed beside a number: the field that it suggests and the bench file's unit.
_UNITS: Final = {
    "V": ("volts", "V"), "VDC": ("volts", "V"), "A": ("amps", "A"),
    "ADC": ("amps", "A"), "W": ("watts", "W"), "C": ("temp", "degC"),
    "°C": ("temp", "degC"), "degC": ("temp", "degC"), "°F": ("temp", "degF"),
    "F": ("temp", "degF"), "degF": ("temp", "degF"), "L/min": ("flow", "L/min"),
    "l/min": ("flow", "L/min"), "LPM": ("flow", "L/min"), "lpm": ("flow", "L/min"),
    "mL/min": ("flow", "mL/min"), "ml/min": ("flow", "mL/min"),
    "L/h": ("flow", "L/h"), "l/h": ("flow", "L/h"), "kPa": ("pressure", "kPa"),
    "hPa": ("pressure", "hPa"), "mbar": ("pressure", "mbar"),
    "%RH": ("humidity", "%"), "%": ("percent", "%"),
}  # fmt: skip
_PREFIXED: Final = re.compile(r"[munkMµμ]?(VDC|ADC|V|A|W)")

_NUMBER: Final = r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?"
_OVER: Final = r"[+-]?(?:[O0]\.?L|OVLD?|OVER|----?)"
_PART: Final = re.compile(
    r"(?P<clock>(?<![\w.])[0-9]{1,4}[:/-][0-9]{1,2}[:/-][0-9]{1,4}(?:[.,][0-9]+)?(?![\w:/-]))"
    rf"|(?P<number>(?<![\w.])(?:{_NUMBER}|{_OVER}(?![\w.])))"
    r"|(?P<blank>\s+)|(?P<word>[^\W\d_][\w/°%]*|°[CF]|%(?:RH)?)|(?P<other>.)"
)
_MASS: Final = r"(?P<{0}>[+-]?[ ]*[0-9.]+|OL)[ ]*"
_GRAMS: Final = {
    # kilograms, grams or milligrams by the prefix; "bare" has no unit, as while the reading moves
    "mass": _MASS.format("mass") + r"(?P<mass_prefix>[kKm]?)[gG]",
    "mass_moving": _MASS.format("mass_moving") + r"(?P<mass_moving_prefix>[kKm]?)[gG]",
    "bare": _MASS.format("mass_moving"),
}
_NAMES_GRAMS: Final = re.compile(r"(?<![\w/])[kKm]?[gG](?![\w/])|[0-9][kKm]?[gG](?![\w/])")
_HEAD: Final = r"(?:ST|QT)[, ]+(?:(?:GS|NT|GW)[, ]+)?"
_BALANCES: Final = (
    # what comes before, the mass, what comes after; the first pattern that matches counts
    # `ST,+00123.45  g` and `ST,GS  1.000KG`; US is unstable, OL over range
    (
        (_HEAD, "mass", ""),
        (r"US[, ]+(?:(?:GS|NT|GW)[, ]+)?", "mass_moving", ""),
        ("", "bare", r",?[+-]?[0-9.E+]*"),
    ),
    # `S S     100.00 g`, S D while it moves; `S I`, `S +`, `S -` say that there is no reading
    ((r"S[ ]+S[ ]+", "mass", ""), (r"S[ ]+[DI][ ]+", "mass_moving", "")),
    # `?  -  12.345 g`: a mark before a moving reading
    ((r"[?][ ]*", "mass_moving", ""), ("", "mass", "")),
    # `+  123.56 g`, perhaps with a name before it, and without its unit while it moves
    ((r"(?:[A-Z][A-Za-z]{0,5}[ ]+)?", "mass", ""), (r"(?:[A-Z][A-Za-z]{0,5}[ ]+)?", "bare", "")),
)
_NO_NAMES: Final = frozenset({"seq", "ms", "dc", "ac"})
_NAME_LIKE: Final = re.compile(r"[^A-Za-z0-9]+")


@dataclass(frozen=True, slots=True)
class TextGuess:
    """How a meter's lines seem to be made.

    Attributes
    ----------
    keys : dict
        Keys of a source of kind "text": `pattern`, or `columns` with `separator`; and `decimal`.
    units : dict of str to str
        Unit by field, where the lines name it.
    values : dict of str to float
        The latest value of each field.
    matched : int
        Lines taken by that description.
    """

    keys: dict[str, Any]
    units: dict[str, str]
    values: dict[str, float]
    matched: int


@dataclass(frozen=True, slots=True)
class _Part:
    kind: str
    text: str


def guess_text(lines: Sequence[str]) -> TextGuess | None:
    """The description that takes most of `lines`; None where there are no numbers, or no order in them.

    A number is named by the unit printed after it, else by the word before it, else by its place. A guess is
    handed to the very decoder that will read the meter, and kept only if it takes three of five lines.
    """
    found = [text for line in lines if (text := line.strip())]
    if not found:
        return None
    weighed = _balance(found)
    if weighed is not None:
        return weighed
    decimal = _decimal(found)
    parted = [_parts(line, decimal) for line in found]
    shapes = Counter(_shape(parts) for parts in parted)
    first = {_shape(parts): parts for parts in reversed(parted)}
    kinds = [first[shape] for shape, _ in shapes.most_common(_MOST_KINDS)]
    guesses = [_described([parts], found, decimal) for parts in kinds]
    guesses.append(_described(kinds, found, decimal) if len(kinds) > 1 else None)
    # The first of the best: one kind of line where that will do.
    return max((g for g in guesses if g is not None), key=lambda g: g.matched, default=None)


def _balance(lines: Sequence[str]) -> TextGuess | None:
    """Lines of a balance, as makers' manuals give them: the mass, and apart from it what is marked moving.

    A steady reading is the field `mass`, a moving one `mass_moving`, both in grams. None where no line names
    grams beside a mark, a sign or a lone number.
    """
    for patterns in _BALANCES:
        keys = {"pattern": [rf"{before}{_GRAMS[name]}{after}" for before, name, after in patterns]}
        tried = _try(keys, lines)
        if tried is None or tried[0] < _LEAST_SHARE * len(lines):
            continue
        masses = {name: value for name, value in tried[1].items() if name in ("mass", "mass_moving")}
        if masses and any(_NAMES_GRAMS.search(line) for line in lines):
            return TextGuess(keys, dict.fromkeys(masses, "g"), masses, tried[0])
    return None


def _decimal(lines: Sequence[str]) -> str:
    """A comma between digits is a decimal comma where points never are, and something else parts columns or a
    unit follows."""
    commas = sum(bool(re.search(r"[0-9],[0-9]", line)) for line in lines)
    points = sum(bool(re.search(r"[0-9]\.[0-9]", line)) for line in lines)
    if not commas or points:
        return "."
    apart = sum(bool(re.search(r"[;\t]|[0-9],[0-9]+\s*[^\W\d_°]", line)) for line in lines)
    return "," if apart >= commas else "."


def _parts(line: str, decimal: str) -> list[_Part]:
    # A comma that parts columns must not be taken into a number.
    text = line.replace(",", "\0") if decimal == "." else line
    parts = []
    for found in _PART.finditer(text):
        kind = found.lastgroup or "other"
        parts.append(_Part(kind, found[0].replace("\0", ",")))
    return parts


def _shape(parts: Sequence[_Part]) -> tuple[str, ...]:
    """A line without its numbers, so that lines of one kind are alike."""
    shape = []
    for part in parts:
        if part.kind in ("number", "clock", "blank"):
            shape.append(part.kind)
        else:
            prefixed = _PREFIXED.fullmatch(part.text)
            shape.append(prefixed[1] if prefixed else part.text)
    return tuple(shape)


def _described(kinds: Sequence[list[_Part]], lines: Sequence[str], decimal: str) -> TextGuess | None:
    """Lines of these kinds, by columns where that will do, else by a pattern for each kind."""
    tries: list[tuple[dict[str, Any], dict[str, str]]] = []
    patterns: list[str] = []
    units: dict[str, str] = {}
    for parts in kinds:
        numbers = [i for i, part in enumerate(parts) if part.kind == "number"]
        if not 0 < len(numbers) <= _MOST_FIELDS:
            continue
        names = _names(parts, numbers)
        units |= {name: unit for i, name in names.items() if (unit := _unit(parts, i)) is not None}
        patterns.append(_pattern(parts, names))
        columns = _columns(parts, names)
        if columns is not None:
            tries.append((columns, {}))
    if patterns:
        tries.append(({"pattern": patterns[0] if len(patterns) == 1 else patterns}, units))
    comma: dict[str, Any] = {"decimal": decimal} if decimal == "," else {}
    for keys, of in tries:
        tried = _try({**keys, **comma}, lines)
        if tried is not None and tried[0] >= _LEAST_SHARE * len(lines):
            return TextGuess({**keys, **comma}, of, tried[1], tried[0])
    return None


def _columns(parts: Sequence[_Part], names: dict[int, str]) -> dict[str, Any] | None:
    """Columns, where there is nothing but numbers and one kind of separator between them."""
    if any(part.kind in ("word", "clock") for part in parts):
        return None
    others = {part.text for part in parts if part.kind == "other"}
    if len(others) > 1 or not others <= {",", ";", "|"}:
        return None
    separator = others.pop() if others else ""
    between = sum(part.text == separator for part in parts) if separator else len(names) - 1
    if between != len(names) - 1:
        return None
    keys: dict[str, Any] = {"columns": list(names.values())}
    return {**keys, "separator": separator} if separator else keys


def _pattern(parts: Sequence[_Part], names: dict[int, str]) -> str:
    pieces = []
    for i, part in enumerate(parts):
        if part.kind == "number":
            pieces.append(rf"(?P<{names[i]}>[-+0-9.,eE]+|[-+.A-Za-z]+?)")
        elif part.kind == "clock":
            pieces.append(r"[0-9:/.,-]+")
        elif part.kind == "blank":
            pieces.append(r"\s+")
        else:
            prefixed = _PREFIXED.fullmatch(part.text)
            owner = _owner(parts, i) if prefixed else None
            if prefixed and owner is not None:
                pieces.append(rf"(?P<{names[owner]}_prefix>[munkMµμ]?){prefixed[1]}")
            else:
                pieces.append(re.escape(part.text))
    return "".join(pieces)


def _owner(parts: Sequence[_Part], at: int) -> int | None:
    """The number whose unit stands at `at`."""
    before = at - 1
    if before >= 0 and parts[before].kind == "blank":
        before -= 1
    return before if before >= 0 and parts[before].kind == "number" else None


def _unit(parts: Sequence[_Part], at: int) -> str | None:
    """The bench file's unit of the number at `at`, where one is printed after it."""
    word = _word_after(parts, at)
    if word is None:
        return None
    prefixed = _PREFIXED.fullmatch(word)
    return _UNITS[prefixed[1]][1] if prefixed else _UNITS[word][1] if word in _UNITS else None


def _word_after(parts: Sequence[_Part], at: int) -> str | None:
    after = at + 1
    if after < len(parts) and parts[after].kind == "blank":
        after += 1
    return parts[after].text if after < len(parts) and parts[after].kind == "word" else None


def _names(parts: Sequence[_Part], numbers: Sequence[int]) -> dict[int, str]:
    names: dict[int, str] = {}
    for place, at in enumerate(numbers, start=1):
        name = _label(parts, at)
        word = _word_after(parts, at)
        if name is None and word is not None:
            prefixed = _PREFIXED.fullmatch(word)
            known = _UNITS.get(prefixed[1] if prefixed else word)
            name = None if known is None else known[0]
        name = name or f"value{place}"
        names[at] = name if name not in names.values() else f"{name}{place}"
    return names


def _label(parts: Sequence[_Part], at: int) -> str | None:
    """The word before a number that names it: ``T1: 24.5``, ``flow=1.2``."""
    before = at - 1
    while before >= 0 and (parts[before].kind == "blank" or parts[before].text in ":="):
        before -= 1
    if before == at - 1 or before < 0 or parts[before].kind != "word":
        return None
    if parts[before].text in _UNITS and _owner(parts, before) is not None:
        return None
    name = _NAME_LIKE.sub("_", parts[before].text).strip("_").lower()
    fits = re.fullmatch(r"[a-z][a-z0-9_]{0,23}", name)
    return name if fits and name not in _NO_NAMES and not name.endswith("_prefix") else None


def _try(keys: dict[str, Any], lines: Sequence[str]) -> tuple[int, dict[str, float]] | None:
    """How many lines the real decoder takes, and the latest values."""
    try:
        spec = TextSpec.model_validate({"kind": "text", "port": "-", **keys})
    except ValidationError:
        return None
    decoder = TextDecoder(LinkCounters(), spec)
    decoder.feed(b"\n")
    matched, values = 0, dict[str, float]()
    for line in lines:
        for message in decoder.feed(line.encode() + b"\n"):
            if isinstance(message, Reading):
                matched += 1
                values |= {n: v for n, v in message.fields.items() if math.isfinite(v) or n not in values}
    return matched, values
