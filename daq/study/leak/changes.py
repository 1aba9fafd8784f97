"""What moving, shrinking or sealing the openings of a stack would gain, and what each holds for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field

from daq.bench import Bench, GeometrySpec, PortSpec, SlotSpec
from daq.study.leak.predict import Conditions, Prediction, geometry_of, inputs_of, predicted
from daq.study.render import NumberOf

__all__ = ["Variant", "not_to_be_had", "variants"]


@dataclass(frozen=True, slots=True)
class Variant:
    """A change to the geometry, and what it would give."""

    name: Annotated[str, Field(serialization_alias="change")]
    words: str
    leak: NumberOf
    """Mean leak current per cell then [A]."""
    saves: NumberOf
    """Leak current less [A]."""
    gains: Annotated[NumberOf | None, Field(serialization_alias="gas_gained")]
    """Gas more, as a share of the present gas [1]."""
    limits: tuple[str, ...]


def variants(bench: Bench, conditions: Conditions) -> tuple[Prediction, list[Variant]]:
    """The leak as it is, and what moving, shrinking or sealing the openings would give.

    Uncertainties of the savings count what both have in common once only.
    """
    geometry, inputs = geometry_of(bench), inputs_of(bench, conditions)
    now = predicted(bench, geometry, inputs)
    out = []
    for name, words, changed, limits in _changes(geometry):
        then = predicted(bench, changed, inputs)
        saves = now.leak - then.leak
        gains = None
        if now.lost_share is not None and then.lost_share is not None:
            gains = ((1.0 - then.lost_share) / (1.0 - now.lost_share) - 1.0).named("")
        out.append(Variant(name, words, then.leak, saves, gains, limits))
    return now, out


def not_to_be_had(bench: Bench) -> str:
    """Why moving the openings is not among the changes; empty where it is."""
    geometry = bench.stack.geometry
    if geometry is None or any(o.layout == "in line" for o in geometry.openings):
        return ""
    if not geometry.openings:
        return "moving openings: the plates have none"
    return "moving openings: they are offset from plate to plate already"


# -- what would change it ----------------------------------------------------------------------------------

_Kind = Literal["move", "shrink", "seal"]
_PASSAGE = (
    "gas and lye must still pass: too small an opening lets gas collect until the plates run dry and the "
    "stack overheats (common practice, no published source)"
)
_CHANGE_LIMITS: dict[_Kind, tuple[str, ...]] = {
    "move": (
        "holds where openings of neighbouring plates stand at least three widths apart (judgement)",
        "the uppermost openings must stay at the top of the wetted area, or gas collects above them",
    ),
    "shrink": (_PASSAGE, "below 2 mm the bubbles themselves can block an opening (judgement)"),
    "seal": (
        _PASSAGE,
        "a sealant must withstand hot lye; one that comes loose wanders into the hoses",
    ),
}


def _changes(geometry: GeometrySpec) -> list[tuple[str, str, GeometrySpec, tuple[str, ...]]]:
    out: list[tuple[str, str, GeometrySpec, tuple[str, ...]]] = []

    def each(change: Callable[[PortSpec | SlotSpec], dict[str, Any]]) -> GeometrySpec:
        return geometry.model_copy(
            update={
                "ports": tuple(p.model_copy(update=change(p)) for p in geometry.ports),
                "slots": tuple(s.model_copy(update=change(s)) for s in geometry.slots),
            }
        )

    if any(o.layout == "in line" for o in geometry.openings):
        moved = each(lambda _: {"layout": "offset"})
        out.append(("offset", "openings offset from plate to plate", moved, _CHANGE_LIMITS["move"]))
    if geometry.openings:
        out.append(("half width", "openings of half the width", each(_halved), _CHANGE_LIMITS["shrink"]))
        sealed = each(lambda o: {"sealed_fraction": tuple(0.5 + 0.5 * s for s in o.sealed_fraction)})
        out.append(("half sealed", "half of each opening sealed", sealed, _CHANGE_LIMITS["seal"]))
        if any(o.count > 1 for o in geometry.openings):
            fewer = each(lambda o: {"count": max(1, o.count // 2)})
            out.append(("half as many", "half as many openings", fewer, _CHANGE_LIMITS["seal"]))
    if geometry.manifold is not None:
        longer = geometry.manifold.model_copy(
            update={"branch_length_mm": 2.0 * geometry.manifold.branch_length_mm}
        )
        out.append(
            (
                "longer branches",
                "branches of the duct twice as long",
                geometry.model_copy(update={"manifold": longer}),
                ("a longer or narrower hose holds back gas and lye more",),
            )
        )
    return out


def _halved(opening: PortSpec | SlotSpec) -> dict[str, Any]:
    keys = ("diameter_mm",) if isinstance(opening, PortSpec) else ("width_mm", "height_mm")
    return {key: tuple(0.5 * w for w in getattr(opening, key)) for key in keys}
