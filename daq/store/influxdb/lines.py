"""Many lines of line protocol as one stretch of bytes, which is what a request sends."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

__all__ = ["Lines", "body_of"]


class Lines(Sequence[bytes]):
    """Lines side by side, each with its line break; a slice of them copies nothing.

    Parameters
    ----------
    data : bytes or any other buffer
        The text.
    at : int[n + 1]
        Where each line begins, and where the last one ends.
    """

    def __init__(self, data: Any, at: NDArray[np.signedinteger[Any]]) -> None:
        self._data = memoryview(data)
        self._at = at

    def __len__(self) -> int:
        return self._at.size - 1

    @overload
    def __getitem__(self, index: int) -> bytes: ...
    @overload
    def __getitem__(self, index: slice) -> Lines: ...

    def __getitem__(self, index: int | slice) -> bytes | Lines:
        if isinstance(index, slice):
            first, stop, step = index.indices(len(self))
            if step != 1:
                raise ValueError("lines are taken side by side")
            return Lines(self._data, self._at[first : max(first, stop) + 1])
        at = range(len(self))[index]
        return bytes(self._data[self._at[at] : self._at[at + 1]]).rstrip(b"\n")

    def body(self) -> memoryview:
        """The text of all of them."""
        return self._data[self._at[0] : self._at[-1]]


def body_of(lines: Sequence[bytes]) -> bytes | memoryview:
    """What a request sends."""
    return lines.body() if isinstance(lines, Lines) else b"\n".join(lines)
