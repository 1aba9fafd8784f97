"""The numbers of a whole run, window by window."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from daq.bench import Bench
from daq.frame import Block
from daq.measure import Assessor, Columns, LyeSource, Numbers, assess_windows

__all__ = ["window_numbers"]

_STEPS = 30


def window_numbers(
    bench: Bench, blocks: Mapping[str, Block], *, window_s: float, lye: LyeSource | None = None
) -> Numbers:
    """The numbers of consecutive windows over all samples of a run.

    Parameters
    ----------
    bench : Bench
        The bench as it was when the run was made.
    blocks : mapping of str to Block
        The run's samples by source.
    window_s : float
        Width of a window [s], at least 1; rounded so that it holds a whole number of steps of a millisecond.
    lye : LyeSource, optional
        Who says how strong the lye was; by default it stays as the bench file says it was filled.

    Returns
    -------
    Numbers
        Windows from the multiple of the width before the first sample to the one that holds the last.
    """
    columns = Columns.from_blocks(blocks)
    width = max(1, round(window_s * 1000 / _STEPS)) * _STEPS * 1_000_000
    first, last = columns.span_ns or (0, 0)
    # A window holds its end and not its beginning: what lies on an edge belongs to the window before it.
    start = max(0, (first - 1) // width * width)
    end = max(start + width, -(-last // width) * width)
    edges = np.arange(start, end + 1, width, dtype=np.int64)
    return assess_windows(columns, edges, bench, steps=_STEPS, assessor=Assessor(bench, lye))
