"""Leak currents of a whole stack: any number of openings and ducts, each with its own resistance.

The lye of each gap is a node. A plate between two gaps is a source: the voltage from gap to gap, and a slope
where that voltage rises with the current through the plate. Openings and ducts are resistances between nodes;
what flows through them makes no gas. `daq.physics.leak_path.solve_ladder` is the special case of one duct.

An opening has a mouth on either side. From the mouth to the gap's lye is its access resistance. Where the
openings of neighbouring plates face each other, the column of lye between the two mouths is a path of its own
beside them: in a wide gap it hardly counts, in a narrow one the openings become one duct through the stack.

References
----------
.. [1] C.-W. Ho, A. E. Ruehli, P. A. Brennan, IEEE Trans. Circuits Syst. 22 (1975) 504,
   DOI 10.1109/TCS.1975.1084079: the modified nodal analysis.
.. [2] E. A. Kaminski, R. F. Savinell, J. Electrochem. Soc. 130 (1983) 1103, DOI 10.1149/1.2119891: the
   circuit of a stack with ducts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daq.errors import PhysicsRangeError
from daq.physics._ranges import FloatArray, within

__all__ = ["LeakCurrents", "LeakNetwork"]

_MOST_ROUNDS = 400


@dataclass(slots=True)
class LeakNetwork:
    """The paths past the plates of `cells` gaps in series, gathered piece by piece.

    Attributes
    ----------
    cells : int
        Gaps in series, 2 to 1000. Nodes 0 to ``cells - 1`` are their lye, from the positive end.
    links : list of (int, int, float)
        Node, node, and the resistance between them [ohm].
    """

    cells: int
    links: list[tuple[int, int, float]] = field(default_factory=list)
    _nodes: int = 0

    def __post_init__(self) -> None:
        within(self.cells, 2, 1000, place="LeakNetwork", name="cells", unit="")
        self._nodes = max(self._nodes, self.cells)

    def node(self) -> int:
        """Another node, in no gap."""
        self._nodes += 1
        return self._nodes - 1

    def link(self, a: int, b: int, ohm: float) -> None:
        """Join two nodes by a resistance.

        Parameters
        ----------
        a, b : int
            The nodes, two different ones that are there.
        ohm : float
            [ohm], 1e-9 to 1e15; infinity joins nothing.
        """
        if math.isinf(ohm) and ohm > 0.0:
            return
        value = float(np.asarray(within(ohm, 1e-9, 1e15, place="LeakNetwork", name="ohm", unit="ohm")))
        if not 0 <= min(a, b) <= max(a, b) < self._nodes or a == b:
            raise PhysicsRangeError(
                "a link joins two nodes that are there", place="LeakNetwork", value=(a, b)
            )
        self.links.append((a, b, value))

    def openings(
        self,
        channel_ohm: Sequence[float],
        access_ohm: Sequence[float],
        column_ohm: Sequence[float] | None = None,
    ) -> None:
        """One opening through every plate.

        Parameters
        ----------
        channel_ohm : cells - 1 floats
            Resistance through each plate's opening [ohm]; infinity is a plate without one.
        access_ohm : cells - 1 floats
            From each mouth of that opening to the lye of its gap [ohm].
        column_ohm : cells - 2 floats, optional
            Of the column of lye between facing openings of plate k and k + 1 [ohm]; None where they are
            offset.
        """
        steps = self.cells - 1
        if len(channel_ohm) != steps or len(access_ohm) != steps:
            raise PhysicsRangeError(f"{steps} openings are needed", place="openings", value=len(channel_ohm))
        before: int | None = None
        for k, (channel, access) in enumerate(zip(channel_ohm, access_ohm, strict=True)):
            if math.isinf(channel):
                before = None
                continue
            mouth, far = self.node(), self.node()
            self.link(k, mouth, access)
            self.link(mouth, far, channel)
            self.link(far, k + 1, access)
            if column_ohm is not None and before is not None:
                self.link(before, mouth, column_ohm[k - 1])
            before = far

    def duct(self, branch_ohm: float, segment_ohm: float) -> None:
        """A branch from each gap into a common duct, and the duct's segment from one to the next [ohm]."""
        nodes = [self.node() for _ in range(self.cells)]
        for gap, node in enumerate(nodes):
            self.link(gap, node, branch_ohm)
        for a, b in pairwise(nodes):
            self.link(a, b, segment_ohm)

    def solve(self, step_volts: ArrayLike, current_a: float, *, cell_ohm: ArrayLike = 0.0) -> LeakCurrents:
        """The currents, by modified nodal analysis [1] and a sparse LU factorisation.

        Parameters
        ----------
        step_volts : float or array (cells - 1,)
            Voltage from each gap to the next at no current, or at the current where `cell_ohm` is 0 [V], 0
            to 100.
        current_a : float
            Current of the stack [A], above 0.
        cell_ohm : float or array (cells - 1,)
            Slope of each step's voltage against the current through its plate [ohm], 0 and above.

        Raises
        ------
        PhysicsRangeError
            For values out of range.
        """
        place, steps, n = "LeakNetwork.solve", self.cells - 1, self._nodes
        amps = float(np.asarray(within(current_a, 1e-9, 1e5, place=place, name="current_a", unit="A")))
        volts = _each(place, "step_volts", step_volts, steps, 100.0, "V")
        slope = _each(place, "cell_ohm", cell_ohm, steps, 1e6, "ohm")
        a, b, ohm = _columns(self.links)
        g = 1.0 / ohm
        k = np.arange(steps)
        plate = n + k  # the unknown current through each plate
        rows = np.concatenate([a, b, a, b, k, k + 1, plate, plate, plate])
        cols = np.concatenate([a, b, b, a, plate, plate, k, k + 1, plate])
        one = np.ones(steps)
        data = np.concatenate([g, g, -g, -g, one, -one, one, -one, -slope])
        from scipy.sparse import csc_array  # SciPy takes as long to import as all else of a short command
        from scipy.sparse.linalg import splu

        known = np.zeros(n + steps)
        known[0] += amps
        known[self.cells - 1] -= amps
        known[n:] = volts
        # The last gap is the zero of potential: its row would only repeat the others.
        keep = np.delete(np.arange(n + steps), self.cells - 1)
        matrix = csc_array((data, (rows, cols)), shape=(n + steps, n + steps))[keep][:, keep]
        solved = np.zeros(n + steps)
        solved[keep] = splu(matrix.tocsc()).solve(known[keep])
        through = solved[n:]
        return LeakCurrents(
            leak_a=(solved[a] - solved[b]) / ohm,
            past_a=amps - through,
            plate_a=through,
            step_volts=volts + slope * through,
            lost_fraction=float((amps - through).sum() / (self.cells * amps)),
            lost_w=float(((volts + slope * through) * (amps - through)).sum()),
        )

    def rise(
        self, currents_a: ArrayLike, *, reversible_v: float, exchange_a: float, slope_v: float
    ) -> FloatArray:
        """Voltage across each neutral plate while the current rises from nothing, by Newton's method [V].

        A plate passes ``i0 exp((U - U_rev)/b)`` (Tafel's law) of the voltage U from gap to gap; what the
        paths past it take comes on top. Plates that leak least begin to pass current first.

        Parameters
        ----------
        currents_a : float64[m]
            Of the stack [A], each above 0.
        reversible_v, slope_v : float
            U_rev and b of both electrodes together [V], above 0.
        exchange_a : float
            i0 of a plate [A], above 0.

        Returns
        -------
        float64[m, cells - 1]

        Raises
        ------
        PhysicsRangeError
            For values out of range, or where no solution is found.
        """
        place, steps = "LeakNetwork.rise", self.cells - 1
        given = np.atleast_1d(np.asarray(currents_a, dtype=np.float64))
        amps = np.asarray(within(given, 1e-9, 1e5, place=place, name="currents_a", unit="A"))
        within(reversible_v, 1e-6, 10.0, place=place, name="reversible_v", unit="V")
        within(exchange_a, 1e-15, 1e3, place=place, name="exchange_a", unit="A")
        within(slope_v, 1e-3, 10.0, place=place, name="slope_v", unit="V")
        past = self.past_by_steps()
        leaks = np.maximum(np.diag(past), 1e-15)
        out = np.empty((amps.size, steps))
        for row, current in enumerate(amps):
            tafel = reversible_v + slope_v * math.log(current / exchange_a)
            u = np.minimum(current / leaks, max(tafel, 1e-6))
            for _ in range(_MOST_ROUNDS):
                through = exchange_a * np.exp(np.clip((u - reversible_v) / slope_v, -200.0, 200.0))
                jacobian = past.copy()
                jacobian[np.diag_indices(steps)] += np.maximum(through / slope_v, 1e-15)
                step = np.linalg.solve(jacobian, current - past @ u - through)
                # beyond two slopes the exponential is another one
                u = u + np.clip(step, -np.inf, 2.0 * slope_v)
                if float(np.abs(step).max()) < 1e-9:
                    break
            else:
                raise PhysicsRangeError(
                    "the currents of the rising stack do not settle", place=place, value=float(current)
                )
            out[row] = u
        return out

    def past_by_steps(self) -> FloatArray:
        """Current past each plate for a volt across each plate alone [S], by Kron's reduction to the gaps.

        Returns
        -------
        float64[cells - 1, cells - 1]
            Row: the plate that is passed; column: the plate with the voltage.
        """
        n = self.cells
        laplace = np.zeros((self._nodes, self._nodes))
        a, b, ohm = _columns(self.links)
        for p, q, sign in ((a, a, 1.0), (b, b, 1.0), (a, b, -1.0), (b, a, -1.0)):
            np.add.at(laplace, (p, q), sign / ohm)
        used = n + np.flatnonzero(np.diag(laplace)[n:] > 0.0)
        reduced = laplace[:n, :n]
        if used.size:
            inner = laplace[np.ix_(used, used)]
            reduced = reduced - laplace[:n, used] @ np.linalg.solve(inner, laplace[used, :n])
        # potentials from the steps' voltages, the first gap at 0
        turn = -np.tril(np.ones((n, n - 1)), -1)
        past: FloatArray = np.cumsum(reduced @ turn, axis=0)[:-1]
        return past


