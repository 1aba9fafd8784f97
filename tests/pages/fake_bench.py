"""A bench that a test holds in its hand, and the events that it sends."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncGenerator
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from daq.alarms.desk import AlarmDesk
from daq.alarms.rule_kinds import ExternalRule
from daq.alarms.rules import check_alarms
from daq.bench import load_bench
from daq.examples import example_text
from tests.pages import bench_facts as facts
from tests.pages.past_runs import listing, marks_of

__all__ = ["RUN", "FakeBench", "events", "every_alarm"]

RUN = "20250304-093000"


@cache
def every_alarm() -> tuple[dict[str, Any], ...]:
    """The alarms of the example bench with their rationale, all normal."""
    with TemporaryDirectory() as folder:
        file = Path(folder) / "bench.toml"
        file.write_text(example_text("water_torch"), encoding="utf-8")
        desk = AlarmDesk([ExternalRule(r.spec) for r in check_alarms(load_bench(file))], None)
    return tuple(desk.all_alarms())


class FakeBench:
    """The state behind the fake service; plain attributes that a test sets."""

    def __init__(self, *, t0: float = 600.0, speed: float = 1.0) -> None:
        self.t0, self.speed = t0, speed
        self.began = time.monotonic()
        self.closing = False
        self.ticks = 0
        """Turns of the streams' loops, by which a test knows that nothing more is on its way."""
        self.silent = False
        """No event of any kind leaves the stream."""
        self.refuse: dict[str, tuple[int, dict[str, Any]]] = {}
        """Path to (status, error) for writes that shall fail."""
        self.deleted: list[dict[str, Any]] = []
        """Past runs that were deleted."""
        self.results_asked: list[str] = []
        """Runs whose result was asked for."""
        self.logs: list[tuple[dict[str, str], bytes]] = []
        """Logs that were sent, with what their address said of them."""
        self.flood = False
        """The past runs' alarms are a flood: one that comes and goes every two seconds."""
        self.cooled = False
        """The past runs end with a cool-down."""
        self.requests: list[tuple[str, str, dict[str, Any]]] = []
        self.series_asked: list[dict[str, str]] = []
        self.streams_open = 0
        self.streams_most = 0
        self.streams_after: list[str] = []
        self.run: dict[str, Any] | None = {
            "id": RUN,
            "name": "Evening braze test",
            "build": "A: plates as cut",
            "kind": "run",
            "start_utc": facts.stamp(0),
        }
        self.supply = {"state": "on", "words": "Supply is on, 10.9 A"}
        self.data = {"state": "fresh", "age_s": 0.1, "words": "Data are fresh"}
        self.standing: list[dict[str, Any]] = []
        self.trip: dict[str, Any] | None = None
        self.finding = True
        self.forecast: dict[str, Any] | None = None
        self.fill: dict[str, Any] | None = None
        self.fills: list[dict[str, Any]] = []
        self.impaired: str | None = None
        self.blind: list[dict[str, str]] = []
        self.recording = {"state": "ok", "words": "Samples are kept", "written_bytes_per_hour": 42.3e6}
        self.archive: dict[str, Any] | None = None
        self.guide: str | None = None
        self.extra_temp = 0.0
        self.falling: float | None = None
        """How fast the lye cools, in place of what it does by itself [K/min]."""
        self.no_current = False
        self.without: tuple[str, ...] = ()
        """Channels that this bench has not."""
        self.more_links: list[tuple[str, str, str | None]] = []
        """Sources besides the first: name, state, last error."""
        self.past = listing()
        self.marks = marks_of()

    def now(self) -> float:
        """Elapsed seconds of the fake run."""
        return self.t0 + self.speed * (time.monotonic() - self.began)

    def raise_alarm(
        self,
        name: str = "lye_temp.high",
        *,
        priority: str = "high",
        state: str = "unacknowledged",
        **more: Any,
    ) -> None:
        """Put one alarm among the standing ones; `more` stands in place of what it would say."""
        self.standing.append(
            {
                "alarm": name,
                "title": "Lye temperature high",
                "state": state,
                "active": True,
                "priority": priority,
                "since_utc": facts.stamp(self.now()),
                "value": 60.4,
                "limit": 60.0,
                "unit": "degC",
                "what": "The lye is hotter than the housings are made for.",
                "do": "Turn the voltage down or switch the supply off, and let the stack cool.",
                "t_s": 600.0,
                "shelved_until_utc": None,
                "shelve_s": 28800.0,
                "cuts": None,
                "by": "",
                "why": "",
                **more,
            }
        )

    def alarms(self) -> list[dict[str, Any]]:
        """Every alarm: those of a real bench, in the state that the test has put them into."""
        rows = {row["alarm"]: dict(row) for row in every_alarm()}
        rows.update({row["alarm"]: row for row in self.standing})
        return [rows[name] for name in sorted(rows)]

    def alarm_act(self, alarm: str, act: str, body: dict[str, Any]) -> None:
        """What a person does with an alarm, as the life cycle has it where that is simple."""
        row = next((a for a in self.standing if a["alarm"] == alarm), None)
        if row is None:
            row = next(dict(a) for a in self.alarms() if a["alarm"] == alarm)
            self.standing.append(row)
        aside = {"by": body["who"], "why": body.get("note", "")}
        match act:
            case "acknowledge" if row["state"] == "latched_unack":
                row.update(aside, state="latched_ack")
            case "acknowledge" if row["state"] == "unacknowledged":
                row.update(aside, state="acknowledged")
            case "shelve":
                until = facts.stamp(self.now() + 60.0 * body["minutes"])
                row.update(aside, state="shelved", shelved_until_utc=until)
            case "out-of-service":
                row.update(aside, state="out_of_service")
            case "unshelve" | "into-service" if row["active"]:
                row.update(by="", why="", state="unacknowledged", shelved_until_utc=None)
            case _:
                self.standing.remove(row)

    def trip_now(self, by: str = "guard") -> None:
        """Cut the supply, as the reader would."""
        self.trip = {
            "cause": "lye_temp.trip",
            "detail": "the temperature of the lye reached 65.20 °C; its limit is 65 °C",
            "utc": facts.stamp(self.now()),
            "value": 65.2,
            "by": by,
        }
        self.supply = {"state": "tripped", "words": "Supply is cut"}

    def state(self) -> dict[str, Any]:
        """The state event."""
        open_ones = [
            a for a in self.standing if a["state"].startswith("unack") or a["state"].endswith("unack")
        ]
        here = [a for a in self.standing if a["state"] not in ("shelved", "suppressed", "out_of_service")]
        order = ["critical", "high", "medium", "low"]
        worst = min((a["priority"] for a in here), key=order.index, default=None)
        word = "unacknowledged" if open_ones else "standing" if here else "clear"
        count = len(here)
        number = f"{count} alarm{'s' if count > 1 else ''}"
        words = f"{number} acknowledged" if count else "No alarms"
        if not count and (unseen := [b["words"] for b in self.blind if b["part"] != "forecast"]):
            word, words = "unknown", f"Not known: {unseen[0]}"
        if open_ones:
            words = f"{number}, {len(open_ones)} to acknowledge: {open_ones[0]['title']}"
        return {
            "utc": facts.stamp(self.now()),
            "run": None if self.run is None else {**self.run, "elapsed_s": self.now()},
            "supply": self.supply,
            "data": self.data,
            "alarms": {"state": word, "count": count, "worst": worst, "words": words},
            "trip": self.trip,
            "guide": self.guide,
            "archive": self.archive,
            "impaired": self.impaired,
            "blind": self.blind,
            "recording": self.recording,
            "fill": self.fill,
            "standing": self.standing,
            "links": [self._link(*link) for link in (("head", "open", None), *self.more_links)],
        }

    def _link(self, source: str, state: str, error: str | None) -> dict[str, Any]:
        return {
            "source": source,
            "state": state,
            "good": int(self.now() * 10),
            "unchecked": 0,
            "bad_crc": 2,
            "malformed": 1,
            "gaps": 3,
            "out_of_range": 0,
            "reopened": 1,
            "dropped": 0,
            "rate_hz": 10.0,
            "age_s": 0.1,
            "last_error": error,
        }

    def about(self) -> dict[str, Any]:
        """What the bench is."""
        kept = [c for c in facts.BENCH["channels"] if c["name"] not in self.without]
        return {**facts.BENCH, "channels": kept, "simulated": self.guide is not None}

    def samples(self, t: float) -> dict[str, Any]:
        """The samples event of one instant."""
        kept = [name for name in facts.CHANNELS if name not in self.without]
        values = {name: round(facts.channel_value(name, t), 4) for name in kept}
        values["lye_temp"] += self.extra_temp
        if self.falling is not None:
            values["lye_temp"] += self.falling * (t - self.t0) / 60.0
        if self.no_current:
            values.update(amps=0.0, relay=0.0)
        run = self.run["id"] if self.run else "standby"
        return {
            "run": run,
            "start_utc": facts.stamp(0),
            "rows": [{"source": "head", "t": round(t, 3), "v": values, "s": {}}],
        }

    def assessment(self, t: float) -> dict[str, Any]:
        """The assessment event of one instant."""
        assessed = facts.assessment(self.run["id"] if self.run else "standby", t)
        if not self.finding:
            assessed["findings"] = []
        assessed["forecast"] = self.forecast
        if self.falling is not None:
            assessed["numbers"]["temp_rate_c_per_min"] = {
                "value": self.falling,
                "u95": 0.1,
                "unit": "degC/min",
            }
        if "gas_flow" in self.without:
            gas = {
                key: {"value": None, "u95": None, "unit": assessed["numbers"][key]["unit"]}
                for key in facts.OF_GAS
            }
            assessed["numbers"].update(gas)
        return assessed


