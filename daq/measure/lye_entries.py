"""What a person says of the lye during a run: what was poured in, and what was measured.

An entry is data of a mark, never read out of the words of a note: "topped up 200 mL" typed as a note says
nothing of whether it was water, and how well the 200 are known.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Final, Literal, Protocol
from uuid import uuid4

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from daq.errors import PhysicsRangeError, UsageError
from daq.physics.lye import Electrolyte, lye_density_kg_m3, mass_fraction_from_density
from daq.physics.lye_balance import FILLED_AT_C, Innovation, LyeBalance

__all__ = ["LYE_MARKS", "LyeEntry", "Marked", "apply_entry", "entries_of", "entry_of", "mark_kind", "mark_of"]

LYE_MARKS: Final = ("top_up", "lye")
"""Kinds of a mark that carries an entry."""
_SQRT3 = math.sqrt(3.0)

Finite = Annotated[float, Field(allow_inf_nan=False)]
Above = Annotated[float, Field(gt=0, le=1e6, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, lt=0.6, allow_inf_nan=False)]


class LyeEntry(BaseModel):
    """One entry. Every `..._error` is a limit of error: half the width within which the truth lies.

    Which of the numbers are needed depends on `what`:

    * ``top_up``: `millilitres` or `grams` poured in, of water, or of lye with a `mass_fraction`.
    * ``drawn_off``: `millilitres` or `grams` of the lye as it is taken out for good.
    * ``strength``: a `mass_fraction`, as a refractometer tells it.
    * ``density``: `density_kg_m3` at `temp_c`, as a hydrometer tells it.
    * ``level``: all the lye in `litres`; or `below_start_ml`, how much is wanting to the mark of the start.
    * ``filled``: emptied and filled anew with `litres` of a `mass_fraction`.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    what: Literal["top_up", "drawn_off", "strength", "density", "level", "filled"]
    millilitres: Above | None = None
    millilitres_error: Above | None = None
    grams: Above | None = None
    grams_error: Above | None = None
    mass_fraction: Share | None = None
    mass_fraction_error: Annotated[float, Field(gt=0, lt=0.5)] | None = None
    density_kg_m3: Annotated[float, Field(ge=900, le=1700)] | None = None
    density_error: Above | None = None
    temp_c: Annotated[float, Field(ge=4, le=95)] | None = None
    temp_error_c: Annotated[float, Field(gt=0, le=50)] | None = None
    litres: Above | None = None
    litres_error: Above | None = None
    below_start_ml: Annotated[float, Field(ge=-1e6, le=1e6)] | None = None
    below_start_error: Above | None = None

    @model_validator(mode="after")
    def _whole(self) -> LyeEntry:
        given = {k for k in LyeEntry.model_fields if k != "what" and getattr(self, k) is not None}
        of, needs = _NEEDS[self.what]
        if not any(given >= set(some) for some in needs):
            wanted = " or ".join(" and ".join(some) for some in needs)
            raise ValueError(f"{self.what} needs {wanted}")
        if len([n for n in ("millilitres", "grams") if n in given]) > 1:
            raise ValueError("give millilitres or grams, not both")
        if len([n for n in ("litres", "below_start_ml") if n in given]) > 1:
            raise ValueError("give litres or below_start_ml, not both")
        if stray := sorted(given - set(of)):
            raise ValueError(f"{', '.join(stray)} does not belong to {self.what}: leave it out")
        return self

    @property
    def words(self) -> str:
        """In plain words, for the mark."""
        e = self
        if e.what in ("top_up", "drawn_off"):
            amount = (
                f"{e.millilitres:g} ± {self.amount_error:.3g} mL"
                if e.millilitres is not None
                else f"{e.grams:g} ± {self.amount_error:.3g} g"
            )
            if e.what == "drawn_off":
                return f"Drawn off {amount} of lye"
            of = f"lye of {100.0 * e.mass_fraction:g} % by mass" if e.mass_fraction else "water"
            return f"Topped up {amount} of {of}"
        if e.what == "strength":
            return f"Lye measured: {_percent(e.mass_fraction)} ± {_percent(self.fraction_error)} by mass"
        if e.what == "density":
            return (
                f"Lye measured: {e.density_kg_m3:g} ± {e.density_error or DENSITY_ERROR:g} kg/m³ at "
                f"{self.at_c:g} °C"
            )
        if e.what == "level":
            if e.litres is not None:
                return f"Lye level: {e.litres:g} ± {e.litres_error or LEVEL_ERROR_L:g} L in all"
            error = e.below_start_error or 1e3 * LEVEL_ERROR_L
            return f"Lye level: {e.below_start_ml:g} ± {error:g} mL below its start"
        return f"Filled anew: {e.litres:g} L of {_percent(e.mass_fraction)} by mass"

    @property
    def amount_error(self) -> float:
        """Limit of error of what was poured in or drawn off, in its own unit."""
        if self.millilitres is not None:
            return self.millilitres_error or max(5.0, 0.03 * self.millilitres)
        return self.grams_error or max(1.0, 0.005 * (self.grams or 0.0))

    @property
    def fraction_error(self) -> float:
        """Limit of error of the mass fraction [1]."""
        return self.mass_fraction_error or FRACTION_ERROR

    @property
    def at_c(self) -> float:
        """Temperature at which it was measured [degC]."""
        return FILLED_AT_C if self.temp_c is None else self.temp_c


