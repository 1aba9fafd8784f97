"""Server-side downsampling: of a million rows only some thousand numbers travel.

`bottom` and `top` keep the time of the very sample within each bucket of `GROUP BY time()`, so no extreme is
lost or moved.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa

from daq.store._arrow import numpy_of
from daq.store.envelope import Buckets
from daq.store.influxdb.line_protocol import value_field
from daq.store.influxdb.server import InfluxServer, quoted

__all__ = ["downsampled"]

_NAN = np.float64("nan")


def downsampled(
    server: InfluxServer,
    where: str,
    channels: Sequence[str],
    *,
    base_ns: int,
    start_ns: int,
    end_ns: int,
    width_ns: int,
) -> dict[str, Buckets]:
    """Each channel's buckets over the points that `where` names.

    Parameters
    ----------
    server : InfluxServer
    where : str
        InfluxQL; of one source.
    channels : sequence of str
    base_ns : int
        Wall time of the run's zero [ns].
    start_ns, end_ns : int
        What the buckets divide, both ends included [ns of the run].
    width_ns : int
        Length of a bucket [ns].
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
        out[channel] = Buckets(number, first, lo, t_lo, hi, t_hi, total, count)
    return out
