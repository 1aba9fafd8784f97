"""What every book of the logbook needs to write its rows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import orjson

from daq.store._database import Connection

__all__ = ["added", "real", "text_of"]


def text_of(value: Any) -> str:
    """A value as the JSON that the logbook keeps."""
    return orjson.dumps(value, option=orjson.OPT_SERIALIZE_NUMPY | orjson.OPT_NON_STR_KEYS).decode()


def added(con: Connection, statement: str, values: Sequence[Any]) -> int:
    """Add a row; returns its id.

    Parameters
    ----------
    con : Connection
        In a transaction that writes.
    statement : str
        An INSERT with a place for each of `values`.
    values : sequence
    """
    con.execute(statement, values)
    return con.last_insert_rowid()


def real(value: float | None) -> float | None:
    return None if value is None else float(value)
