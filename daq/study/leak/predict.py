"""The leak of a stack, predicted from its geometry."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Annotated, TypeVar

import numpy as np
from pydantic import Field, PlainSerializer

from daq.bench import Bench, GeometrySpec, PortSpec, SlotSpec
from daq.errors import BenchFileError, PhysicsRangeError, UsageError
from daq.measure import FloatArray
from daq.physics.conductivity import bubble_factor, conductivity_gilliam_s_cm
from daq.physics.constants import FARADAY, MIXED_GAS_PER_ELECTRON
from daq.physics.leak_network import LeakCurrents, LeakNetwork
from daq.physics.leak_path import access_resistance_ohm, channel_resistance_ohm, slot_resistance_ohm
from daq.physics.reference import reference_condition
from daq.quantity import Quantity, propagate
from daq.study.render import Count, Internal, NumberOf, Unchecked

__all__ = ["LIMITS", "Conditions", "Prediction", "lye_conductivity", "predict"]

ACCESS_U, ACCESS_U_NARROW = 0.15, 0.30
"""Standard uncertainty of access resistances, as a share: their half-spaces end at the next plate. The
larger one where the gap is narrower than the opening (judgement)."""
BUBBLE_U = 0.3
"""Standard uncertainty of the bubbles' share, as a share of it (judgement)."""
GAP_DROP_U = 0.3
"""Standard uncertainty of the ohmic drop in a gap, as a share of it: bubbles in it (judgement)."""
CORRELATION_U = 0.03 / math.sqrt(3.0)
"""Standard uncertainty of KOH's conductivity, as a share: two published correlations agree within 3 %."""
KAPPA_PER_K = 0.02
"""Rise of a measured conductivity with temperature, as a share of that at 25 degC [1/K] (common practice)."""

LIMITS = (
    (
        "Each opening is taken as standing between two half-spaces of lye; a gap narrower than the opening "
        "changes its access resistance either way, which the wider U there allows for."
    ),
    (
        "The voltage across each plate is the cell's less the ohmic drop in the gap; near an opening the "
        "plates polarise less, so this is rather an upper bound."
    ),
    "Bubbles are counted only as gas_share says; more of them leak less.",
    "Current round the plates' outer edges, as of plates hung in an open bath, is not counted.",
    (
        "U counts widths, lengths, gap and seals as off alike in all plates, by what [stack.geometry] says "
        "(width_u_percent and so on); plates that differ among themselves are given as lists."
    ),
)


_Each = TypeVar("_Each", "PlateAmount", "GapAmount")


@dataclass(frozen=True, slots=True)
class Conditions:
    """At which the leak is asked for.

    Attributes
    ----------
    words : str
        Where these come from.
    volts : Quantity
        Across the stack [V].
    amps : Quantity or None
        Of the stack [A]; without it no share of the current can be given, and the drop in the gaps is left
        out.
    lye_temp : Quantity
        [degC]
    strength : Quantity or None
        Mass fraction of the lye [1]; None for that of the bench file.
    """

    words: Annotated[str, Field(serialization_alias="from")]
    volts: NumberOf
    amps: NumberOf | None
    lye_temp: NumberOf
    strength: Internal[Quantity | None] = None


@dataclass(frozen=True, slots=True)
class Inputs:
    """What the prediction depends on, each with its uncertainty, made once so that variants share them."""

    cell_volts: Quantity
    amps: Quantity | float
    kappa: Quantity
    access: Quantity
    size: Quantity
    length: Quantity
    gap: Quantity
    sealed: Quantity
    bubbles: Quantity
    drop: Quantity
    has_amps: bool

    def all(self) -> tuple[Quantity | float, ...]:
        return (
            self.cell_volts,
            self.amps,
            self.kappa,
            self.access,
            self.size,
            self.length,
            self.gap,
            self.sealed,
            self.bubbles,
            self.drop,
        )


@dataclass(frozen=True, slots=True)
class PlateAmount:
    """Of one neutral plate, counted from the positive end, with its expanded uncertainty."""

    plate: Count
    value: float
    u95: float
    unit: str = "A"


@dataclass(frozen=True, slots=True)
class GapAmount:
    """Of one gap, counted from the positive end, with its expanded uncertainty."""

    gap: Count
    value: float
    u95: float
    unit: str = "A"