@dataclass(frozen=True, slots=True)
class LeakCurrents:
    """What flows where.

    Attributes
    ----------
    leak_a : array
        Current of each link, from its first node to its second [A].
    past_a : array (cells - 1,)
        Current that passes each plate without going through it [A].
    plate_a : array (cells - 1,)
        Current through each plate, which makes gas [A].
    step_volts : array (cells - 1,)
        Voltage from each gap to the next [V].
    lost_fraction : float
        Share of the gas that the leak costs [1].
    lost_w : float
        Power that the leak turns into heat [W].
    """

    leak_a: FloatArray
    past_a: FloatArray
    plate_a: FloatArray
    step_volts: FloatArray
    lost_fraction: float
    lost_w: float


def _columns(
    links: Sequence[tuple[int, int, float]],
) -> tuple[NDArray[np.intp], NDArray[np.intp], FloatArray]:
    a = np.array([x[0] for x in links], dtype=np.intp)
    b = np.array([x[1] for x in links], dtype=np.intp)
    return a, b, np.array([x[2] for x in links], dtype=np.float64)


def _each(place: str, name: str, value: ArrayLike, length: int, high: float, unit: str) -> FloatArray:
    array = np.asarray(value, dtype=np.float64)
    if array.ndim > 1 or (array.ndim == 1 and array.size != length):
        raise PhysicsRangeError(
            f"{name} must be one number or {length} of them", place=place, value=f"shape {array.shape}"
        )
    checked = np.asarray(within(array, 0.0, high, place=place, name=name, unit=unit))
    return np.array(np.broadcast_to(checked, (length,)))
