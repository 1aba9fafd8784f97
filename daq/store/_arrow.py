"""numpy arrays to Arrow's and back, by their buffers.

Arrow's own conversions import pandas where it is installed, which costs a reader 40 MB of memory for nothing.
"""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

__all__ = ["arrow_of", "numpy_of"]

_T = TypeVar("_T", np.float64, np.int64, np.uint8)
_TYPES: dict[str, pa.DataType] = {"float64": pa.float64(), "int64": pa.int64(), "uint8": pa.uint8()}


def arrow_of(values: NDArray[np.float64] | NDArray[np.int64] | NDArray[np.uint8]) -> pa.Array[Any]:
    """An Arrow array over the same memory; what is not finite is null."""
    validity = None
    if values.dtype == np.float64:
        finite = np.isfinite(values)
        if not finite.all():
            validity = _buffer(np.packbits(finite, bitorder="little"))
    data = _buffer(np.ascontiguousarray(values))
    return pa.Array.from_buffers(_TYPES[values.dtype.name], values.size, [validity, data])


def numpy_of(column: pa.ChunkedArray[Any], null: _T) -> NDArray[_T]:
    """A column as one array of the type of `null`, which stands where the column has no value.

    Read-only when it is over Arrow's own memory.
    """
    parts = [_chunk(chunk, null) for chunk in column.chunks if len(chunk)]
    if not parts:
        return np.empty(0, dtype=type(null))
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def _buffer(values: NDArray[Any]) -> pa.Buffer:
    return pa.py_buffer(values.view(np.uint8).data)


def _chunk(chunk: pa.Array[Any], null: _T) -> NDArray[_T]:
    if chunk.null_count == len(chunk):
        return np.full(len(chunk), null, dtype=type(null))
    validity, data = chunk.buffers()
    assert data is not None
    start, end = chunk.offset, chunk.offset + len(chunk)
    values: NDArray[_T] = np.frombuffer(memoryview(data), dtype=type(null), count=end)[start:]
    if validity is None or chunk.null_count == 0:
        return values
    bits = np.frombuffer(memoryview(validity), dtype=np.uint8)
    known = np.unpackbits(bits, count=end, bitorder="little")[start:].astype(np.bool_)
    return np.where(known, values, null)
