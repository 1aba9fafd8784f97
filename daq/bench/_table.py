"""What every table of the bench file is made of."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["FieldName", "Finite", "Name", "NotNegative", "Positive", "Table"]

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False, strict=True)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False, strict=True)]
Finite = Annotated[float, Field(allow_inf_nan=False, strict=True)]
Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,31}$")]
# What a source calls a number.
FieldName = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_]{0,31}$")]


class Table(BaseModel):
    """A table: no key but those it names, and nothing changes after it was read."""

    model_config = ConfigDict(defer_build=True, extra="forbid", frozen=True, arbitrary_types_allowed=True)
