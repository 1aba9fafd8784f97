"""``[stack.geometry]``: the plates and their openings, as far as current can leak through them."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from daq.bench._table import NotNegative, Positive, Table

__all__ = ["GeometrySpec", "ManifoldSpec", "OpeningSpec", "PortSpec", "SlotSpec"]


def _listed(value: Any) -> Any:
    return value if isinstance(value, list | tuple) else (value,)


Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False, strict=True)]
GasShare = Annotated[float, Field(ge=0, le=0.6, allow_inf_nan=False, strict=True)]
EachPlate = Annotated[tuple[Positive, ...], Field(min_length=1), BeforeValidator(_listed)]
"""One number for all neutral plates, or a list with one for each, from the positive end."""
EachPlateShare = Annotated[tuple[Share, ...], Field(min_length=1), BeforeValidator(_listed)]


class OpeningSpec(Table):
    """What ports and slots have in common."""

    count: Annotated[int, Field(ge=1, le=100, strict=True)] = 1
    """Openings of this kind in each neutral plate."""
    layout: Literal["in line", "offset"]
    """Whether the openings of neighbouring plates face each other."""
    sealed_fraction: EachPlateShare = (0.0,)
    """Share of each opening's area that is closed [1]; 1 is a plate without it."""
    gas_share: GasShare = 0.0
    """Share of the opening that bubbles fill [1]; they carry no current."""

    def lists(self) -> dict[str, tuple[float, ...]]:
        """What may be given plate by plate, by key."""
        return {"sealed_fraction": self.sealed_fraction}


class PortSpec(OpeningSpec):
    """``[[stack.geometry.ports]]``: round holes through the neutral plates."""

    diameter_mm: EachPlate

    def lists(self) -> dict[str, tuple[float, ...]]:
        """What may be given plate by plate, by key."""
        return {"diameter_mm": self.diameter_mm, **super().lists()}


class SlotSpec(OpeningSpec):
    """``[[stack.geometry.slots]]``: rectangular openings through the neutral plates."""

    width_mm: EachPlate
    height_mm: EachPlate

    def lists(self) -> dict[str, tuple[float, ...]]:
        """What may be given plate by plate, by key."""
        return {"width_mm": self.width_mm, "height_mm": self.height_mm, **super().lists()}


class ManifoldSpec(Table):
    """``[stack.geometry.manifold]``: a hose from each gap into a common duct, beside the plates."""

    count: Annotated[int, Field(ge=1, le=10, strict=True)] = 1
    """Ducts alike, such as one for lye and one for gas."""
    branch_length_mm: Positive
    """From the gap to the duct [mm]."""
    branch_diameter_mm: Positive
    segment_length_mm: Positive
    """Of the duct, from one branch to the next [mm]."""
    segment_diameter_mm: Positive
    gas_share: GasShare = 0.0
    """Share of branch and duct that bubbles fill [1]."""


class GeometrySpec(Table):
    """``[stack.geometry]``: what the leak through the stack is predicted from."""

    plates: Annotated[int, Field(ge=2, le=2001, strict=True)]
    """All plates, powered ones included: ``cells + 1``, or more where groups stand in parallel."""
    plate_thickness_mm: Positive
    gap_mm: Positive
    """Distance between neighbouring plates [mm]."""
    ports: tuple[PortSpec, ...] = ()
    slots: tuple[SlotSpec, ...] = ()
    manifold: ManifoldSpec | None = None
    conductivity_s_cm: Annotated[float, Field(gt=0, le=5, strict=True)] | None = None
    """Of the lye, measured [S/cm]; KOH's is known from its concentration, NaOH's is not."""
    conductivity_temp_c: Annotated[float, Field(ge=0, le=100, strict=True)] = 25.0
    """Temperature at which it was measured [degC]; it is taken to rise by 2 % of that at 25 degC a kelvin."""
    conductivity_u_percent: NotNegative = 5.0
    """Its standard uncertainty [%]."""
    width_u_percent: NotNegative = 2.0
    """Standard uncertainty of the openings' and ducts' widths [%]: drilled and deburred holes (judgement)."""
    length_u_percent: NotNegative = 3.0
    """... of the plates' thickness and the ducts' lengths [%] (judgement)."""
    gap_u_percent: NotNegative = 5.0
    """... of the gap [%]: gaskets give way (judgement)."""
    sealed_u: NotNegative = 0.05
    """... of a sealed fraction between 0 and 1 [1]: judged by eye (judgement)."""

    @property
    def openings(self) -> tuple[PortSpec | SlotSpec, ...]:
        """Ports and slots."""
        return (*self.ports, *self.slots)

    @model_validator(mode="after")
    def _leads_somewhere(self) -> GeometrySpec:
        if not self.openings and self.manifold is None:
            raise ValueError(
                "no opening is given: add [[stack.geometry.ports]], [[stack.geometry.slots]] or "
                "[stack.geometry.manifold]"
            )
        return self

    def misfit(self, cells: int) -> str | None:
        """What does not fit a stack of `cells` gaps in series, as "key: what is wrong: what is right"."""
        place = "stack.geometry"
        if (self.plates - 1) % cells:
            return (
                f"{place}.plates: {self.plates} plates make {self.plates - 1} gaps, no multiple of {cells} "
                f"cells in series: write {cells + 1}, or with groups in parallel {2 * cells + 1}, "
                f"{3 * cells + 1} ..."
            )
        for kind, openings in (("ports", self.ports), ("slots", self.slots)):
            for i, opening in enumerate(openings):
                for key, values in opening.lists().items():
                    if len(values) not in (1, cells - 1):
                        return (
                            f"{place}.{kind}.{i}.{key}: {len(values)} numbers for {cells - 1} neutral plates"
                            ": write one number for all or one for each neutral plate of a group in series"
                        )
        return None