async def events(bench: FakeBench) -> AsyncGenerator[str]:
    bench.streams_open += 1
    bench.streams_most = max(bench.streams_most, bench.streams_open)
    last_state, said_state, last_assessed, last_words = 0.0, "", 0.0, 0.0
    try:
        yield "retry: 500\n\n"
        while not bench.closing:
            bench.ticks += 1
            now = time.monotonic()
            if bench.silent:
                if now - last_words > 1:
                    last_words = now
                    yield ": quiet\n\n"
            else:
                t = bench.now()
                if bench.data["state"] == "fresh":
                    yield _event("samples", bench.samples(t), int(t * 10))
                    if now - last_assessed >= 1:
                        last_assessed = now
                        yield _event("assessment", bench.assessment(t), int(t * 10))
                state = bench.state()
                essence = json.dumps(
                    [
                        state["run"] and state["run"]["id"],
                        state["supply"],
                        state["data"],
                        state["trip"],
                        state["standing"],
                        state["fill"],
                        state["blind"],
                        state["recording"],
                    ]
                )
                if essence != said_state or now - last_state >= 2:
                    said_state, last_state = essence, now
                    yield _event("state", state, int(t * 10))
            await asyncio.sleep(0.1)
    finally:
        bench.streams_open -= 1


def _event(kind: str, data: dict[str, Any], number: int) -> str:
    return f"id: {number}\nevent: {kind}\ndata: {json.dumps(data)}\n\n"
