"""A ladder of resistors: a second way to the leak along a common duct, to check `leak_network` by.

Cells in series whose ports open into a common duct of lye, along which a part of the current bypasses the
plates.

References
----------
.. [2] E. A. Kaminski, R. F. Savinell, J. Electrochem. Soc. 130 (1983) 1103, DOI 10.1149/1.2119891.
.. [3] A. T. Kuhn, J. S. Booth, J. Appl. Electrochem. 10 (1980) 233, DOI 10.1007/BF00726091.
.. [4] P. R. Prokopius, NASA TM X-3359 (1976).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import solve_banded

from daq.errors import PhysicsRangeError
from daq.physics._ranges import FloatArray, within

__all__ = ["Ladder", "duct_currents_closed_a", "solve_ladder"]


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


def _of_length(
    place: str, name: str, value: ArrayLike, length: int, low: float, high: float, unit: str
) -> FloatArray:
    array = np.asarray(value, dtype=np.float64)
    if array.ndim > 1 or (array.ndim == 1 and array.size != length):
        raise PhysicsRangeError(
            f"{name} must be one number or {length} of them", place=place, value=f"shape {array.shape}"
        )
    return np.broadcast_to(np.asarray(within(array, low, high, place=place, name=name, unit=unit)), (length,))
