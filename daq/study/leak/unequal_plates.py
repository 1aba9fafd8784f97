"""What a slow rise misses where the plates leak unequally, by the geometry that the bench file has.

While the plates in the middle are still blocked, the rise sees their openings in series: the harmonic mean
of their conductances. In operation each leaks by its own: the arithmetic mean, which is never below. And
plates that leak least begin to pass current before the others, so that the line bends. Both are worked out by
raising the voltage of the bench file's own network, with Tafel's law for the plates, and reading that rise as
the real one was read: the leak that went in over the leak that came out is the factor.

References
----------
.. [1] E. A. Kaminski, R. F. Savinell, J. Electrochem. Soc. 130 (1983) 1103, DOI 10.1149/1.2119891: the
   circuit of a stack with ducts.
"""

from __future__ import annotations

import math

import numpy as np

from daq.bench import Bench
from daq.errors import PhysicsRangeError
from daq.physics.cell_voltage import v_rev
from daq.quantity import Quantity, propagate
from daq.study.leak.predict import Conditions, gap_ohm_of, geometry_of, inputs_of, network_of
from daq.study.leak.ramp import Ramp, leak_of_line

__all__ = ["UNEQUAL_U", "unequal_plates"]

UNEQUAL_U = 0.175
"""Standard uncertainty of a rise's leak, as a share, where no geometry says how plates differ: stacks sealed
in part, or drilled at random, read 12 to 32 % too low (judgement, by the simulated stacks of
`tests/study/test_leak_unequal.py`)."""
TAFEL_V, TAFEL_U = 0.09, 0.025
"""Tafel's b of both electrodes together [V], and its standard uncertainty: 0.15 to 0.26 V per decade
(judgement, by the fits to published sets of `tests/published/test_polarisation.py`)."""
MOST_EXCHANGE = 0.03
"""Most that bare plates pass at the reversible voltage [mA/cm2] (judgement, by the same fits)."""
UNKNOWN_DENSITY = 0.05
"""Current density in operation where the current is not known [A/cm2] (judgement)."""
CURRENTS, POINTS = 40, 60


def unequal_plates(bench: Bench, conditions: Conditions, ramp: Ramp, kappa_ratio: float) -> Quantity:
    """The factor by which the leak of a slow rise is to be multiplied [1].

    Parameters
    ----------
    bench : Bench
        With a ``[stack.geometry]`` and two cells or more.
    conditions : Conditions
        Of operation.
    ramp : Ramp
    kappa_ratio : float
        Conductivity of the lye in operation over that during the rise [1].

    Raises
    ------
    PhysicsRangeError
        Where the network can not be worked out.
    """
    geometry, cells = geometry_of(bench), bench.stack.cells
    groups = (geometry.plates - 1) // cells
    inputs = inputs_of(bench, conditions)
    low, high = float(ramp.volts[0]), float(ramp.volts[-1])
    rising = np.linspace(low, high, POINTS)
    temp = float(np.asarray(ramp.lye_temp.value))
    reversible = float(v_rev(min(max(temp, 0.0), 100.0)))
    amps = UNKNOWN_DENSITY * bench.stack.plate_area_cm2 if conditions.amps is None else conditions.amps

    def factor(
        cell_volts: float,
        stack_amps: float,
        kappa: float,
        access: float,
        size: float,
        length: float,
        gap: float,
        sealed: float,
        bubbles: float,
        tafel: float,
    ) -> float:
        current = stack_amps / groups
        ohm = gap_ohm_of(bench, gap * geometry.gap_mm, kappa)
        e = cell_volts - ohm * current
        # In operation nearly all of the current goes through the plates, and no bare plate passes much at
        # the reversible voltage: a cell of few volts has steep plates.
        decades = math.log(max(1e3 * current / bench.stack.plate_area_cm2 / MOST_EXCHANGE, 1.01))
        tafel = min(tafel, max((e - reversible) / decades, 1e-3))
        exchange = current * math.exp(-(e - reversible) / tafel)
        then = kappa / kappa_ratio
        # Bubbles in the openings are another matter, which the rise can not see: as many here as there.
        slow = network_of(bench, geometry, then, access, size, length, gap, sealed, bubbles)
        most = high / max(cells * gap_ohm_of(bench, gap * geometry.gap_mm, then), 1e-12)
        currents = np.geomspace(1e-6 * current, min(3.0 * current, most), CURRENTS)
        law = {"reversible_v": reversible, "exchange_a": exchange, "slope_v": tafel}
        ends = reversible + tafel * np.log(currents / exchange)
        more = np.maximum(ends, 0.0) + cells * ohm * kappa_ratio * currents
        volts = slow.rise(currents, **law).sum(axis=1) + more
        seen = np.exp(np.interp(rising, volts, np.log(currents)))
        slope, level = np.polyfit(rising - rising.mean(), seen, 1)
        read = leak_of_line(float(slope), float(level - slope * rising.mean()), cells, e)
        went_in = e * float(slow.past_by_steps().sum()) / cells
        return went_in / read if read > 0.0 else math.nan

    b = Quantity(TAFEL_V, TAFEL_U, "V", label="Tafel slope of the plates")
    ratio = propagate(
        factor,
        inputs.cell_volts,
        amps,
        inputs.kappa,
        inputs.access,
        inputs.size,
        inputs.length,
        inputs.gap,
        inputs.sealed,
        inputs.bubbles,
        b,
        unit="",
    )
    value = float(np.asarray(ratio.value))
    if not math.isfinite(value):
        raise PhysicsRangeError("the rise of this geometry tells no leak", place="lyewatch leak")
    # Plates differ among themselves besides what the lists say; the square of their scatter is what a rise
    # misses, and conductances go by the width and more.
    scatter = 2.0 * 0.01 * geometry.width_u_percent
    partly = [s for o in geometry.openings for s in o.sealed_fraction if 0.0 < s < 1.0]
    if partly:
        share = geometry.sealed_u / (1.0 - float(np.mean(partly)))
        scatter = math.hypot(scatter, share)
    own_share = Quantity(
        1.0, max(scatter**2, scatter * abs(1.0 - 1.0 / value)), "", label="plates among themselves"
    )
    return (ratio * own_share).named("")
