"""``kind = "text"``: a meter that streams text, described by a regular expression or by its columns."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

import re2
from pydantic import Field, field_validator, model_validator

from daq.bench._table import Positive
from daq.bench.source_base import Baud, Framing, PortedSpec

__all__ = ["PREFIX", "TextSpec", "compile_pattern"]


class TextSpec(PortedSpec):
    """A meter that streams text, one reading a line.

    A line is described either by `pattern`, which the whole line must match and whose named groups are the
    fields, or by `columns`, which are the fields in the order of their columns. The fields `seq` and `ms` are
    the meter's own count and milliseconds. A group `NAME_prefix` holds the SI prefix of NAME's unit, for a
    meter that ranges by itself.
    """

    sparse: ClassVar[bool] = True

    kind: Literal["text"] = "text"
    align: Literal["interpolate", "last"] = "interpolate"
    baud: Baud = 9600
    framing: Framing = "8N1"
    pattern: str | tuple[str, ...] = ()
    """Regular expressions in RE2's syntax; the first that matches counts."""
    columns: tuple[str, ...] = ()
    """Field names; "" leaves a column out."""
    separator: Annotated[str, Field(max_length=8)] = ""
    """What stands between columns; "" is any white space."""
    decimal: Literal[".", ","] = "."
    overrange: tuple[Annotated[str, Field(min_length=1)], ...] = (
        "OL",
        "0L",
        "OVL",
        "OVLD",
        "OVER",
        "OVERLOAD",
        "OFL",
        "UL",
        "ERR",
        "----",
        "---",
        "nan",
        "inf",
    )
    """Words that stand for a value the meter can not give, whatever their case and sign."""
    line_bytes: Annotated[int, Field(ge=8, le=4096, strict=True)] = 240
    """Longest line [bytes]."""
    rate_hz: Positive = 2.0
    silent_after_s: Positive = 3.0

    @property
    def patterns(self) -> tuple[str, ...]:
        """`pattern` as a tuple."""
        return (self.pattern,) if isinstance(self.pattern, str) else self.pattern

    @model_validator(mode="after")
    def _described_once(self) -> TextSpec:
        if bool(self.patterns) == bool(self.columns):
            raise ValueError(
                "a line is described by pattern or by columns, one of the two: "
                'write pattern = \'(?P<volts>\\S+) V\' or columns = ["volts", "amps"]'
            )
        return self

    @field_validator("pattern")
    @classmethod
    def _compiles(cls, value: str | tuple[str, ...]) -> str | tuple[str, ...]:
        for pattern in (value,) if isinstance(value, str) else value:
            _check_groups(list(compile_pattern(pattern).groupindex), f"pattern {pattern!r}")
        return value

    @field_validator("columns")
    @classmethod
    def _named(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        named = [name for name in value if name]
        if value:
            _check_groups(named, "columns")
        if len(set(named)) != len(named):
            raise ValueError("a field is named twice: give each column a name of its own")
        return value


def compile_pattern(pattern: str) -> Any:
    """A pattern of a bench file, compiled; raises ValueError with what is wrong.

    RE2 matches in time linear in the line, whatever the pattern: with a backtracking engine one unlucky
    pattern and one noisy line would hold up the guard.
    """
    options = re2.Options()
    options.log_errors = False
    try:
        return re2.compile(pattern, options)
    except re2.error as exc:
        message = exc.args[0] if exc.args else "no reason given"
        words = message.decode(errors="replace") if isinstance(message, bytes) else str(message)
        raise ValueError(
            f"is no regular expression ({words}): RE2's syntax has no look-around and no back-references"
        ) from None


_FIELD = re2.compile(r"[A-Za-z][A-Za-z0-9_]{0,31}")
PREFIX = "_prefix"
"""Ends the name of a group that holds an SI prefix."""


def _check_groups(names: list[str], what: str) -> None:
    fields = [name for name in names if name not in ("seq", "ms") and not name.endswith(PREFIX)]
    if not fields:
        raise ValueError(f"{what} names no field: write a named group, (?P<volts>...), for each number")
    for name in names:
        if not _FIELD.fullmatch(name):
            raise ValueError(f"{name!r} is no field's name: use a letter, then letters, digits and _")
        if name.endswith(PREFIX) and name.removesuffix(PREFIX) not in fields:
            raise ValueError(f"{name!r} is the prefix of no field: name the number's group as well")
