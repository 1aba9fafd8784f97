"""Resistance of the ways that current takes past the plates: channels, holes and slots full of lye.

The leak that follows is an upper bound: half-spaces of lye on either side of a hole, no bubbles in it unless
counted. `daq.physics.leak_network` puts the ways of a stack together.

References
----------
.. [1] J. E. Hall, J. Gen. Physiol. 66 (1975) 531, DOI 10.1085/jgp.66.4.531: access resistance of a hole.
"""

from __future__ import annotations

import math

import numpy as np

from daq.physics._ranges import Num, plain, within

__all__ = [
    "access_resistance_ohm",
    "channel_resistance_ohm",
    "slot_resistance_ohm",
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
