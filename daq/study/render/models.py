"""Results as typed values, from where they are made to JSON and its JSON Schema (draft 2020-12), by pydantic.

A result is a frozen dataclass: its fields are the keys, in their order. A field that is called otherwise in
JSON has a serialization alias, one that readers of JSON do not need is `Internal`. A key that is
only there at times is `OrAbsent`.

Within a version keys are only ever added: a reader must let pass what it does not know. A key that is taken
away, or comes to mean another thing, makes the next version.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any, TypeVar

import numpy as np
from annotated_types import Ge, Le
from pydantic import Field, PlainSerializer, TypeAdapter
from pydantic.json_schema import GenerateJsonSchema
from pydantic_core import core_schema

from daq.quantity import Quantity

__all__ = [
    "Count",
    "FiniteOrNull",
    "Internal",
    "Magnitude",
    "Number",
    "NumberOf",
    "OrAbsent",
    "Share",
    "TextOrNull",
    "Unchecked",
    "Value",
    "as_json",
    "plain",
    "schema_of_type",
    "with_schema",
]


class Unchecked:
    """Marks a field that pydantic is to take as it is, such as a quantity."""

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: Any) -> core_schema.CoreSchema:
        return core_schema.any_schema()


_T = TypeVar("_T")
Internal = Annotated[_T, Unchecked, Field(exclude=True)]
OrAbsent = Annotated[_T | None, Field(exclude_if=lambda value: value is None)]
"""Of a key that is left out where there is nothing to say, and so is optional in the schema."""
Count = Annotated[int, Ge(0)]
Magnitude = Annotated[float, Ge(0)]
"""Of time or another magnitude, never below zero."""
Share = Annotated[float, Ge(0), Le(1)]
"""Of a whole [1]."""


@dataclass(frozen=True, slots=True)
class Value:
    """A value in its unit; null: not known."""

    value: float | None
    unit: str


@dataclass(frozen=True, slots=True)
class Number:
    """In its unit; u95 is its expanded uncertainty (k = 2, about 95 %); null: not known."""

    value: float | None
    u95: float | None
    unit: str

    @staticmethod
    def of(value: float, u95: float, unit: str) -> Number:
        """From floats; one that is not finite is not known.

        Parameters
        ----------
        value : float
            [unit]
        u95 : float
            Expanded uncertainty [unit].
        unit : str
            Empty for none.
        """
        known = math.isfinite(value)
        return Number(value if known else None, u95 if known and math.isfinite(u95) else None, unit)

    def times(self, factor: float, unit: str) -> Number:
        """In another unit."""
        value, u95 = (None if x is None else factor * x for x in (self.value, self.u95))
        return Number(value, u95, unit)

    @staticmethod
    def of_quantity(quantity: Quantity, unit: str = "") -> Number:
        """The first element of a quantity, in its own unit unless another is said; no U where it is zero."""
        u95 = plain(quantity.u95)
        return Number.of(plain(quantity.value), u95 if u95 > 0.0 else math.nan, unit or quantity.unit or "1")


def plain(value: Any) -> float:
    """The number in a scalar, or the first of an array."""
    return float(np.asarray(value).reshape(-1)[0])


NumberOf = Annotated[Quantity, Unchecked, PlainSerializer(Number.of_quantity, return_type=Number)]
"""A scalar quantity that JSON has as a `Number`."""
FiniteOrNull = Annotated[
    float, PlainSerializer(lambda x: x if math.isfinite(x) else None, return_type=float | None)
]
TextOrNull = Annotated[str, PlainSerializer(lambda text: text or None, return_type=str | None)]
"""A text that is null where it is empty."""


class _Schema(GenerateJsonSchema):
    """Without titles that only repeat the names."""

    def field_title_should_be_set(self, schema: Any) -> bool:
        """See `GenerateJsonSchema`."""
        return False

    def field_is_required(self, field: Any, total: bool) -> bool:
        """See `GenerateJsonSchema`; a field's default is no reason to leave its key out."""
        return field.get("serialization_exclude_if") is None


_adapter: Callable[[Any], TypeAdapter[Any]] = cache(TypeAdapter)


def as_json(result: Any) -> Any:
    """A result, or a list or dictionary of some, as `json.dumps` takes it."""
    if isinstance(result, list | tuple):
        return [as_json(r) for r in result]
    if isinstance(result, dict):
        return {k: as_json(v) for k, v in result.items()}
    return _adapter(type(result)).dump_python(result, mode="json", by_alias=True)


def with_schema(result: Any, tag: str) -> dict[str, Any]:
    """A result for JSON; `schema` names its version, as ``lyewatch.leak/1``."""
    return {"schema": tag, **as_json(result)}


def schema_of_type(kind: type[Any], tag: str) -> dict[str, Any]:
    """The JSON Schema of what `with_schema` gives of such a result.

    What a type says of itself, its first paragraph, is the description.
    """
    name, version = tag.removeprefix("lyewatch.").split("/")
    body = _adapter(kind).json_schema(mode="serialization", by_alias=True, schema_generator=_Schema)
    for part in (body, *body.get("$defs", {}).values()):
        part.pop("title", None)
        if "description" in part:
            part["description"] = " ".join(part["description"].split("\n\n")[0].split())
        for known in part.get("properties", {}).values():
            known.pop("default", None)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:lyewatch:{name}:{version}",
        **body,
        "title": tag,
        "properties": {"schema": {"const": tag}, **body["properties"]},
        "required": ["schema", *body["required"]],
    }
