"""Current leakage: what flows past the plates, through their holes and along a common duct, and makes no gas.

Two pictures. *Port*: one hole through one plate, its resistance that of the channel and of the way into it on
both sides. *Ladder*: cells in series whose ports open into a common duct of lye, along which a part of the
current bypasses the plates.

Both are upper bounds: half-spaces of lye on either side of a hole, no bubbles in it unless counted.

References
----------
.. [1] J. E. Hall, J. Gen. Physiol. 66 (1975) 531, DOI 10.1085/jgp.66.4.531: access resistance of a hole.
.. [2] E. A. Kaminski, R. F. Savinell, J. Electrochem. Soc. 130 (1983) 1103, DOI 10.1149/1.2119891.
.. [3] A. T. Kuhn, J. S. Booth, J. Appl. Electrochem. 10 (1980) 233, DOI 10.1007/BF00726091.
.. [4] P. R. Prokopius, NASA TM X-3359 (1976).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from daq.errors import PhysicsRangeError
from daq.physics._ranges import FloatArray, Num, plain, within

__all__ = [
    "Ladder",
    "access_resistance_ohm",
    "channel_resistance_ohm",
    "cone_resistance_ohm",
    "duct_currents_closed_a",
    "port_resistance_ohm",
    "slot_resistance_ohm",
    "solve_ladder",
]


def _positive(place: str, name: str, value: Num, unit: str, *, zero: bool = False) -> Num:
    return within(value, 0.0 if zero else 1e-9, 1e9, place=place, name=name, unit=unit)


def _kappa(place: str, kappa_s_cm: Num) -> Num:
    """Conductivity in S/mm."""
    return 0.1 * within(kappa_s_cm, 1e-9, 10.0, place=place, name="kappa_s_cm", unit="S/cm")


@plain
def channel_resistance_ohm(length_mm: Num, area_mm2: Num, kappa_s_cm: Num) -> Num:
    """Resistance of lye in a channel [ohm]: ``l / (kappa A)``.

    Parameters
    ----------
    length_mm : float or array
        [mm], 0 and above.
    area_mm2 : float or array
        Cross-section [mm2], above 0.
    kappa_s_cm : float or array
        Conductivity of the lye in it [S/cm], above 0 to 10; see `daq.physics.conductivity`, with
        `bubble_factor` where gas runs along.

    Raises
    ------
    PhysicsRangeError
        For values out of range.
    """
    place = "channel_resistance_ohm"
    length = _positive(place, "length_mm", length_mm, "mm", zero=True)
    return length / (_kappa(place, kappa_s_cm) * _positive(place, "area_mm2", area_mm2, "mm2"))


@plain
def access_resistance_ohm(diameter_mm: Num, kappa_s_cm: Num) -> Num:
    """Resistance from far away into a round hole, on one side [ohm]: ``1 / (2 kappa d)``, [1].

    Parameters
    ----------
    diameter_mm : float or array
        [mm], above 0.
    kappa_s_cm : float or array
        [S/cm], above 0 to 10.
    """
    place = "access_resistance_ohm"
    return 1.0 / (2.0 * _kappa(place, kappa_s_cm) * _positive(place, "diameter_mm", diameter_mm, "mm"))


@plain
def port_resistance_ohm(length_mm: Num, diameter_mm: Num, kappa_s_cm: Num) -> Num:
    """Resistance through a round hole in a plate, access on both sides counted [ohm], [1].

    ``l / (kappa pi d^2 / 4) + 1 / (kappa d)``. For a wide hole in a thin plate the second term is the most of
    it: without it the leak comes out several times too large.

    Parameters
    ----------
    length_mm : float or array
        Thickness of the plate [mm], 0 and above.
    diameter_mm : float or array
        [mm], above 0.
    kappa_s_cm : float or array
        [S/cm], above 0 to 10.
    """
    diameter = _positive("port_resistance_ohm", "diameter_mm", diameter_mm, "mm")
    channel = channel_resistance_ohm(length_mm, math.pi / 4.0 * diameter**2, kappa_s_cm)
    return channel + 2.0 * access_resistance_ohm(diameter, kappa_s_cm)


@plain
def slot_resistance_ohm(length_mm: Num, width_mm: Num, height_mm: Num, kappa_s_cm: Num) -> Num:
    """Resistance through a slot in a plate [ohm]: the channel, and access as of an ellipse of its area.

    The ellipse has the slot's aspect. One with half-axes a >= b has, on one side, an access resistance of
    ``K(1 - b^2/a^2) / (2 pi kappa a)``, K the complete elliptic integral of the first kind: from the
    capacitance of an elliptic disc (J. C. Maxwell, A Treatise on Electricity and Magnetism). A circle gives
    `access_resistance_ohm`.

    Parameters
    ----------
    length_mm : float or array
        Thickness of the plate [mm], 0 and above.
    width_mm, height_mm : float or array
        Sides of the slot [mm], above 0.
    kappa_s_cm : float or array
        [S/cm], above 0 to 10.
    """
    place = "slot_resistance_ohm"
    width = _positive(place, "width_mm", width_mm, "mm")
    height = _positive(place, "height_mm", height_mm, "mm")
    long, short = np.maximum(width, height), np.minimum(width, height)
    half = long / math.sqrt(math.pi)
    from scipy.special import ellipk  # SciPy takes as long to import as all else of a short command

    access = ellipk(1.0 - (short / long) ** 2) / (2.0 * math.pi * _kappa(place, kappa_s_cm) * half)
    return channel_resistance_ohm(length_mm, width * height, kappa_s_cm) + 2.0 * access


@plain
def cone_resistance_ohm(length_mm: Num, diameter_a_mm: Num, diameter_b_mm: Num, kappa_s_cm: Num) -> Num:
    """Resistance of a straight cone of lye, as in a tapered fitting, without access [ohm].

    ``4 l / (kappa pi d_a d_b)``. Parameters as `port_resistance_ohm`.
    """
    place = "cone_resistance_ohm"
    a = _positive(place, "diameter_a_mm", diameter_a_mm, "mm")
    b = _positive(place, "diameter_b_mm", diameter_b_mm, "mm")
    length = _positive(place, "length_mm", length_mm, "mm", zero=True)
    return 4.0 * length / (_kappa(place, kappa_s_cm) * math.pi * a * b)


@dataclass(frozen=True, slots=True)
class Ladder:
    """Currents of a stack with a common duct.

    Attributes
    ----------
    duct_a : array (cells - 1,)
        Current along the duct past each step from one cell to the next [A].
    port_a : array (cells,)
        Current from each cell's port into the duct [A]; negative out of the duct.
    plate_a : array (cells - 1,)
        What is left to pass between the neighbours as it should [A].
    step_volts : array (cells - 1,)
        Voltage from each cell to the next [V].
    lost_fraction : float
        Share of the gas that the leak costs [1]: the duct's currents over cells times current.
    lost_w : float
        Power the duct takes [W].
    """

    duct_a: FloatArray
    port_a: FloatArray
    plate_a: FloatArray
    step_volts: FloatArray
    lost_fraction: float
    lost_w: float


def solve_ladder(
    cells: int,
    step_volts: ArrayLike,
    port_ohm: ArrayLike,
    duct_ohm: ArrayLike,
    current_a: float,
    *,
    cell_ohm: ArrayLike = 0.0,
) -> Ladder:
    """Leak currents along a common duct, each port and segment with its own resistance, [2] to [4].

    For each step k from one cell to the next
    ``-R_k J_{k-1} + (R_k + R_{k+1} + D_k + C_k) J_k - R_{k+1} J_{k+1} = E_k + C_k I``, with J the duct's
    current, R the ports, D the duct's segments, C the cells; the duct is closed at both ends.

    Parameters
    ----------
    cells : int
        Cells in series, 2 to 1000.
    step_volts : float or array (cells - 1,)
        Voltage from each cell to the next at no current, or at the current where `cell_ohm` is 0 [V], 0 to
        100.
    port_ohm : float or array (cells,)
        Resistance from each cell into the duct [ohm], above 0. A sealed port is a large number.
    duct_ohm : float or array (cells - 1,)
        Resistance of each segment of the duct [ohm], 0 and above.
    current_a : float
        Current of the stack [A], above 0.
    cell_ohm : float or array (cells - 1,)
        Slope of each step's voltage against the current through it [ohm], 0 and above.

    Raises
    ------
    PhysicsRangeError
        For values out of range or arrays of the wrong length.

    Notes
    -----
    Two equal ducts, one for gas and one for lye, double the currents where `cell_ohm` is 0.
    """
    place = "solve_ladder"
    within(cells, 2, 1000, place=place, name="cells", unit="")
    amps = within(current_a, 1e-9, 1e5, place=place, name="current_a", unit="A")
    steps = cells - 1
    e = _of_length(place, "step_volts", step_volts, steps, 0.0, 100.0, "V")
    port = _of_length(place, "port_ohm", port_ohm, cells, 1e-9, 1e15, "ohm")
    duct = _of_length(place, "duct_ohm", duct_ohm, steps, 0.0, 1e15, "ohm")
    cell = _of_length(place, "cell_ohm", cell_ohm, steps, 0.0, 1e6, "ohm")
    bands = np.zeros((3, steps))
    bands[0, 1:] = -port[1:-1]
    bands[1] = port[:-1] + port[1:] + duct + cell
    bands[2, :-1] = -port[1:-1]
    from scipy.linalg import solve_banded  # SciPy takes as long to import as all else of a short command

    along = np.asarray(solve_banded((1, 1), bands, e + cell * amps), dtype=np.float64)
    padded = np.concatenate([[0.0], along, [0.0]])
    volts = e + cell * (amps - along)
    return Ladder(
        duct_a=along,
        port_a=padded[:-1] - padded[1:],
        plate_a=amps - along,
        step_volts=volts,
        lost_fraction=float(along.sum() / (cells * amps)),
        lost_w=float((volts * along).sum()),
    )


def _of_length(
    place: str, name: str, value: ArrayLike, length: int, low: float, high: float, unit: str
) -> FloatArray:
    array = np.asarray(value, dtype=np.float64)
    if array.ndim > 1 or (array.ndim == 1 and array.size != length):
        raise PhysicsRangeError(
            f"{name} must be one number or {length} of them", place=place, value=f"shape {array.shape}"
        )
    return np.broadcast_to(np.asarray(within(array, low, high, place=place, name=name, unit=unit)), (length,))


def duct_currents_closed_a(
    cells: int,
    step_volts: float,
    port_ohm: float,
    duct_ohm: float,
    current_a: float = 0.0,
    *,
    cell_ohm: float = 0.0,
) -> FloatArray:
    """`solve_ladder`'s duct currents in closed form where all ports, segments and cells are alike [A].

    ``J_k = (E + C I)/(D + C) (1 - cosh(lam (k - n/2)) / cosh(lam n/2))`` with
    ``2 cosh lam = 2 + (D + C)/R``; parameters as there, with ``duct_ohm + cell_ohm`` above 0.
    """
    place = "duct_currents_closed_a"
    within(cells, 2, 1000, place=place, name="cells", unit="")
    within(port_ohm, 1e-9, 1e15, place=place, name="port_ohm", unit="ohm")
    series = within(duct_ohm + cell_ohm, 1e-9, 1e15, place=place, name="duct_ohm + cell_ohm", unit="ohm")
    lam = math.acosh(1.0 + float(np.asarray(series)) / (2.0 * port_ohm))
    from_middle = np.abs(np.arange(1, cells) - cells / 2.0)
    # cosh(a)/cosh(b) without overflow, a <= b
    half = lam * cells / 2.0
    ratio = (
        np.exp(lam * from_middle - half)
        * (1.0 + np.exp(-2.0 * lam * from_middle))
        / (1.0 + math.exp(-2.0 * half))
    )
    return np.asarray((step_volts + cell_ohm * current_a) / series * (1.0 - ratio))
