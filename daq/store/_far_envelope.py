"""An envelope of a long series that the server makes: of a million rows only some thousand numbers travel.

`bottom` and `top` keep the time of the very sample within each span of `GROUP BY time()`, so no extreme is
lost or moved.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from daq.store._arrow import numpy_of
from daq.store._influx_lines import value_field
from daq.store.envelope import Envelope
from daq.store.influx_server import InfluxServer, quoted

__all__ = ["Spans", "asked_of_server", "made_here", "merged"]

_NAN = np.float64("nan")


class Spans(NamedTuple):
    """What spans of equal time hold of one channel, by the spans' numbers; `total` is the sum of the
    values.
    """

    number: NDArray[np.int64]
    first_ns: NDArray[np.int64]
    lo: NDArray[np.float64]
    t_lo_ns: NDArray[np.int64]
    hi: NDArray[np.float64]
    t_hi_ns: NDArray[np.int64]
    total: NDArray[np.float64]
    finite: NDArray[np.int64]


def asked_of_server(
    server: InfluxServer,
    where: str,
    channels: Sequence[str],
    *,
    base_ns: int,
    start_ns: int,
    end_ns: int,
    width_ns: int,
) -> dict[str, Spans]:
    """Each channel's spans over the points that `where` names.

    Parameters
    ----------
    where : str
        InfluxQL; of one source.
    base_ns : int
        Wall time of the run's zero [ns].
    start_ns, end_ns : int
        What the spans divide, both ends included [ns of the run].
    width_ns : int
        Length of a span [ns].
    """
    zero = base_ns + start_ns
    scope = f'FROM "sample" WHERE {where} AND time >= {zero} AND time <= {base_ns + end_ns}'
    by = f"GROUP BY time({width_ns}ns, {zero % width_ns}ns) fill(none)"
    fields = [quoted(value_field(c)) for c in channels]
    counted = ", ".join(f"sum({f}) AS s{k}, count({f}) AS c{k}" for k, f in enumerate(fields))
    kinds: dict[str, pa.DataType] = {f"s{k}": pa.float64() for k in range(len(fields))}
    kinds |= {f"c{k}": pa.int64() for k in range(len(fields))}
    table = server.ask(f'SELECT count("row") AS n, {counted} {scope} {by}', kinds)
    if table is None:
        return {}
    start = numpy_of(table.column("time"), np.int64(0)) - zero
    number = start // width_ns
    out = {}
    for k, (channel, field) in enumerate(zip(channels, fields, strict=True)):
        count = numpy_of(table.column(f"c{k}"), np.int64(0))
        total = np.nan_to_num(numpy_of(table.column(f"s{k}"), _NAN))
        first = np.maximum(start, 0) + start_ns
        lo, hi = np.full(number.size, np.nan), np.full(number.size, np.nan)
        t_lo, t_hi = first.copy(), first.copy()
        for name, value, when in (("bottom", lo, t_lo), ("top", hi, t_hi)):
            found = server.ask(f"SELECT {name}({field}, 1) AS v {scope} {by}", {"v": pa.float64()})
            if found is not None:
                t = numpy_of(found.column("time"), np.int64(0)) - zero
                at = np.searchsorted(number, t // width_ns)
                value[at] = numpy_of(found.column("v"), _NAN)
                when[at] = t + start_ns
        known = count > 0
        first[known] = np.minimum(t_lo, t_hi)[known]
        out[channel] = Spans(number, first, lo, t_lo, hi, t_hi, total, count)
    return out


def made_here(t_ns: NDArray[np.int64], values: NDArray[np.float64], start_ns: int, width_ns: int) -> Spans:
    """The spans of rows that are at hand, sorted by time."""
    numbers = (t_ns - start_ns) // width_ns
    number, firsts = np.unique(numbers, return_index=True)
    ends = np.append(firsts[1:], t_ns.size)
    finite = np.isfinite(values)
    low, high = np.where(finite, values, np.inf), np.where(finite, values, -np.inf)
    lows = [a + int(np.argmin(low[a:b])) for a, b in zip(firsts, ends, strict=True)]
    highs = [a + int(np.argmax(high[a:b])) for a, b in zip(firsts, ends, strict=True)]
    known = np.where(finite, values, 0.0)
    return Spans(
        number, t_ns[firsts], values[lows], t_ns[lows], values[highs], t_ns[highs],
        np.add.reduceat(known, firsts), np.add.reduceat(finite, firsts, dtype=np.int64),
    )  # fmt: skip


def merged(parts: Sequence[Spans]) -> Envelope:
    """The envelope of several parts whose spans are the same."""
    numbers = np.unique(np.concatenate([p.number for p in parts]))
    size = numbers.size
    first = np.full(size, 2**63 - 1, np.int64)
    lo, hi = np.full(size, np.inf), np.full(size, -np.inf)
    t_lo, t_hi = np.zeros(size, np.int64), np.zeros(size, np.int64)
    total, count = np.zeros(size), np.zeros(size, np.int64)
    for p in parts:
        at = np.searchsorted(numbers, p.number)
        first[at] = np.minimum(first[at], p.first_ns)
        some = p.finite > 0
        for value, when, theirs, their_t, better in (
            (lo, t_lo, p.lo, p.t_lo_ns, np.less),
            (hi, t_hi, p.hi, p.t_hi_ns, np.greater),
        ):
            take = some & (better(theirs, value[at]) | ((theirs == value[at]) & (their_t < when[at])))
            value[at[take]], when[at[take]] = theirs[take], their_t[take]
        total[at] += p.total
        count[at] += p.finite
    none = count == 0
    lo[none] = hi[none] = np.nan
    t_lo[none] = t_hi[none] = first[none]
    mean = np.full(size, np.nan)
    np.divide(total, count, out=mean, where=~none)
    return Envelope(first, lo, hi, t_lo, t_hi, mean, count)