def _of_each(quantity: Quantity, kind: type[_Each]) -> list[_Each]:
    pairs = zip(np.asarray(quantity.value).tolist(), np.asarray(quantity.u95).tolist(), strict=True)
    return [kind(k, v, u) for k, (v, u) in enumerate(pairs, start=1)]


@dataclass(frozen=True, slots=True)
class Prediction:
    """What leaks.

    Attributes
    ----------
    leak : Quantity
        Mean leak current per cell, as `leak_amps` of a run [A].
    past : Quantity
        Current that passes each neutral plate, summed over groups in parallel; array (cells - 1,) [A].
    by_gap : Quantity
        Current that makes no gas in each gap, half of what passes the plate on either side; array (cells,)
        [A].
    lost_gas : Quantity
        Dry gas not made, at the bench's reference [L/min].
    heat : Quantity
        [W]
    lost_share : Quantity or None
        Share of the gas [1]; None where the current is not known.
    kappa : Quantity
        Conductivity of the lye, free of bubbles [S/cm].
    step_volts : Quantity
        Mean voltage that drives the leak past a plate [V].
    """

    leak: NumberOf
    lost_gas: NumberOf
    lost_share: NumberOf | None
    heat: NumberOf
    kappa: Annotated[NumberOf, Field(serialization_alias="conductivity")]
    step_volts: Annotated[NumberOf, Field(serialization_alias="driving_volts")]
    past: Annotated[
        Quantity,
        Unchecked,
        PlainSerializer(lambda q: _of_each(q, PlateAmount), return_type=list[PlateAmount]),
        Field(serialization_alias="past_each_plate"),
    ]
    by_gap: Annotated[
        Quantity, Unchecked, PlainSerializer(lambda q: _of_each(q, GapAmount), return_type=list[GapAmount])
    ]
    limits: tuple[str, ...] = LIMITS


def lye_conductivity(bench: Bench, lye_temp: Quantity, strength: Quantity | None = None) -> Quantity:
    """Conductivity of the bench's lye without bubbles [S/cm].

    Parameters
    ----------
    bench : Bench
    lye_temp : Quantity
        Lye temperature [degC], 0 to 100.
    strength : Quantity, optional
        Mass fraction [1]; None takes what the bench file states.

    Raises
    ------
    BenchFileError
        For NaOH where the bench file gives no measured conductivity.
    """
    stack, geometry = bench.stack, bench.stack.geometry
    measured = None if geometry is None else geometry.conductivity_s_cm
    if geometry is not None and measured is not None:
        at = geometry.conductivity_temp_c

        def warmed(kappa: float, t_c: float) -> float:
            # linear in temperature, as conductivities are usually quoted
            return kappa * (1.0 + KAPPA_PER_K * (t_c - 25.0)) / (1.0 + KAPPA_PER_K * (at - 25.0))

        given = Quantity(
            measured, 0.01 * geometry.conductivity_u_percent * measured, "S/cm", label="conductivity"
        )
        found = propagate(warmed, given, lye_temp, unit="S/cm")
        if strength is None or stack.electrolyte != "KOH":
            return found
        # What was measured was the lye of the bench file's strength.
        stated = conductivity_gilliam_s_cm(
            float(np.asarray(lye_temp.value).reshape(-1)[0]), stack.mass_fraction
        )
        now = propagate(
            conductivity_gilliam_s_cm, float(np.asarray(lye_temp.value).reshape(-1)[0]), strength, unit=""
        )
        return (found * now * (1.0 / float(stated))).named("S/cm")
    if stack.electrolyte != "KOH":
        raise BenchFileError(
            "the conductivity of NaOH is not known from its concentration well enough",
            place=f"{bench.path}: stack.geometry.conductivity_s_cm",
            remedy="measure it and write it there, with conductivity_temp_c",
        )
    share = Quantity(stack.mass_fraction, stack.mass_fraction_u, "", label="lye strength")
    share = share if strength is None else strength
    spread = Quantity(1.0, CORRELATION_U, "", label="conductivity")
    return (propagate(conductivity_gilliam_s_cm, lye_temp, share, unit="S/cm") * spread).named("S/cm")


def predict(bench: Bench, conditions: Conditions) -> Prediction:
    """The leak of the bench's stack as it is.

    Raises
    ------
    BenchFileError
        When the bench file has no ``[stack.geometry]``.
    UsageError
        For conditions beyond what the equations hold for.
    """
    return predicted(bench, geometry_of(bench), inputs_of(bench, conditions))


