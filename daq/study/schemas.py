"""The JSON Schemas (draft 2020-12) of what the studies give as JSON, by name; most are made from types."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from daq.errors import UsageError
from daq.study.render import WRITTEN, schema_from, written_schema

__all__ = ["NAMES", "schema_of"]

_RESULTS = {
    "plan": ("daq.study.compare", "Plan", "lyewatch.plan/1"),
    "leak": ("daq.study.leak", "LeakTest", "lyewatch.leak/1"),
    "polarisation": ("daq.study.polarisation", "Polarisation", "lyewatch.polarisation/1"),
}
"""Where each result's type is, and its version; imported where it is asked for, which takes a while."""
NAMES = (*WRITTEN, *_RESULTS)
"""Studies whose machine form has a schema."""


def schema_of(name: str) -> dict[str, Any]:
    """The schema of one study's machine form.

    Raises
    ------
    UsageError
        For another name than those of `NAMES`.
    """
    if name in WRITTEN:
        return written_schema(name)
    if name not in _RESULTS:
        raise UsageError(
            "is no study with a machine form",
            place="schema",
            value=name,
            remedy=f"ask for {', '.join(NAMES)}",
        )
    room, kind, tag = _RESULTS[name]
    return schema_from(getattr(import_module(room), kind), tag)
