"""A value, its standard uncertainty and its unit, remembering which inputs the uncertainty came from.

First-order propagation (JCGM 100:2008, 5.1 and 5.2). A quantity carries its uncertainty as *parts*: for each
independent input variable, sensitivity times the input's standard uncertainty, with its sign. Two quantities
that rest on the same input share the variable, so what they have in common adds or cancels as it should, with
no covariance matrix kept anywhere. Correlated inputs are turned into independent ones when they are made.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from daq.errors import LyewatchError
from daq.quantity._variable import FloatArray, Num, Shape, Variable, as_num

__all__ = ["Part", "Quantity", "combine"]


@dataclass(frozen=True, slots=True)
class Part:
    """One line of an uncertainty budget."""

    label: str
    u: Num
    """Contribution to the standard uncertainty [unit of the quantity]."""
    share: Num
    """Its share of the variance [1]."""


def _product_unit(a: str, b: str) -> str:
    return f"{a}·{b}" if a and b else a or b


def _ratio_unit(a: str, b: str) -> str:
    if not b:
        return a
    if a == b:
        return ""
    return f"{a or '1'}/({b})" if "·" in b or "/" in b else f"{a or '1'}/{b}"


class Quantity:
    """A value with standard uncertainty and unit; value and uncertainty may be arrays, one element a window.

    Parameters
    ----------
    value : float or array
        [unit]
    u : float or array
        Standard uncertainty [unit], not negative; shape that broadcasts with `value`.
    unit : str
        Shown beside the value. Sums refuse differing units; products and ratios put them together, and
        `named` replaces the result by the usual word. No units are converted.
    dof, shape, common, label
        Of the variable behind `u`, see `Variable`.

    Raises
    ------
    LyewatchError
        For a negative uncertainty, and where sums meet differing units.

    Examples
    --------
    >>> amps = Quantity(10.0, 0.08, "A", label="amps")
    >>> volts = Quantity(13.2, 0.02, "V", label="volts")
    >>> watts = (volts * amps).named("W")
    >>> round(watts.value, 1), round(watts.u, 2)
    (132.0, 1.07)
    """

    __slots__ = ("parts", "unit", "value")
    __array_ufunc__ = None  # an array times a Quantity is a Quantity, not an array of them

    value: Num
    unit: str
    parts: Mapping[Variable, Num]

    def __init__(
        self,
        value: ArrayLike,
        u: ArrayLike = 0.0,
        unit: str = "",
        *,
        dof: Num = math.inf,
        shape: Shape = "normal",
        common: bool = True,
        label: str = "",
    ) -> None:
        self.value = as_num(value)
        self.unit = unit
        spread = as_num(u)
        if spread < 0.0 if isinstance(spread, float) else (spread < 0.0).any():
            raise LyewatchError(
                "a standard uncertainty is never negative",
                place=label or None,
                value=u,
                remedy="drop its sign",
            )
        if isinstance(spread, float) and spread == 0.0:
            self.parts = {}
        else:
            self.parts = {Variable(label, dof=dof, shape=shape, common=common): spread}

    @classmethod
    def from_parts(cls, value: Num, unit: str, parts: Mapping[Variable, Num]) -> Quantity:
        """A quantity with these parts; the way in for code that knows its own sensitivities.

        Parameters
        ----------
        value : float or float64[...]
            [unit]
        unit : str
            Empty for none.
        parts : mapping of Variable to float or float64[...]
            Sensitivity times standard uncertainty for each variable [unit], of either sign.
        """
        quantity = cls.__new__(cls)
        quantity.value = value
        quantity.unit = unit
        quantity.parts = parts
        return quantity

    # ---------------------------------------------------------------- what it says

    @property
    def variance(self) -> Num:
        """Square of the standard uncertainty [unit squared]."""
        total: Num = 0.0
        for variable, part in self.parts.items():
            total = total + _square(variable, part)
        return total

    @property
    def u(self) -> Num:
        """Standard uncertainty [unit]."""
        variance = self.variance
        return math.sqrt(variance) if isinstance(variance, float) else np.sqrt(variance)

    @property
    def u95(self) -> Num:
        """Expanded uncertainty with coverage factor 2 [unit], about 95 % where `dof` is large."""
        return 2.0 * self.u

    @property
    def relative_u(self) -> Num:
        """Standard uncertainty over the value's magnitude [1]; NaN at zero."""
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.divide(self.u, np.abs(self.value))
            return as_num(np.where(np.isfinite(ratio), ratio, np.nan))

    @property
    def dof(self) -> Num:
        """Effective degrees of freedom (Welch-Satterthwaite, JCGM 100 G.4); infinite without finite ones.

        Variables made together by `correlated` count as one term with their common degrees of freedom.
        """
        terms: dict[object, Num] = {}
        weight: Num = 0.0
        for variable, part in self.parts.items():
            if variable.is_pooled:
                # each element of a pooled variable is an estimate of its own
                weight = weight + np.sum(np.asarray(part) ** 4 / variable.dof, axis=-1)
            else:
                terms[variable.group] = terms.get(variable.group, 0.0) + _square(variable, part)
        for variable in self.parts:
            if not variable.is_pooled and variable.group in terms:
                weight = weight + terms.pop(variable.group) ** 2 / variable.dof
        with np.errstate(divide="ignore", invalid="ignore"):
            dof = np.divide(np.square(self.variance), weight)
            return as_num(np.where(np.equal(weight, 0.0), np.inf, dof))

    def expanded(self, p: float = 0.95) -> Num:
        """Half-width of the interval of coverage probability `p` [unit]: Student's t at `dof` times u.

        `dof` is cut down to a whole number first, as JCGM 100 G.4.1 advises.
        """
        dof = np.maximum(np.floor(self.dof), 1.0)
        from scipy.special import stdtrit  # SciPy takes as long to import as all else of a short command

        # stdtrit takes no infinity; at 1e9 Student's t is the normal distribution to 1e-9
        return as_num(stdtrit(np.minimum(dof, 1e9), 0.5 + 0.5 * p) * self.u)

    def budget(self) -> list[Part]:
        """Where the uncertainty comes from, largest first; parts with the same label stand together."""
        total = self.variance
        merged: dict[str, Num] = {}
        for variable, part in self.parts.items():
            merged[variable.label] = merged.get(variable.label, 0.0) + _square(variable, part)
        with np.errstate(divide="ignore", invalid="ignore"):
            lines = [
                Part(
                    label,
                    as_num(np.sqrt(v)),
                    as_num(np.where(np.equal(total, 0), 0.0, np.divide(v, total))),
                )
                for label, v in merged.items()
            ]
        return sorted(lines, key=lambda line: -float(np.nansum(np.square(line.u))))

    def named(self, unit: str) -> Quantity:
        """The same under another name of the same unit: V·A as W. Nothing is converted."""
        return Quantity.from_parts(self.value, unit, self.parts)

    def scaled(self, factor: float, unit: str) -> Quantity:
        """The same in another unit: the value times `factor`."""
        return combine(self.value * factor, unit, [(factor, self)])

    def without(self, *labels: str) -> Quantity:
        """The same with the parts of these labels left out, to see what the others alone amount to."""
        kept = {v: p for v, p in self.parts.items() if v.label not in labels}
        return Quantity.from_parts(self.value, self.unit, kept)

    def sum(self) -> Quantity:
        """Sum over the last axis; common errors add up, each element's own add in quadrature."""
        return self._reduced(np.ones_like(np.asarray(self.value)))

    def mean(self, weights: ArrayLike | None = None) -> Quantity:
        """Mean over the last axis, weighted if `weights` are given; errors as in `sum`.

        Quantities averaged apart still share their elements' errors when they meet again, so a ratio of means
        is right too.
        """
        value = np.asarray(self.value)
        w = (
            np.ones_like(value)
            if weights is None
            else np.broadcast_to(np.asarray(weights, float), value.shape)
        )
        return self._reduced(w / np.sum(w, axis=-1, keepdims=True))

    def _reduced(self, weights: FloatArray) -> Quantity:
        parts: dict[Variable, Num] = {}
        for variable, part in self.parts.items():
            if variable.is_pooled:
                raise LyewatchError(
                    "errors averaged over one axis can not be averaged over another",
                    remedy="take the mean over all windows at once",
                )
            weighted = weights * part
            if variable.common:
                parts[variable] = as_num(np.sum(weighted, axis=-1))
            else:
                parts[variable.pooled()] = weighted
        return Quantity.from_parts(as_num(np.sum(weights * self.value, axis=-1)), self.unit, parts)

    def __repr__(self) -> str:
        return f"Quantity({self.value!r}, u={self.u!r}, unit={self.unit!r})"

    def __str__(self) -> str:
        from daq.quantity.display import shown

        if isinstance(self.value, float):
            return shown(self.value, float(np.asarray(self.u95)), self.unit).text
        return repr(self)

    # ---------------------------------------------------------------- arithmetic

    def _plus(self, other: Quantity | ArrayLike, sign: float) -> Quantity:
        if isinstance(other, Quantity):
            if self.unit != other.unit:
                raise LyewatchError(
                    "quantities of differing units can not be added",
                    value=f"{self.unit} and {other.unit}",
                    remedy="bring both to one unit with scaled() or named()",
                )
            return combine(self.value + sign * other.value, self.unit, [(1.0, self), (sign, other)])
        return Quantity.from_parts(self.value + sign * as_num(other), self.unit, self.parts)

    def __add__(self, other: Quantity | ArrayLike) -> Quantity:
        return self._plus(other, 1.0)

    def __radd__(self, other: ArrayLike) -> Quantity:
        return self._plus(other, 1.0)

    def __sub__(self, other: Quantity | ArrayLike) -> Quantity:
        return self._plus(other, -1.0)

    def __rsub__(self, other: ArrayLike) -> Quantity:
        return (-self)._plus(other, 1.0)

    def __neg__(self) -> Quantity:
        return combine(-self.value, self.unit, [(-1.0, self)])

    def __mul__(self, other: Quantity | ArrayLike) -> Quantity:
        if isinstance(other, Quantity):
            unit = _product_unit(self.unit, other.unit)
            return combine(self.value * other.value, unit, [(other.value, self), (self.value, other)])
        factor = as_num(other)
        return combine(self.value * factor, self.unit, [(factor, self)])

    def __rmul__(self, other: ArrayLike) -> Quantity:
        return self * other

    def __truediv__(self, other: Quantity | ArrayLike) -> Quantity:
        with np.errstate(divide="ignore", invalid="ignore"):
            if not isinstance(other, Quantity):
                return self * np.divide(1.0, as_num(other))
            by = np.divide(1.0, other.value)
            value = as_num(np.where(np.isfinite(by), self.value * by, np.nan))
            unit = _ratio_unit(self.unit, other.unit)
            return combine(value, unit, [(as_num(by), self), (as_num(-value * by), other)])

    def __rtruediv__(self, other: ArrayLike) -> Quantity:
        return Quantity.from_parts(as_num(other), "", {}) / self

    def __pow__(self, exponent: float) -> Quantity:
        unit = f"{self.unit}^{exponent:g}" if self.unit else ""
        slope = exponent * np.power(self.value, exponent - 1.0)
        return combine(as_num(np.power(self.value, exponent)), unit, [(as_num(slope), self)])


def _square(variable: Variable, part: Num) -> Num:
    return np.sum(np.square(part), axis=-1) if variable.is_pooled else part * part


def combine(value: Num, unit: str, terms: Iterable[tuple[Num, Quantity]]) -> Quantity:
    """A quantity from its value and the sensitivities to others: ``dy = sum c_i dx_i``.

    Parameters
    ----------
    value : float or array
        [unit]
    unit : str
    terms : pairs of sensitivity and quantity
        Sensitivity [unit per unit of the quantity], float or array.
    """
    parts: dict[Variable, Num] = {}
    for slope, quantity in terms:
        plain = isinstance(slope, float)
        one = plain and slope == 1.0
        for variable, part in quantity.parts.items():
            if one:
                term = part
            elif plain or not variable.is_pooled:
                term = slope * part
            else:
                term = np.asarray(slope)[..., np.newaxis] * part
            before = parts.get(variable)
            parts[variable] = term if before is None else before + term
    return Quantity.from_parts(value, unit, parts)
