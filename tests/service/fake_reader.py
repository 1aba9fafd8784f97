"""A reader's end of the channel in a test's hand: it says what it is told to, and keeps what it hears."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import asdict
from typing import Any

from daq.bench import Bench
from daq.errors import PortError
from daq.reader.channel import Answer
from daq.store import RunRecord

__all__ = ["FakeReader"]

LEVELS = {
    "volts": 12.0,
    "amps": 8.0,
    "watts": 96.0,
    "lye_temp": 40.0,
    "gas_flow": 0.6,
    "room_temp": 21.0,
    "relay": 1.0,
}


class FakeReader:
    """Its side of the channel; `connect` is what `create_app` takes."""

    def __init__(self, bench: Bench, *, run: str = "20250304-093000") -> None:
        self.bench = bench
        self.began_s = time.monotonic()
        self.record = RunRecord(
            id=run,
            bench=bench.name,
            kind="run",
            name="evening braze",
            build="A",
            start_utc_ns=time.time_ns(),
            bench_toml=bench.text,
        )
        self.levels = dict(LEVELS)
        self.extra_state: dict[str, Any] = {}
        """What `state` says beside what is usual."""
        self.asked: list[tuple[str, dict[str, Any], str]] = []
        self.heard: list[dict[str, Any]] = []
        self.answers = True
        self.connected = False
        self.rows: list[dict[str, Any]] = []
        """All that it ever said, newest last: the backlog."""
        self._take: Callable[[dict[str, Any]], None] = lambda message: None
        self._lost: Callable[[str], None] = lambda why: None
        self._talking: threading.Thread | None = None
        self._stop = threading.Event()
        self._pause = threading.Event()

    # -- the link, as the service has it -------------------------------------------------------------------

    def connect(self, take: Callable[[dict[str, Any]], None], lost: Callable[[str], None]) -> FakeReader:
        """Make the link."""
        self._take, self._lost = take, lost
        return self

    def start(self) -> None:
        """The service begins to connect."""
        if self._talking is not None:
            self.come()

    def close(self) -> None:
        """The service ends the connection."""
        self.connected = False

    def ask(self, kind: str, body: Mapping[str, Any], who: str = "") -> Future[Answer]:
        """The service asks."""
        future: Future[Answer] = Future()
        if not self.connected:
            future.set_exception(PortError("the reader can not be reached", remedy="cut the supply by hand"))
            return future
        self.asked.append((kind, dict(body), who))
        if self.answers:
            if kind == "trip":
                self.trip(str(body.get("alarm") or "person"), str(body.get("reason", "")), who)
            elif kind == "reset":
                self.extra_state["trip"] = None
                self.state()
            future.set_result(Answer(True, "done"))
        return future

    def tell(self, message: Mapping[str, Any]) -> bool:
        """The service tells."""
        if self.connected:
            self.heard.append(dict(message))
        return self.connected

    # -- what a test does ----------------------------------------------------------------------------------

    def come(self, *, backlog: int = 50) -> None:
        """Be there, with what was said last."""
        self.connected = True
        self._take({"type": "hello", "version": 1, "pid": 1, "bench": self.bench.name})
        self._take({"type": "run", "run": asdict(self.record), "calibrations": []})
        if self.rows:
            self._take({"type": "samples", "run": self.record.id, "rows": self.rows[-backlog:]})
        self.state()

    def go(self, why: str = "no reader runs for this bench") -> None:
        """Be gone."""
        self.connected = False
        self._lost(why)

    def trip(self, cause: str, detail: str, by: str) -> None:
        """A trip stands from now on."""
        self.extra_state["trip"] = {
            "t_utc_ns": time.time_ns(),
            "run_id": self.record.id,
            "t_ns": self.now_ns,
            "cause": cause,
            "detail": detail,
            "value": None,
            "by": by,
            "later": [],
            "logged": False,
        }
        self.state()

    @property
    def now_ns(self) -> int:
        """The run's time [ns]."""
        return int((time.monotonic() - self.began_s) * 1e9)

    def say(self, *, t_ns: int | None = None, source: str = "head", tell: bool = True) -> dict[str, Any]:
        """One frame."""
        values = {n: v for n, v in self.levels.items() if self.bench.channels[n].source == source}
        row = {
            "source": source,
            "t_ns": self.now_ns if t_ns is None else t_ns,
            "seq": len(self.rows),
            "v": {n: None if math.isnan(v) else v for n, v in values.items()},
        }
        bad = {n: 2 for n, v in values.items() if math.isnan(v)}
        if bad:
            row["q"] = bad
        self.rows.append(row)
        if tell and self.connected:
            self._take({"type": "samples", "run": self.record.id, "rows": [row]})
        return row

    def state(self) -> None:
        """How the reader is."""
        if not self.connected:
            return
        self._take(
            {
                "type": "state",
                "utc_ns": time.time_ns(),
                "pid": 1,
                "run": self.record.id,
                "kind": "run",
                "links": [{"source": "head", "state": "open", "age_s": 0.1}],
                "powered": True,
                "cut_confirmed": False,
                "trip_unconfirmed": False,
                "cut_words": None,
                "current_though_open": False,
                "trip": None,
                "recording": {
                    "impaired": None,
                    "held": 0,
                    "dropped": 0,
                    "written_bytes_per_hour": 42e6,
                    "committed_utc_ns": time.time_ns(),
                },
                "inbox_dropped": 0,
                "subscribers": 1,
                "subscribers_dropped": 0,
                **self.extra_state,
            }
        )

    def talk(self, *, hz: float = 20.0) -> None:
        """Say frames, and each second the state, until `stop`; none of it while `silent`."""

        def run() -> None:
            sent_s = 0.0
            while not self._stop.wait(1.0 / hz):
                if self._pause.is_set():
                    continue
                self.say()
                if time.monotonic() - sent_s > 0.5:
                    sent_s = time.monotonic()
                    self.state()

        self._talking = threading.Thread(target=run, daemon=True)
        self._talking.start()

    def silent(self, yes: bool = True) -> None:
        """Say nothing, as one that hangs; or talk again."""
        if yes:
            self._pause.set()
        else:
            self._pause.clear()

    def stop(self) -> None:
        """End its thread."""
        self._stop.set()
        if self._talking is not None:
            self._talking.join(10.0)