# -- parts -------------------------------------------------------------------------------------------------


def geometry_of(bench: Bench) -> GeometrySpec:
    if bench.stack.geometry is None:
        raise BenchFileError(
            "is missing",
            place=f"{bench.path}: stack.geometry",
            remedy="add [stack.geometry] with plates, plate_thickness_mm, gap_mm and "
            "[[stack.geometry.ports]]; `lyewatch check --example` shows one",
        )
    if bench.stack.cells < 2:
        raise UsageError(
            "one gap between powered plates has no neutral plate to leak past",
            place=f"{bench.path}: stack.cells",
            value=bench.stack.cells,
        )
    return bench.stack.geometry


def inputs_of(bench: Bench, conditions: Conditions) -> Inputs:
    geometry = geometry_of(bench)
    narrow = any(w > geometry.gap_mm for opening in geometry.openings for w in _widths(opening))
    u = ACCESS_U_NARROW if narrow else ACCESS_U
    return Inputs(
        cell_volts=conditions.volts * (1.0 / bench.stack.cells),
        amps=1.0 if conditions.amps is None else conditions.amps,
        kappa=lye_conductivity(bench, conditions.lye_temp, conditions.strength),
        access=Quantity(1.0, u, "", label="access to the openings"),
        size=Quantity(1.0, 0.01 * geometry.width_u_percent, "", label="size of the openings"),
        length=Quantity(1.0, 0.01 * geometry.length_u_percent, "", label="thickness and lengths"),
        gap=Quantity(1.0, 0.01 * geometry.gap_u_percent, "", label="gap"),
        sealed=Quantity(0.0, geometry.sealed_u, "", label="sealed fraction"),
        bubbles=Quantity(1.0, BUBBLE_U, "", label="bubbles"),
        drop=Quantity(1.0 if conditions.amps is not None else 0.0, GAP_DROP_U, "", label="drop in the gap"),
        has_amps=conditions.amps is not None,
    )


def _widths(opening: PortSpec | SlotSpec) -> tuple[float, ...]:
    if isinstance(opening, PortSpec):
        return opening.diameter_mm
    pairs = zip(_each(opening.width_mm, 99), _each(opening.height_mm, 99), strict=False)
    return tuple(min(pair) for pair in pairs)


def predicted(bench: Bench, geometry: GeometrySpec, inputs: Inputs) -> Prediction:
    """The leak of a stack of that geometry.

    Parameters
    ----------
    bench : Bench
    geometry : GeometrySpec
        In place of the bench file's.
    inputs : Inputs
    """
    cells = bench.stack.cells
    groups = (geometry.plates - 1) // cells
    solve = partial(_solved, bench, geometry, groups)

    def ask(what: Callable[[LeakCurrents], float | FloatArray], unit: str) -> Quantity:
        return propagate(lambda *x: what(solve(*x)), *inputs.all(), unit=unit)

    past = ask(lambda c: groups * c.past_a, "A")
    leak = ask(lambda c: groups * float(c.past_a.sum()) / cells, "A")
    to_lpm = 60.0 * cells * MIXED_GAS_PER_ELECTRON / FARADAY
    litres = reference_condition(bench.site.reference).molar_volume_l
    return Prediction(
        leak=leak,
        past=past,
        by_gap=ask(lambda c: groups * _halves(c.past_a), "A"),
        lost_gas=(leak * (to_lpm * litres)).named("L/min"),
        heat=ask(lambda c: groups * c.lost_w, "W"),
        lost_share=ask(lambda c: c.lost_fraction, "") if inputs.has_amps else None,
        kappa=inputs.kappa,
        step_volts=ask(lambda c: float(c.step_volts.mean()), "V"),
    )


def _solved(
    bench: Bench,
    geometry: GeometrySpec,
    groups: int,
    cell_volts: float,
    amps: float,
    kappa: float,
    access: float,
    size: float,
    length: float,
    gap: float,
    sealed: float,
    bubbles: float,
    drop: float,
) -> LeakCurrents:
    """The currents of one group in series."""
    network = network_of(bench, geometry, kappa, access, size, length, gap, sealed, bubbles)
    per_group = amps / groups
    gap_ohm = drop * gap_ohm_of(bench, gap * geometry.gap_mm, kappa)
    try:
        # An opening stands in the plate and not in the gap: what drives its leak is the cell's voltage less
        # the drop in the lye.
        return network.solve(cell_volts - gap_ohm * per_group, per_group)
    except PhysicsRangeError as exc:
        raise UsageError(
            f"the leak can not be worked out: {exc}",
            place="lyewatch leak",
            remedy="check volts, amps and the geometry",
        ) from None


