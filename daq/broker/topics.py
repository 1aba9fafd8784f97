"""Which topics a bench publishes: ``PREFIX/v1/BENCH/STREAM``."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from daq.bench import BENCH_ID_PATTERN

__all__ = ["BENCH_ID_PATTERN", "STREAMS", "Topics", "bench_id_of", "parse_topic"]

_VERSION: Final = "v1"

STREAMS: Final = ("samples", "about", "recorder", "assessment", "alarms")
"""`samples` are batches in order; the others are retained, each message replacing the one before."""

_BENCH_ID = re.compile(BENCH_ID_PATTERN)


def bench_id_of(name: str) -> str:
    """A bench's name as an identity: "Torch bench 1" becomes "torch-bench-1".

    A name without one letter or digit of ASCII gives "bench".
    """
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40].strip("-") or "bench"


@dataclass(frozen=True, slots=True)
class Topics:
    """The topics of one bench.

    Parameters
    ----------
    bench : str
        Its identity: see `BENCH_ID_PATTERN`.
    prefix : str
        One to four levels that all benches of a broker share.
    """

    bench: str
    prefix: str = "lyewatch"

    def of(self, stream: str) -> str:
        """The topic of one of `STREAMS`."""
        return f"{self.prefix}/{_VERSION}/{self.bench}/{stream}"

    @staticmethod
    def every_bench(stream: str, prefix: str = "lyewatch", *, group: str | None = None) -> str:
        """A filter for one stream of all benches.

        Parameters
        ----------
        stream : str
            One of `STREAMS`.
        prefix : str
            The topics' first level.
        group : str, optional
            Shared among the members of this group (MQTT 5); None for a subscription of one's own.
        """
        shared = "" if group is None else f"$share/{group}/"
        return f"{shared}{prefix}/{_VERSION}/+/{stream}"


def parse_topic(topic: str, prefix: str = "lyewatch") -> tuple[str, str] | None:
    """Bench and stream of a topic; None for one that is not of this scheme."""
    head = f"{prefix}/{_VERSION}/"
    if not topic.startswith(head):
        return None
    bench, slash, stream = topic.removeprefix(head).partition("/")
    if not slash or stream not in STREAMS or not _BENCH_ID.fullmatch(bench):
        return None
    return bench, stream
