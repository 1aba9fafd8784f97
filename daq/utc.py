"""Wall time as text."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import lru_cache
from typing import overload

__all__ = ["iso_day", "iso_second", "iso_utc"]


@overload
def iso_utc(utc_ns: int) -> str: ...
@overload
def iso_utc(utc_ns: None) -> None: ...
@overload
def iso_utc(utc_ns: int | None) -> str | None: ...


@lru_cache(maxsize=256)
def iso_utc(utc_ns: int | None) -> str | None:
    """ISO 8601 with milliseconds, UTC, of nanoseconds since 1970; None for an instant that is not known."""
    if utc_ns is None:
        return None
    return datetime.fromtimestamp(utc_ns / 1e9, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def iso_second(utc_ns: int) -> str:
    """ISO 8601 to the second, UTC."""
    return datetime.fromtimestamp(utc_ns / 1e9, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def iso_day(utc_ns: int) -> str:
    """The date, UTC."""
    return iso_second(utc_ns)[:10]