def gap_ohm_of(bench: Bench, gap_mm: float, kappa: float) -> float:
    """Resistance of the lye between two plates [ohm].

    Parameters
    ----------
    bench : Bench
        Its plates' area counts.
    gap_mm : float
        Distance of the plates, above 0 [mm].
    kappa : float
        Conductivity of the lye, above 0 [S/cm].
    """
    return 0.01 * gap_mm * 10.0 / (kappa * bench.stack.plate_area_cm2)


def network_of(
    bench: Bench,
    geometry: GeometrySpec,
    kappa: float,
    access: float,
    size: float,
    length: float,
    gap: float,
    sealed: float,
    bubbles: float,
) -> LeakNetwork:
    """The paths past the plates of one group in series.

    Parameters
    ----------
    bench : Bench
    geometry : GeometrySpec
    kappa, access, size, length, gap, sealed, bubbles : float
        Values of the `Inputs` of those names.
    """
    network = LeakNetwork(bench.stack.cells)
    thickness, gap_mm = length * geometry.plate_thickness_mm, gap * geometry.gap_mm
    for opening in geometry.openings:
        _add(network, opening, thickness, gap_mm, kappa, access, size, sealed, bubbles)
    duct = geometry.manifold
    if duct is not None:
        k = kappa * _clear(duct.gas_share * bubbles)
        width, wide = duct.branch_diameter_mm * size, duct.segment_diameter_mm * size
        branch = _channel(
            length * duct.branch_length_mm, 0.25 * math.pi * width**2, k
        ) + 2.0 * access * float(access_resistance_ohm(width, k))
        segment = _channel(length * duct.segment_length_mm, 0.25 * math.pi * wide**2, k)
        network.duct(branch / duct.count, segment / duct.count)
    return network


def _add(
    network: LeakNetwork,
    opening: PortSpec | SlotSpec,
    thickness_mm: float,
    gap_mm: float,
    kappa: float,
    access: float,
    size: float,
    sealed_more: float,
    bubbles: float,
) -> None:
    """All openings of one kind: alike in a plate, so they stand as one with a part of the resistance."""
    steps = network.cells - 1
    k = kappa * _clear(opening.gas_share * bubbles)
    # What is open or shut is known to be; what is partly sealed is judged by eye.
    sealed = [
        min(max(s + sealed_more, 0.0), 1.0) if 0.0 < s < 1.0 else s
        for s in _each(opening.sealed_fraction, steps)
    ]
    shrunk = [size * math.sqrt(1.0 - s) for s in sealed]
    channel, mouth, area = [], [], []
    for i, scale in enumerate(shrunk):
        if scale == 0.0:
            channel.append(math.inf)
            mouth.append(math.inf)
            area.append(0.0)
            continue
        if isinstance(opening, PortSpec):
            width = scale * _each(opening.diameter_mm, steps)[i]
            area.append(0.25 * math.pi * width**2)
            into = float(access_resistance_ohm(width, k))
        else:
            w, h = (scale * _each(v, steps)[i] for v in (opening.width_mm, opening.height_mm))
            area.append(w * h)
            into = 0.5 * float(slot_resistance_ohm(0.0, w, h, k))
        channel.append(_channel(thickness_mm, area[-1], k) / opening.count)
        mouth.append(access * into / opening.count)
    column = None
    if opening.layout == "in line":
        column = [
            _channel(gap_mm, min(a, b), k) / opening.count if min(a, b) > 0.0 else math.inf
            for a, b in itertools.pairwise(area)
        ]
    network.openings(channel, mouth, column)


def _halves(past: FloatArray) -> FloatArray:
    """Of each gap: half of what passes the plate on either side."""
    padded = np.concatenate([[0.0], past, [0.0]])
    return np.asarray(0.5 * (padded[:-1] + padded[1:]))


def _channel(length_mm: float, area_mm2: float, kappa: float) -> float:
    return float(channel_resistance_ohm(length_mm, area_mm2, kappa))


def _clear(gas_share: float) -> float:
    return float(bubble_factor(min(gas_share, 0.6)))


def _each(values: Sequence[float], count: int) -> Sequence[float]:
    return values if len(values) == count else [values[0]] * count
