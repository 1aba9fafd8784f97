"""The state of every bench, the worst first, from what workers and benches say over the broker."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import orjson

from daq.broker import Continuity, parse_topic
from daq.errors import FrameError
from daq.fleet.digest import News, news_in

__all__ = ["BenchState", "Overview"]

_PRIORITIES: Final = {"critical": 6, "high": 5, "medium": 3, "low": 2}
_QUIET: Final = ("shelved", "out_of_service", "suppressed", "normal")
"""By name: a bench of another version may say states that this one does not know, and those are shown."""
WORDS: Final = {
    6: "alarm, critical",
    5: "alarm, high",
    4: "silent",
    3: "alarm, medium",
    2: "alarm, low",
    1: "samples missing",
    0: "normal",
}
_MOST_BENCHES: Final = 20_000


@dataclass(slots=True)
class BenchState:
    """What is known of one bench."""

    bench: str
    news: News | None = None
    documents: dict[str, Any] = field(default_factory=dict)
    """The retained messages by stream: about, recorder, assessment, alarms."""
    continuity: Continuity = field(default_factory=Continuity)
    rows: int = 0
    channel_values: dict[str, float | None] = field(default_factory=dict)


class Overview:
    """Every bench that has been heard of. Safe to use from several threads.

    Parameters
    ----------
    stale_after_s : float
        A bench whose newest sample is older is silent [s].
    prefix : str
        Of the topics.
    """

    def __init__(self, *, stale_after_s: float, prefix: str = "lyewatch") -> None:
        self.stale_after_s = stale_after_s
        self.prefix = prefix
        self.spoilt = 0
        self._lock = threading.Lock()
        self._benches: dict[str, BenchState] = {}

    def hear(self, topic: str, payload: bytes) -> None:
        """Take a message in; one that makes no sense is counted."""
        try:
            if topic.startswith(f"{self.prefix}/v1-gather/"):
                self._digest(news_in(payload))
                return
            where = parse_topic(topic, self.prefix)
            if where is None:
                raise FrameError("is of no bench", place=topic)
            self._retained(*where, payload)
        except FrameError:
            self.spoilt += 1

    def _digest(self, news: list[News]) -> None:
        with self._lock:
            for item in news:
                state = self._state(item.bench)
                for epoch, n, rows in item.batches:
                    if state.continuity.see(epoch, n) == "new":
                        state.rows += rows
                if state.news is None or item.utc_ns >= state.news.utc_ns:
                    if state.news is None or item.run != state.news.run:
                        state.channel_values = {}
                    state.channel_values |= item.values
                    state.news = item

    def _retained(self, bench: str, stream: str, payload: bytes) -> None:
        try:
            document = orjson.loads(payload) if payload else None
        except ValueError as exc:
            raise FrameError(f"is not JSON: {exc}", place=stream) from None
        with self._lock:
            if document is None:
                self._state(bench).documents.pop(stream, None)
            else:
                self._state(bench).documents[stream] = document

    def _state(self, bench: str) -> BenchState:
        found = self._benches.get(bench)
        if found is None:
            if len(self._benches) >= _MOST_BENCHES:
                raise FrameError("is one bench too many", place=bench)
            found = self._benches[bench] = BenchState(bench)
        return found

    # -- what is shown -----------------------------------------------------------------------------

    def rows(self, now_ns: int | None = None) -> list[dict[str, Any]]:
        """All benches, the worst first, then by name."""
        now = time.time_ns() if now_ns is None else now_ns
        with self._lock:
            shown = [self._shown(state, now) for state in self._benches.values()]
        return sorted(shown, key=lambda r: (-r["rank"], r["bench"]))

    def bench(self, name: str, now_ns: int | None = None) -> dict[str, Any] | None:
        """One bench with all that is known of it; None for one that was never heard of."""
        now = time.time_ns() if now_ns is None else now_ns
        with self._lock:
            state = self._benches.get(name)
            if state is None:
                return None
            return {**self._shown(state, now), "told": dict(state.documents)}

    def _shown(self, state: BenchState, now_ns: int) -> dict[str, Any]:
        news = state.news
        age_s = None if news is None else (now_ns - news.utc_ns) / 1e9
        silent = age_s is None or age_s > self.stale_after_s
        alarms = standing_alarms(state.documents.get("alarms"))
        worst = max((_PRIORITIES.get(str(a.get("priority")), 2) for a in alarms), default=0)
        missing = state.continuity.missing
        rank = max(worst, 4 if silent else 0, 1 if missing else 0)
        about = state.documents.get("about") or {}
        return {
            "bench": state.bench,
            "name": str(about.get("name") or state.bench),
            "build": news.build if news is not None else "",
            "run": news.run if news is not None and news.kind == "run" else None,
            "rank": rank,
            "state": WORDS[rank],
            "alarms": [str(a.get("title") or a.get("alarm") or "alarm") for a in alarms],
            "age_s": age_s,
            "utc_ns": None if news is None else news.utc_ns,
            "rows": state.rows,
            "missing_batches": missing,
            "values": dict(state.channel_values),
        }


def standing_alarms(alarms: Any) -> list[Mapping[str, Any]]:
    """The alarms that stand and are not put aside, as a bench's retained message says them."""
    if isinstance(alarms, Mapping):
        alarms = alarms.get("alarms")
    if not isinstance(alarms, list):
        return []
    return [a for a in alarms if isinstance(a, Mapping) and str(a.get("state", "")) not in _QUIET]
