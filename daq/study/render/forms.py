"""The machine form of a study: its typed result as JSON, and the JSON Schema (draft 2020-12) of its type.

A result is a frozen dataclass. Its fields are the keys, in their order; a field that is called otherwise in
JSON has a serialization alias, one that readers of JSON do not need is `Unsaid`. Within a version keys are
only ever added: a reader must let pass what it does not know. A key that is taken away, or comes to mean
another thing, makes the next version.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Any, TypeVar

import numpy as np
from pydantic import ConfigDict, Field, PlainSerializer, TypeAdapter
from pydantic.json_schema import GenerateJsonSchema

from daq.quantity import Quantity
from daq.study.render.models import Count, Share

__all__ = [
    "FORM",
    "Amount",
    "AmountOf",
    "At",
    "Count",
    "Known",
    "Named",
    "NotNegative",
    "Share",
    "Unsaid",
    "amount",
    "form_of",
    "plain",
    "schema_from",
]

FORM = ConfigDict(arbitrary_types_allowed=True, json_schema_serialization_defaults_required=True)
"""For a result's `__pydantic_config__`: it may hold quantities and arrays."""

_T = TypeVar("_T")
Unsaid = Annotated[_T, Field(exclude=True)]
NotNegative = Annotated[float, Field(ge=0)]


@dataclass(frozen=True, slots=True)
class At:
    """A value in its unit; None where it is not known."""

    value: float | None
    unit: str


@dataclass(frozen=True, slots=True)
class Amount:
    """A value in its unit; u95 is its expanded uncertainty (k = 2, about 95 %); None: not known."""

    value: float | None
    u95: float | None
    unit: str


def plain(value: Any) -> float:
    """The number in a scalar, or in an array of one element."""
    return float(np.asarray(value).reshape(-1)[0])


def amount(quantity: Quantity) -> Amount:
    """A scalar quantity."""
    value, u95 = plain(quantity.value), plain(quantity.u95)
    known = math.isfinite(value)
    return Amount(
        value if known else None,
        u95 if known and math.isfinite(u95) and u95 > 0.0 else None,
        quantity.unit or "1",
    )


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


AmountOf = Annotated[Quantity, PlainSerializer(amount, return_type=Amount)]
"""A quantity that JSON says as an `Amount`."""
Known = Annotated[float, PlainSerializer(_known, return_type=float | None)]
"""A number that is null where it is not finite."""
Named = Annotated[str, PlainSerializer(lambda text: text or None, return_type=str | None)]
"""A text that is null where it is empty."""


class _Schema(GenerateJsonSchema):
    """Without titles that only repeat the names."""

    def field_title_should_be_set(self, schema: Any) -> bool:
        """See `GenerateJsonSchema`."""
        return False


_ADAPTERS: dict[type[Any], TypeAdapter[Any]] = {}


def _adapter(kind: type[Any]) -> TypeAdapter[Any]:
    if kind not in _ADAPTERS:
        _ADAPTERS[kind] = TypeAdapter(kind)
    return _ADAPTERS[kind]


def form_of(result: Any, tag: str) -> dict[str, Any]:
    """A result for JSON; `schema` names its version, as ``lyewatch.leak/1``."""
    body: dict[str, Any] = _adapter(type(result)).dump_python(result, mode="json", by_alias=True)
    return {"schema": tag, **body}


def schema_from(kind: type[Any], tag: str) -> dict[str, Any]:
    """The JSON Schema of what `form_of` gives of such a result."""
    name, version = tag.removeprefix("lyewatch.").split("/")
    body = _adapter(kind).json_schema(mode="serialization", by_alias=True, schema_generator=_Schema)
    for told in (body, *body.get("$defs", {}).values()):
        # Attributes stand at the keys, by their names and units.
        told["description"] = told.get("description", "").split("\n\n")[0]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:lyewatch:{name}:{version}",
        **body,
        "title": tag,
        "properties": {"schema": {"const": tag}, **body["properties"]},
        "required": ["schema", *body["required"]],
    }