DENSITY_ERROR, FRACTION_ERROR, LEVEL_ERROR_L, TEMP_ERROR_C = 4.0, 0.01, 0.02, 1.0
"""Limits of error where none is given: a hydrometer's, a refractometer's, a ruler's at a reservoir, a
thermometer's (judgement)."""

_NEEDS: Final[dict[str, tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]]] = {
    "top_up": (
        ("millilitres", "millilitres_error", "grams", "grams_error", "mass_fraction", "mass_fraction_error"),
        (("millilitres",), ("grams",)),
    ),
    "drawn_off": (
        ("millilitres", "millilitres_error", "grams", "grams_error"),
        (("millilitres",), ("grams",)),
    ),
    "strength": (("mass_fraction", "mass_fraction_error"), (("mass_fraction",),)),
    "density": (("density_kg_m3", "density_error", "temp_c", "temp_error_c"), (("density_kg_m3", "temp_c"),)),
    "level": (
        ("litres", "litres_error", "below_start_ml", "below_start_error", "temp_c"),
        (("litres",), ("below_start_ml",)),
    ),
    "filled": (
        ("litres", "litres_error", "mass_fraction", "mass_fraction_error"),
        (("litres", "mass_fraction"),),
    ),
}
"""What each may say, and what it must."""


def entry_of(body: Mapping[str, Any], electrolyte: Electrolyte = "KOH", *, place: str = "lye") -> LyeEntry:
    """An entry from what was said.

    Parameters
    ----------
    body : mapping of str to object
        Fields of `LyeEntry`; an `id` beside them is passed over.
    electrolyte : {"KOH", "NaOH"}
        What the bench runs on, for the range of densities and mass fractions.
    place : str
        Where it was said, for the message.

    Raises
    ------
    UsageError
        Naming what is missing, too much, or can not be.
    """
    try:
        entry = LyeEntry.model_validate({k: v for k, v in body.items() if k != "id"})
    except ValidationError as exc:
        first = exc.errors()[0]
        where = ".".join(str(p) for p in first["loc"])
        raise UsageError(
            first["msg"].removeprefix("Value error, "),
            place=f"{place}: {where}" if where else place,
            remedy="`lyewatch lye --help` shows each kind of entry",
        ) from None
    try:
        if entry.density_kg_m3 is not None:
            mass_fraction_from_density(entry.at_c, entry.density_kg_m3, electrolyte)
        if entry.mass_fraction is not None:
            lye_density_kg_m3(FILLED_AT_C, entry.mass_fraction, electrolyte)
    except PhysicsRangeError as exc:
        raise UsageError(
            f"no {electrolyte} of a published strength is meant by it: {exc.message}",
            place=place,
            value=entry.density_kg_m3 or entry.mass_fraction,
            remedy="density is in kg/m³ (1.185 on a hydrometer is 1185), a mass fraction is 0.2 for 20 %",
        ) from None
    return entry


