"""What the bench files of two builds' runs say otherwise, and what that does to the comparison."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from daq.physics.conductivity import conductivity_gilliam_s_cm
from daq.study.compare.bench_facts import METERS
from daq.study.compare.records import Group

__all__ = ["BenchDifference", "bench_differences", "differing_words"]


@dataclass(frozen=True, slots=True)
class BenchDifference:
    """One thing that the bench files say otherwise.

    Attributes
    ----------
    key : str
        Of the bench file; ``stack.lye`` for electrolyte and strength together.
    label : str
        In plain words.
    first, second : str
        What either build's runs had.
    effect : str
        What it does to the comparison.
    bears : bool
        Whether it bears on gas per watt.
    """

    key: str
    label: str
    first: str
    second: str
    effect: str
    bears: Annotated[bool, Field(serialization_alias="bears_on_gas_per_watt")]


def bench_differences(
    first: Group, second: Group, *, temp_c: float = math.nan, parts: Mapping[str, float] | None = None
) -> tuple[BenchDifference, ...]:
    """What the bench files of two groups of runs say otherwise.

    Parameters
    ----------
    first, second : Group
    temp_c : float
        Where the builds are compared [degC]; 25 where that is not known.
    parts : dict of str to float
        What each input's calibration gives the interval of gas per watt alone, as a half-width [1].
    """
    facts = [[r.facts for r in g.runs if r.facts] for g in (first, second)]
    if not all(facts):
        return ()
    at = temp_c if math.isfinite(temp_c) else 25.0
    out = []
    for key, label, words, effect, bears in _KINDS:
        mine, other = (_values(some, key) for some in facts)
        if mine == other:
            continue
        consequence = effect(mine, other, at)
        out.append(
            BenchDifference(key, label, _either(mine, words), _either(other, words), consequence, bears)
        )
    for name in METERS:
        key = f"channels.{name}"
        mine, other = (_values(some, key) for some in facts)
        if mine != other:
            effect_words = _meter_effect(name, parts or {})
            out.append(
                BenchDifference(
                    key, f"meter of {name}", _either(mine, str), _either(other, str), effect_words, True
                )
            )
    return tuple(out)


def differing_words(found: tuple[BenchDifference, ...]) -> str:
    """The things that bear on gas per watt, as a sentence; empty where there are none."""
    labels = list(dict.fromkeys(d.label for d in found if d.bears))
    if not labels:
        return ""
    listed = labels[0] if len(labels) == 1 else f"{', '.join(labels[:-1])} and {labels[-1]}"
    return f"The bench files differ in {listed}: what that does is said below."


# -- parts -------------------------------------------------------------------------------------------------

Value = str | float | None
Facts = Mapping[str, Value]


def _values(some: list[Facts], key: str) -> tuple[object, ...]:
    """Every value that the runs of a build have, sorted."""
    if key == "stack.lye":
        found = {(f.get("stack.mass_fraction"), f.get("stack.electrolyte")) for f in some}
        return tuple(sorted(found, key=str))
    return tuple(sorted({f.get(key) for f in some}, key=str))


def _either(values: tuple[object, ...], words: Callable[[object], str]) -> str:
    return " or ".join("not stated" if v is None else words(v) for v in values)


def _lye_words(value: object) -> str:
    share, name = value if isinstance(value, tuple) else (math.nan, "")
    return f"{100.0 * float(share):g} % {name}"


def _lye(mine: tuple[object, ...], other: tuple[object, ...], at: float) -> str:
    alike = {v[1] for some in (mine, other) for v in some if isinstance(v, tuple)} == {"KOH"}
    tail = (
        "Conductivity and volts follow it: that is taken out of the blocks by each one's own "
        "strength, uncertain "
        "by half."
        if alike
        else "Conductivity and volts follow it, and nothing takes that out: what differs may be the lye."
    )
    kappa = []
    for values in (mine, other):
        one = values[0]
        if len(values) == 1 and isinstance(one, tuple) and one[1] == "KOH":
            kappa.append(float(conductivity_gilliam_s_cm(at, float(one[0]), outside="nan")))
    if len(kappa) == 2 and all(math.isfinite(k) and k > 0.0 for k in kappa):
        change = 100.0 * (kappa[1] / kappa[0] - 1.0)
        side = "better" if change >= 0.0 else "worse"
        return f"At {at:.0f} °C the second's lye conducts {abs(change):.1f} % {side}. {tail}"
    return tail


def _cells(mine: tuple[object, ...], other: tuple[object, ...], at: float) -> str:
    return (
        "Gas and volts go with the cells alike, so gas per watt, Faradaic efficiency and volts per cell "
        "compare at one current density. Leak past the plates and heat do not: they are those of another "
        "stack."
    )


def _area(mine: tuple[object, ...], other: tuple[object, ...], at: float) -> str:
    words = "Builds are compared at one current density [mA/cm²], where that moved, and not at one current"
    if len(mine) == len(other) == 1:
        first, second = (float(str(v[0])) for v in (mine, other))
        return f"{words}: the second's current is then {second / first:.2f} times the first's."
    return f"{words}."


def _thermal(mine: tuple[object, ...], other: tuple[object, ...], at: float) -> str:
    return (
        "It warms at another rate, which the thermal resistance counts; gas per watt at one temperature does "
        "not go with it."
    )


def _supply(mine: tuple[object, ...], other: tuple[object, ...], at: float) -> str:
    return (
        "The builds ran at other volts or amps. Gas per watt falls as the current rises; that is adjusted "
        "for only where the current moved within the runs by itself."
    )


def _leads(mine: tuple[object, ...], other: tuple[object, ...], at: float) -> str:
    return (
        "Power and volts count from another point; what the leads take is taken off for each run as stated."
    )


def _meter(mine: tuple[object, ...], other: tuple[object, ...], at: float) -> str:
    return "The flow is worked out otherwise: the meters' errors do not cancel."


def _wet(mine: tuple[object, ...], other: tuple[object, ...], at: float) -> str:
    return "Another share of steam is taken off the flow; an error in that does not cancel."


def _site(mine: tuple[object, ...], other: tuple[object, ...], at: float) -> str:
    return (
        "Dry gas is reduced by each run's own pressure; where none is measured, the weather of a day does "
        "not cancel."
    )


def _meter_effect(name: str, parts: Mapping[str, float]) -> str:
    alone = math.sqrt(sum(p * p for label, p in parts.items() if label.split(":")[0] == name))
    if alone > 0.0:
        return (
            f"Its errors do not cancel: alone they make ± {100.0 * alone:.1f} % in gas per watt, and are "
            "counted."
        )
    return "Its errors do not cancel; of those that were stated none bears on gas per watt."


def _number(unit: str) -> Callable[[object], str]:
    return lambda value: f"{float(str(value)):g} {unit}".strip()


_Effect = Callable[[tuple[object, ...], tuple[object, ...], float], str]
_KINDS: tuple[tuple[str, str, Callable[[object], str], _Effect, bool], ...] = (
    ("stack.lye", "lye at the start", _lye_words, _lye, True),
    ("stack.cells", "cells", _number(""), _cells, True),
    ("stack.plate_area_cm2", "plate area", _number("cm²"), _area, True),
    ("stack.litres", "amount of lye at the start", _number("L"), _thermal, False),
    ("stack.steel_kg", "mass of plates", _number("kg"), _thermal, False),
    ("supply.mode", "supply's mode", str, _supply, True),
    ("supply.volts_set", "volts set", _number("V"), _supply, True),
    ("supply.amps_set", "amps set", _number("A"), _supply, True),
    ("supply.lead_milliohms", "leads", _number("mΩ"), _leads, True),
    ("gas.meter", "kind of flow meter", str, _meter, True),
    ("gas.scale_gas", "gas of the meter's scale", str, _meter, True),
    ("gas.meter_factor", "meter factor", _number(""), _meter, True),
    ("gas.wet_over", "last liquid before the meter", str, _wet, True),
    ("site.altitude_m", "altitude", _number("m"), _site, True),
    ("site.pressure_kpa", "stated pressure", _number("kPa"), _site, True),
)
