"""A stack of Tafel plates with holes in them, solved on its own: numpy alone, nothing of the product.

Every plate takes ``i0 exp((U - U_rev) / b)`` of the voltage U from gap to gap; what flows through its hole
besides makes no gas. A hole has the channel's resistance and half-spaces at its mouths (Hall 1975); facing
holes are joined by the lye between them. Kirchhoff's law at every node, by Newton's method.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["TafelStack"]

Array = NDArray[np.float64]


@dataclass
class TafelStack:
    """One group of plates in series.

    Attributes
    ----------
    diameters : float64[cells - 1]
        Of the round hole in each neutral plate [mm]; 0 is none.
    kappa, thickness, gap : float
        Of the lye [S/cm]; of the plates, and between them [mm].
    in_line : bool
        Whether the holes face each other.
    area : float
        Face of a plate [cm2].
    tafel, exchange : float
        b of both electrodes together [V], and the current density at the reversible voltage [mA/cm2].
    """

    diameters: Array
    kappa: float = 0.4
    thickness: float = 1.0
    gap: float = 4.0
    in_line: bool = False
    area: float = 150.0
    tafel: float = 0.09
    exchange: float = 1e-2
    access: float = 1.0
    reversible: float = 1.2
    _g: Array = field(init=False, repr=False)

    def __post_init__(self) -> None:
        n = self.diameters.size + 1
        links: list[tuple[int, int, float]] = []
        k = 0.1 * self.kappa  # S/mm
        node, before, width_before = n, -1, 0.0
        for plate, d in enumerate(self.diameters):
            if d <= 0.0:
                before = -1
                continue
            mouth = self.access / (2.0 * k * d)
            channel = self.thickness / (k * np.pi / 4.0 * d * d)
            links += [(plate, node, mouth), (node, node + 1, channel), (node + 1, plate + 1, mouth)]
            if self.in_line and before >= 0:
                narrow = min(d, width_before)
                links.append((before, node, self.gap / (k * np.pi / 4.0 * narrow**2)))
            before, width_before, node = node + 1, d, node + 2
        laplace = np.zeros((node, node))
        for a, b, ohm in links:
            laplace[[a, b], [a, b]] += 1.0 / ohm
            laplace[[a, b], [b, a]] -= 1.0 / ohm
        # the mouths are taken out: what is left joins gaps with gaps
        inner = laplace[n:, n:]
        self._g = laplace[:n, :n] - (
            laplace[:n, n:] @ np.linalg.solve(inner, laplace[n:, :n]) if node > n else 0.0
        )

    @property
    def cells(self) -> int:
        return int(self.diameters.size) + 1

    def at_current(self, amps: float, start: Array | None = None) -> tuple[Array, Array]:
        """Voltage across each neutral plate, and the current through each [V], [A]."""
        i0, n = 1e-3 * self.area * self.exchange, self.cells
        u = np.full(n - 1, 0.1) if start is None else start.copy()
        into = np.zeros(n)
        into[0], into[-1] = amps, -amps
        for _ in range(400):
            phi = np.concatenate([[0.0], -np.cumsum(u)])
            through = i0 * np.exp(np.clip((u - self.reversible) / self.tafel, -80.0, 60.0))
            flux = self._g @ phi - into
            flux[:-1] += through
            flux[1:] -= through
            # d phi / d u
            turn = -np.tril(np.ones((n, n - 1)), -1)
            slope = self._g @ turn
            rows = np.arange(n - 1)
            slope[rows, rows] += through / self.tafel
            slope[rows + 1, rows] -= through / self.tafel
            step = np.linalg.solve(slope[:-1], -flux[:-1])
            u = u + np.clip(step, -0.5, 2.0 * self.tafel)
            if np.abs(step).max() < 1e-10:
                break
        else:
            raise AssertionError("no solution")
        return u, through

    def volts(self, amps: float, u: Array | None = None) -> float:
        """Across the stack: the two end plates make one cell of their own, and the lye takes its drop."""
        u = self.at_current(amps)[0] if u is None else u
        i0 = 1e-3 * self.area * self.exchange
        ends = self.reversible + self.tafel * np.log(amps / i0)
        return float(u.sum() + max(ends, 0.0) + self.cells * amps * self.gap_ohm)

    @property
    def gap_ohm(self) -> float:
        """Of the lye between two plates."""
        return 0.1 * self.gap / (self.kappa * self.area)

    def leak(self, amps: float) -> float:
        """Mean current per cell that makes no gas [A]."""
        _, through = self.at_current(amps)
        return float((amps - through).sum() / self.cells)

    def at_volts(self, volts: Array) -> Array:
        """Current of the stack at each of these voltages [A]."""
        amps = np.geomspace(1e-4, 60.0, 160)
        known, u = np.empty(amps.size), None
        for k, a in enumerate(amps):
            u, _ = self.at_current(float(a), u)
            known[k] = self.volts(float(a), u)
        return np.exp(np.interp(volts, known, np.log(amps)))
