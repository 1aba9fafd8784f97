"""What a worker says of the benches it has just heard: the newest values, and which batches came.

One message of one worker holds all benches since its last one, so that whoever shows a thousand benches takes
a few messages a second. It is made after the server's answer: what is shown is stored.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Final

import orjson

from daq.broker import Batch
from daq.errors import FrameError

__all__ = ["Digest", "News", "digest_topic", "news_in"]

_VERSION: Final = 1


def digest_topic(prefix: str, worker: str) -> str:
    """Where a worker publishes its digests; `+` for all workers."""
    return f"{prefix}/v1-gather/{worker}/digest"


@dataclass(slots=True)
class News:
    """What came of one bench.

    Attributes
    ----------
    bench : str
    run, kind, build : str
        Of its newest batch.
    utc_ns : int
        Wall time of its newest sample [ns].
    values : dict of str to float or None
        The newest value by channel; None where it is bad or missing.
    batches : list of (str, int, int)
        Epoch, number and rows of every batch.
    """

    bench: str
    run: str
    kind: str
    build: str
    utc_ns: int
    values: dict[str, float | None] = field(default_factory=dict)
    batches: list[tuple[str, int, int]] = field(default_factory=list)


class Digest:
    """Gathers news until they are told."""

    def __init__(self) -> None:
        self._news: dict[str, News] = {}

    def __len__(self) -> int:
        return len(self._news)

    def add(self, batch: Batch) -> None:
        """Take a batch in that is stored."""
        newest = max(batch.start_utc_ns + int(block.t_ns[-1]) for block in batch.blocks)
        news = self._news.get(batch.bench)
        if news is None:
            news = self._news[batch.bench] = News(batch.bench, batch.run, batch.kind, batch.build, newest)
        news.batches.append((batch.epoch, batch.n, batch.rows))
        if newest >= news.utc_ns:
            news.run, news.kind, news.build, news.utc_ns = batch.run, batch.kind, batch.build, newest
            for block in batch.blocks:
                for channel, column in block.values.items():
                    value = float(column[-1])
                    news.values[channel] = value if math.isfinite(value) else None

    def take(self) -> bytes | None:
        """The message, and begin anew; None when there are no news."""
        if not self._news:
            return None
        news, self._news = self._news, {}
        return orjson.dumps(
            {
                "v": _VERSION,
                "benches": [
                    [n.bench, n.run, n.kind, n.build, n.utc_ns, n.values, n.batches] for n in news.values()
                ],
            }
        )


def news_in(payload: bytes) -> list[News]:
    """What a digest says.

    Raises
    ------
    FrameError
        When it is none.
    """
    try:
        body: Any = orjson.loads(payload)
        if body["v"] != _VERSION:
            raise ValueError(body["v"])
        found = []
        for bench, run, kind, build, utc_ns, values, batches in body["benches"]:
            if not (isinstance(bench, str) and isinstance(utc_ns, int) and isinstance(values, dict)):
                raise TypeError(bench)
            numbers = {str(k): None if v is None else float(v) for k, v in values.items()}
            counted = [(str(epoch), int(n), int(rows)) for epoch, n, rows in batches]
            found.append(News(bench, str(run), str(kind), str(build), utc_ns, numbers, counted))
        return found
    except (ValueError, TypeError, KeyError, IndexError) as exc:
        raise FrameError(f"is no digest of version {_VERSION}: {exc}", place="digest") from None