def mark_kind(entry: LyeEntry) -> str:
    """The kind of the mark that carries it."""
    return "top_up" if entry.what in ("top_up", "drawn_off", "filled") else "lye"


def mark_of(entry: LyeEntry) -> dict[str, Any]:
    """Kind, words and data of the mark that carries an entry; its id tells it from others that say the
    same."""
    data = {"id": uuid4().hex, **entry.model_dump(include=set(LyeEntry.model_fields), exclude_none=True)}
    return {"kind": mark_kind(entry), "text": entry.words, "data": data}


class Marked(Protocol):
    """A mark, as far as it matters here."""

    @property
    def t_ns(self) -> int:
        """Its time in the run [ns]."""

    @property
    def kind(self) -> str:
        """What kind of mark."""

    @property
    def data(self) -> Mapping[str, Any] | None:
        """What it carries beside its words."""


def entries_of(marks: Iterable[Marked], electrolyte: Electrolyte = "KOH") -> tuple[tuple[int, LyeEntry], ...]:
    """The entries among marks, with their times [ns], in order of time; what can not be read is left out."""
    found = []
    for mark in marks:
        if mark.kind in LYE_MARKS and mark.data:
            try:
                found.append((mark.t_ns, entry_of(mark.data, electrolyte)))
            except UsageError:
                continue
    return tuple(sorted(found, key=lambda e: e[0]))


def apply_entry(balance: LyeBalance, entry: LyeEntry, lye_c: float | None = None) -> Innovation | None:
    """Take an entry into the balance; what a measurement said beside what was expected.

    Parameters
    ----------
    balance : LyeBalance
    entry : LyeEntry
    lye_c : float, optional
        Temperature of the lye [degC], for a level that says none.
    """
    e, of = entry, balance.electrolyte
    if e.what in ("top_up", "drawn_off"):
        error = e.amount_error / _SQRT3
        strength = float(balance.mass_fraction.value) if e.what == "drawn_off" else e.mass_fraction or 0.0
        if e.millilitres is not None:
            kg_ml = 1e-6 * _density(FILLED_AT_C, strength, of)
            kg, kg_u = e.millilitres * kg_ml, error * kg_ml
        else:
            kg, kg_u = 1e-3 * (e.grams or 0.0), 1e-3 * error
        if e.what == "drawn_off":
            balance.draw_off(kg, kg_u)
        else:
            balance.top_up(kg, kg_u, strength, e.fraction_error / _SQRT3 if strength else 0.0)
        return None
    if e.what == "strength":
        assert e.mass_fraction is not None
        return balance.measured_fraction(e.mass_fraction, e.fraction_error / _SQRT3)
    if e.what == "density":
        assert e.density_kg_m3 is not None
        return balance.measured_density(
            e.density_kg_m3,
            (e.density_error or DENSITY_ERROR) / _SQRT3,
            e.at_c,
            (e.temp_error_c or TEMP_ERROR_C) / _SQRT3,
        )
    if e.what == "level":
        at = e.temp_c if e.temp_c is not None else FILLED_AT_C if lye_c is None else lye_c
        if e.litres is not None:
            return balance.measured_litres(e.litres, (e.litres_error or LEVEL_ERROR_L) / _SQRT3, at)
        assert e.below_start_ml is not None
        return balance.measured_below_start(
            e.below_start_ml, (e.below_start_error or 1e3 * LEVEL_ERROR_L) / _SQRT3, at
        )
    assert e.litres is not None
    assert e.mass_fraction is not None
    balance.fill(
        e.litres, (e.litres_error or 0.035 * e.litres) / _SQRT3, e.mass_fraction, e.fraction_error / _SQRT3
    )
    return None


def _density(t_c: float, w: float, electrolyte: Electrolyte) -> float:
    return float(np.asarray(lye_density_kg_m3(t_c, w, electrolyte, outside="nan")))


def _percent(share: float | None) -> str:
    return "?" if share is None else f"{100.0 * share:.3g} %"
