"""Samples of a bench as they come over a broker, as points: no catalogue, and a lane of their own."""

from __future__ import annotations

from collections.abc import Sequence

from daq.frame import Block

__all__ = ["LIVE_LANE", "live_field", "live_lines"]

LIVE_LANE = "live"


def live_lines(bench: str, run_id: str, start_utc_ns: int, block: Block) -> Sequence[bytes]:
    """A line of line protocol for each row.

    The same row gives the same line whenever it comes, as long as no other row of its source has its time.

    Parameters
    ----------
    bench : str
        Its identity, as in the topics.
    run_id : str
    start_utc_ns : int
        Wall time at the run's zero [ns since 1970].
    block : Block
        Of one source.
    """
    from daq.store.influxdb.line_protocol import lines_of, point_times

    tags = {"bench": bench, "run": run_id, "source": block.source, "lane": LIVE_LANE}
    return lines_of(block, point_times(block.t_ns, start_utc_ns), tags=tags, part=0)


def live_field(channel: str) -> str:
    """The field that holds a channel's values."""
    from daq.store.influxdb.line_protocol import value_field

    return value_field(channel)
