"""What a driver takes from its device, whatever the device speaks: a reading, a reply, a greeting."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from daq.frame import NO_SEQ

__all__ = ["MAX_COUNT", "Hello", "Message", "Reading", "Reply"]

MAX_COUNT: Final = 0xFFFFFFFF
"""Largest `seq` and `ms`: both are unsigned 32-bit and wrap to 0."""


@dataclass(frozen=True, slots=True)
class Reading:
    """Numbers by field name, as the device gave them; `Source` makes a `Frame` of it.

    Attributes
    ----------
    fields : mapping of str to float
        Raw numbers; NaN where the device says that it has none.
    seq : int
        The device's sequence number, or `NO_SEQ`.
    ms : int or None
        The device's own milliseconds, modulo 2**32, or None.
    checked : bool
        Whether a checksum, or a transport that has one, covered it.
    age_ns : int
        How long before its receipt it is known to have been measured [ns].
    """

    fields: Mapping[str, float]
    seq: int = NO_SEQ
    ms: int | None = None
    checked: bool = True
    age_ns: int = 0


@dataclass(frozen=True, slots=True)
class Reply:
    """A device's answer to the command of that number: done, or refused with one word of reason."""

    number: int
    ok: bool
    why: str | None = None
    checked: bool = True


@dataclass(frozen=True, slots=True)
class Hello:
    """What a device says at power-up.

    `extra` holds words that a later minor revision may add; `problem` says what stands against a format
    version that the decoder does not read.
    """

    name: str
    version: int
    extra: Mapping[str, str] = field(default_factory=dict)
    checked: bool = True
    problem: str = ""


Message = Reading | Reply | Hello
