"""What is believed of the room before the watch has heard the stack: judgement, no published source."""

from __future__ import annotations

import math
from typing import Final

__all__ = ["room_prior"]

_ROOM_UNKNOWN: Final = (22.0, 4.0)
_ROOM_SAID_SD: Final = 1.5
_ROOM_MEASURED_SD: Final = 0.5
_ROOM_COLD: Final = (-0.5, 2.5)
"""Of lye that has stood, over the lye [K]; the room is unknown,"""
_COLD_C: Final = (28.0, 42.0)
"""and it has surely stood where it is no warmer than that, surely not where it is warmer than this."""


def room_prior(lye_c: float, measured_c: float | None, said_c: float | None) -> tuple[float, float]:
    """The room's temperature [degC] and its standard deviation [K].

    Parameters
    ----------
    lye_c : float
        As first read [degC].
    measured_c, said_c : float or None
        By a sensor, by the bench file [degC].
    """
    if measured_c is not None:
        return measured_c, _ROOM_MEASURED_SD
    if said_c is not None:
        return said_c, _ROOM_SAID_SD
    stood = min(max((_COLD_C[1] - lye_c) / (_COLD_C[1] - _COLD_C[0]), 0.0), 1.0)
    apart = lye_c + _ROOM_COLD[0] - _ROOM_UNKNOWN[0]
    # Mean and variance of the two together
    var = stood * _ROOM_COLD[1] ** 2 + (1.0 - stood) * (_ROOM_UNKNOWN[1] ** 2 + stood * apart**2)
    return _ROOM_UNKNOWN[0] + stood * apart, math.sqrt(var)
