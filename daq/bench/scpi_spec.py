"""``kind = "scpi"``: an instrument that is asked, and the supply that is cut at a trip.

Nothing that is written here can make the source send a command that changes an output, except the one that
cuts a supply at a trip (`ScpiSupply.off`).
"""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from daq.bench._table import FieldName, Positive, Table
from daq.bench.source_base import Baud, Framing, PolledSpec

__all__ = ["ScpiQuery", "ScpiSpec", "ScpiSupply", "check_question"]

# A query of IEEE 488.2: mnemonics, a question mark, and perhaps parameters. Each unit of a message
# must be one.
_QUESTION = re.compile(r"[*:]?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*\?(?: +[^;?]*)?")
# Queries that act: self-test and calibration may switch outputs, and service commands may do anything.
_ACTING = re.compile(r"[*:]?(?:TST|CAL\w*|DIAG\w*|TEST\w*|SERV\w*|FACT\w*|RCL|RST)\b.*", re.IGNORECASE)
_OFF = re.compile(
    r":?(?:[A-Za-z][A-Za-z0-9]*:)*OUTP(?:UT)?[0-9]*(?::STAT(?:E)?)? +(?:OFF|0)(?: *, *\(@[0-9,:! ]+\))?",
    re.IGNORECASE,
)


def check_question(text: str) -> str:
    """A query that an instrument may be asked while a supply is on; raises ValueError for anything else."""
    for unit in text.split(";"):
        if not (_QUESTION.fullmatch(unit.strip()) and text.isascii() and text.isprintable()):
            raise ValueError("is no question: only queries, each ending in a question mark, are sent")
        if _ACTING.fullmatch(unit.strip()):
            raise ValueError("is a question that acts: self-tests and calibrations may switch an output")
    return text


class ScpiQuery(Table):
    """``[[sources.NAME.queries]]``: a question that is asked again and again."""

    ask: Annotated[str, Field(min_length=2, max_length=200)]
    field: FieldName | None = None
    """The field of its one answer."""
    fields: tuple[FieldName, ...] = ()
    """The fields of its answers, in order, where it has several; `seq` and `ms` are the instrument's own."""
    period_s: Positive | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """The fields in order."""
        return (self.field,) if self.field is not None else self.fields

    @field_validator("ask")
    @classmethod
    def _asks(cls, value: str) -> str:
        return check_question(value)

    @model_validator(mode="after")
    def _fields_named(self) -> ScpiQuery:
        if (self.field is None) == (not self.fields):
            raise ValueError(
                'an answer is named by field or by fields, one of the two: write field = "volts"'
            )
        if len(set(self.names)) != len(self.names):
            raise ValueError("a field is named twice: give each value of the answer a name of its own")
        return self


class ScpiSupply(Table):
    """``[sources.NAME.supply]``: how this instrument's output is cut at a trip, and how that is verified.

    Nothing switches it on again but a hand at its panel.
    """

    off: str = "OUTP OFF"
    current: str = "MEAS:CURR?"
    """Asked after `off`: only a reading below `amps_off` verifies the cut."""
    amps_off: Positive = 0.1
    """[A]"""

    @field_validator("off")
    @classmethod
    def _only_off(cls, value: str) -> str:
        if not _OFF.fullmatch(value):
            raise ValueError('is no command that only cuts an output: write off = "OUTP OFF"')
        return value

    @field_validator("current")
    @classmethod
    def _asks(cls, value: str) -> str:
        return check_question(value)


class ScpiSpec(PolledSpec):
    """An instrument that speaks SCPI (SCPI-1999 over IEEE 488.2) on a serial port or a raw socket.

    `port` may be "socket://HOST:5025". The bench file says what it is asked; no maker's profile is built in.
    """

    kind: Literal["scpi"] = "scpi"
    baud: Baud = 9600
    framing: Framing = "8N1"
    line_end: Literal["\n", "\r\n", "\r"] = "\n"
    queries: Annotated[tuple[ScpiQuery, ...], Field(min_length=1)]
    identity: Annotated[str, Field(max_length=120)] = ""
    """What its answer to `*IDN?` must begin with: ports change places."""
    errors_every_s: Positive = 10.0
    """How often its error queue is read [s]."""
    supply: ScpiSupply | None = None

    def interval_s(self, field: str) -> float:
        asked = next((query for query in self.queries if field in query.names), None)
        return self.period_s if asked is None or asked.period_s is None else asked.period_s

    def together(self, field: str, other: str) -> bool:
        return any(field in query.names and other in query.names for query in self.queries)

    @model_validator(mode="after")
    def _fields_differ(self) -> ScpiSpec:
        names = [name for query in self.queries for name in query.names if name not in ("seq", "ms")]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise ValueError(f"the field {twice!r} is asked for twice: give each value a name of its own")
        return self
