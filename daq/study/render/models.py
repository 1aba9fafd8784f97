"""Results as typed values, from where they are made to JSON and its schema.

A result is a frozen dataclass. `as_json` writes it, `schema_of_type` says how it is written. A field with a
default is left out of the JSON while it has that default: its key is optional in the schema. Where a key is a
word of the language, the field has an underscore behind it: ``from_`` for ``from``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import MISSING, Field, dataclass, fields, is_dataclass
from typing import Annotated, Any, ClassVar, Protocol

from annotated_types import Ge, Le

from daq.quantity import Quantity

__all__ = ["Count", "Magnitude", "Number", "Share", "as_json", "schema_of_type"]

Count = Annotated[int, Ge(0)]
Magnitude = Annotated[float, Ge(0)]
"""Of time or another magnitude, never below zero."""
Share = Annotated[float, Ge(0), Le(1)]
"""Of a whole [1]."""


class _Result(Protocol):
    __dataclass_fields__: ClassVar[dict[str, Field[Any]]]


@dataclass(frozen=True, slots=True)
class Number:
    """In its unit; u95 is its expanded uncertainty (k = 2, about 95 %); null: not known."""

    value: float | None
    u95: float | None
    unit: str

    @staticmethod
    def of(value: float, u95: float, unit: str) -> Number:
        """From floats of which those that are not finite are not known."""
        known = math.isfinite(value)
        return Number(value if known else None, u95 if known and math.isfinite(u95) else None, unit)

    def times(self, factor: float, unit: str) -> Number:
        """In another unit."""
        value, u95 = (None if x is None else factor * x for x in (self.value, self.u95))
        return Number(value, u95, unit)

    @staticmethod
    def of_quantity(quantity: Quantity, unit: str) -> Number:
        """The first element of a quantity."""
        import numpy as np

        value, u95 = (float(np.asarray(x).reshape(-1)[0]) for x in (quantity.value, quantity.u95))
        return Number.of(value, u95, unit)


def as_json(value: Any) -> Any:
    """What `json.dumps` takes: dataclasses as objects, tuples as arrays, mappings with their keys as text."""
    kind = type(value)
    if kind in (float, int, str, bool) or value is None:
        return value
    if is_dataclass(value):
        out = {}
        for known in fields(value):
            found = getattr(value, known.name)
            if known.default is MISSING or found != known.default:
                out[known.name.rstrip("_")] = as_json(found)
        return out
    if isinstance(value, Mapping):
        return {str(k): as_json(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [as_json(v) for v in value]
    return value


def schema_of_type(kind: type[_Result]) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a result as `as_json` writes it, by pydantic from its types.

    What a result says of itself, its first paragraph, is the description.
    """
    from pydantic import TypeAdapter

    schema = TypeAdapter(kind).json_schema(mode="validation")
    definitions = schema.pop("$defs", {})
    for part in (schema, *definitions.values()):
        part.pop("title", None)
        if "description" in part:
            part["description"] = " ".join(part["description"].split("\n\n")[0].split())
        for key, known in list(part.get("properties", {}).items()):
            known.pop("title", None)
            known.pop("default", None)
            part["properties"][key.rstrip("_")] = part["properties"].pop(key)
        part["required"] = [key.rstrip("_") for key in part.get("required", [])]
    return {**schema, "$defs": definitions}
