"""The last minutes of one bench, asked of the server that the workers write to."""

from __future__ import annotations

import time
from typing import Any

import numpy as np

from daq.fleet.settings import Fleet
from daq.store import envelope_of
from daq.store.influxdb import LIVE_LANE, InfluxPlace, InfluxServer, live_field, quoted, text_literal

__all__ = ["Series"]


class Series:
    """Reads what was gathered."""

    def __init__(self, fleet: Fleet) -> None:
        spec = fleet.influxdb
        self._server = InfluxServer(InfluxPlace(spec.url, spec.bucket, spec.org), timeout_s=10.0)

    def close(self) -> None:
        """Close the connections."""
        self._server.close()

    def last(self, bench: str, channels: list[str], *, seconds: float, points: int = 300) -> dict[str, Any]:
        """The lowest and highest value of each channel in spans of equal time over the last `seconds`.

        Parameters
        ----------
        bench : str
            Its identity, as in the topics.
        channels : list of str
            One that the bench does not have is left out of the answer.
        seconds : float
            How far back from now, above 0 [s].
        points : int
            How many spans at most, at least 1.

        Raises
        ------
        StoreError
            When the server does not answer.
        """
        import pyarrow as pa

        end_ns = time.time_ns()
        start_ns = end_ns - int(seconds * 1e9)
        out: dict[str, Any] = {}
        for channel in channels:
            field = live_field(channel)
            table = self._server.ask(
                f'SELECT {quoted(field)} FROM "sample" WHERE "bench" = {text_literal(bench)} '  # noqa: S608
                f"AND \"lane\" = '{LIVE_LANE}' AND time >= {start_ns} AND time <= {end_ns}",
                {field: pa.float64()},
            )
            if table is None:
                continue
            t_ns = table.column("time").to_numpy()
            values = table.column(field).to_numpy()
            order = np.argsort(t_ns, kind="stable")
            envelope = envelope_of(t_ns[order], values[order], points)
            out[channel] = {
                "utc_s": (envelope.t_ns / 1e9).tolist(),
                "lo": [None if np.isnan(v) else v for v in envelope.lo.tolist()],
                "hi": [None if np.isnan(v) else v for v in envelope.hi.tolist()],
            }
        return {"bench": bench, "seconds": seconds, "channels": out}
