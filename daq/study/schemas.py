"""JSON Schemas (draft 2020-12) of what the studies give as JSON, made from the types of their results."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from daq.errors import UsageError
from daq.study.render import schema_of_type

__all__ = ["NAMES", "schema_of"]

_RESULTS = {
    "review": ("daq.study.review", "ReviewResult"),
    "card": ("daq.study.review", "CardResult"),
    "compare": ("daq.study.compare", "ComparisonResult"),
    "plan": ("daq.study.compare", "Plan"),
    "leak": ("daq.study.leak", "LeakTest"),
    "polarisation": ("daq.study.polarisation", "Polarisation"),
}
"""Where each result's type is, imported where it is asked for, which takes a while; all are of version 1."""
NAMES = tuple(_RESULTS)
"""Studies whose machine form has a schema."""


def schema_of(name: str) -> dict[str, Any]:
    """The schema of one study's machine form.

    Raises
    ------
    UsageError
        For another name than those of `NAMES`.
    """
    if name not in _RESULTS:
        raise UsageError(
            "is no study with a machine form",
            place="schema",
            value=name,
            remedy=f"ask for {', '.join(NAMES)}",
        )
    room, kind = _RESULTS[name]
    return schema_of_type(getattr(import_module(room), kind), f"lyewatch.{name}/1")
