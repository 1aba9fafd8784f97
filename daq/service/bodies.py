"""What requests carry."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from daq.measure import LyeEntry

__all__ = [
    "AcknowledgeBody",
    "AsideBody",
    "DescribeBody",
    "FillMarkBody",
    "FillStartBody",
    "FillStopBody",
    "LyeBody",
    "MarkBody",
    "RenameBody",
    "ResetBody",
    "ShelveBody",
    "StartBody",
    "TopUpBody",
    "TripBody",
    "WhoBody",
]

Who = Annotated[str, Field(min_length=1, max_length=80, description="the name of who does it")]
Words = Annotated[str, Field(max_length=500)]


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)


class WhoBody(_Body):
    """Who asks."""

    who: Who


class StartBody(_Body):
    """A run to start."""

    name: Annotated[str, Field(max_length=120)] = ""
    build: Annotated[str, Field(max_length=80)] = ""
    who: Annotated[str, Field(max_length=80)] = ""


class RenameBody(_Body):
    """A run's new name, build tag or note; what is not given stays."""

    name: Annotated[str, Field(min_length=1, max_length=120)] | None = None
    build: Annotated[str, Field(min_length=1, max_length=80)] | None = None
    note: Annotated[str, Field(max_length=4000)] | None = None
    who: Annotated[str, Field(max_length=80)] = ""


class DescribeBody(_Body):
    """What a build is, in words."""

    build: Annotated[str, Field(min_length=1, max_length=80)]
    description: Annotated[str, Field(max_length=4000)]
    who: Annotated[str, Field(max_length=80)] = ""


class MarkBody(_Body):
    """A note pinned to an instant; without `t_s` to now."""

    text: Annotated[str, Field(min_length=1, max_length=500)]
    t_s: Annotated[float, Field(ge=0, le=1e9)] | None = None
    who: Annotated[str, Field(max_length=80)] = ""


class AcknowledgeBody(WhoBody):
    """An acknowledgement: somebody has seen the alarm and takes it on."""

    note: Words = ""


class AsideBody(WhoBody):
    """An alarm put aside: by whom and why."""

    note: Annotated[str, Field(min_length=1, max_length=500, description="why")]


class TopUpBody(WhoBody):
    """Water added to the lye of the run that is being recorded."""

    millilitres: Annotated[float, Field(gt=0, le=1e5)]
    millilitres_error: Annotated[float, Field(gt=0, le=1e5)] | None = None


class LyeBody(LyeEntry):
    """What was poured into the lye, drawn off it or measured of it; without `t_s` now."""

    who: Annotated[str, Field(max_length=80)] = ""
    t_s: Annotated[float, Field(ge=0, le=1e9)] | None = None


class ShelveBody(AsideBody):
    """An alarm put aside for a while."""

    minutes: Annotated[float, Field(gt=0, le=24 * 60)]


class TripBody(_Body):
    """Cut the supply; neither name nor reason is demanded, because it must not wait for typing."""

    who: Annotated[str, Field(max_length=80)] = ""
    reason: Words = ""


class ResetBody(WhoBody):
    """Give the supply back: who takes it on himself, why, and that the cause is gone."""

    reason: Annotated[str, Field(min_length=1, max_length=500)]
    cause_gone: Literal[True]


class FillStopBody(_Body):
    """A timed fill that ends now, with what was read at its end."""

    who: Annotated[str, Field(max_length=80)] = ""
    note: Words = ""
    volume_ml: Annotated[float, Field(gt=0, le=1e6)] | None = None
    gas_temp_c: Annotated[float, Field(ge=0, le=100)] | None = None
    head_mm: Annotated[float, Field(ge=-2000, le=2000)] | None = None


class FillStartBody(_Body):
    """A timed fill that begins now: what is known of the vessel."""

    who: Annotated[str, Field(max_length=80)] = ""
    note: Words = ""
    volume_ml: Annotated[float, Field(gt=0, le=1e6)]
    volume_error_ml: Annotated[float, Field(ge=0, le=1e5)] | None = None
    reaction_s: Annotated[float, Field(ge=0, le=60)] | None = None
    seal: Literal["water", "lye", "dry"] | None = None
    gas_temp_c: Annotated[float, Field(ge=0, le=100)] | None = None
    gas_temp_error_c: Annotated[float, Field(ge=0, le=50)] | None = None
    head_mm: Annotated[float, Field(ge=-2000, le=2000)] | None = None


class FillMarkBody(FillStartBody):
    """A timed fill of a run that is over, or of a while ago, marked on its trend."""

    from_s: Annotated[float, Field(ge=0, description="the run's second at which the vessel began to fill")]
    to_s: Annotated[float, Field(gt=0, description="the run's second at which it was full")]
