"""What a person knows only roughly: a range in a number's place, or nothing at all.

References
----------
.. [1] JCGM 100:2008 (GUM), 4.3.7: where nothing but two limits is known, every value between them is as
   likely as any other, and the standard uncertainty is their distance over the root of twelve.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

__all__ = ["GUESS_U", "guessed_litres", "guessed_steel_kg", "ranges_read"]

GUESS_U: Final = 0.5
"""Relative standard uncertainty of what is guessed from the plates (judgement)."""
_GAP_CM: Final = 0.3
_IN_HOSES: Final = 3.0
_PLATE_CM: Final = 0.1
_STEEL_KG_CM3: Final = 7.9e-3
_END_PLATES: Final = 2.0


def guessed_litres(cells: int, plate_area_cm2: float) -> float:
    """Lye [L] where nobody says how much: gaps of 3 mm, and twice as much again in hoses and reservoir
    (judgement).

    Parameters
    ----------
    cells : int
        Gaps in series.
    plate_area_cm2 : float
        Wetted area of one plate's face [cm2].
    """
    return float(f"{_IN_HOSES * _GAP_CM * 1e-3 * cells * plate_area_cm2:.3g}")


def guessed_steel_kg(cells: int, plate_area_cm2: float) -> float:
    """Metal [kg] where nobody says how much: plates of 1 mm, and as much again for end plates and bolts
    (judgement).

    Parameters
    ----------
    cells : int
        Gaps in series.
    plate_area_cm2 : float
        Wetted area of one plate's face [cm2].
    """
    return round(_END_PLATES * (cells + 1) * plate_area_cm2 * _PLATE_CM * _STEEL_KG_CM3, 2)


def ranges_read(table: Mapping[str, Any], names: Mapping[str, str]) -> dict[str, Any]:
    """A table of the bench file with each ``[least, most]`` as its middle and its standard uncertainty, [1].

    Parameters
    ----------
    table : mapping
        As it was read.
    names : mapping of str to str
        Keys that may be a range, each with the key of its uncertainty.

    Raises
    ------
    ValueError
        If a range is not two numbers, the lesser first, or has an uncertainty beside it.
    """
    out = dict(table)
    for name, of_it in names.items():
        value = out.get(name)
        if not isinstance(value, Sequence) or isinstance(value, str):
            continue
        numbers = [
            v for v in value if isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v)
        ]
        if len(numbers) != 2 or len(value) != 2 or not numbers[0] < numbers[1]:
            raise ValueError(
                f"{name} = {list(value)}: a range is two numbers, the lesser first, such as [0.6, 1.0]"
            )
        if out.get(of_it) is not None:
            raise ValueError(f"{name} is a range, and has {of_it} beside it: leave one of them out")
        low, high = numbers
        out[name], out[of_it] = 0.5 * (low + high), (high - low) / math.sqrt(12.0)
    return out
