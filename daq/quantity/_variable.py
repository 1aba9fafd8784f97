"""What an uncertainty comes from."""

from __future__ import annotations

import math
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["FloatArray", "Num", "Shape", "Variable", "as_num"]

FloatArray: TypeAlias = NDArray[np.float64]
Num: TypeAlias = float | FloatArray
Shape: TypeAlias = Literal["normal", "rectangular", "triangular", "arcsine"]


def as_num(value: ArrayLike | float) -> Num:
    """A float, or an array of at least one dimension."""
    if isinstance(value, float):  # the live page's usual case, and the quick one
        return float(value)
    array = np.asarray(value, dtype=np.float64)
    return array if array.ndim else float(array)


class Variable:
    """An independent input: what an uncertainty comes from. Known by identity, not by its label.

    Parameters
    ----------
    label : str
        What it is, in words: "amps: accuracy".
    dof : float or array
        Degrees of freedom of its standard uncertainty; infinite where it is known outright.
    shape : {"normal", "rectangular", "triangular", "arcsine"}
        Its distribution, for Monte Carlo; a normal one with finite `dof` is drawn from Student's t.
    common : bool
        For arrays: True where one and the same error stands behind every element (an accuracy specification),
        False where each element has its own (noise). It matters only to `Quantity.mean` and `Quantity.sum`.
    """

    __slots__ = ("_pooled", "common", "dof", "group", "is_pooled", "label", "shape")

    def __init__(
        self,
        label: str = "",
        *,
        dof: Num = math.inf,
        shape: Shape = "normal",
        common: bool = True,
        group: object | None = None,
        is_pooled: bool = False,
    ) -> None:
        self.label = label
        self.dof = dof
        self.shape = shape
        self.common = common
        self.group = self if group is None else group
        self.is_pooled = is_pooled
        self._pooled: list[Variable] = []

    def pooled(self) -> Variable:
        """The variable that stands for all elements of this one after a mean or sum; always the same one."""
        if not self._pooled:
            group = None if self.group is self else self.group
            self._pooled.append(
                Variable(
                    self.label, dof=self.dof, shape=self.shape, common=False, group=group, is_pooled=True
                )
            )
        return self._pooled[0]

    def __repr__(self) -> str:
        return f"Variable({self.label!r})"
