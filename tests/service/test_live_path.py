"""The live side with faults put into each of its parts: the disk, the reader, the watch, what foresees."""

from __future__ import annotations

import itertools
import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from starlette.testclient import TestClient

from daq.bench import Bench
from daq.errors import StoreError
from daq.frame import Block, Sample
from daq.service import create_app
from daq.service import live as live_module
from daq.service.live import LOOKED_AT_FOR_S, SELDOM_NS, STEP_NS, Live
from daq.store import Logbook, Store
from daq.store.logbook import AlarmBook
from tests.documented import DocumentedClient
from tests.service.fake_reader import FakeReader
from tests.waiting import wait_until

LONG_S = 60.0


class Bed:
    """The service over a fake reader."""

    def __init__(self, client: TestClient, reader: FakeReader) -> None:
        self.client, self.reader = client, reader

    @property
    def live(self) -> Live:
        live: Live = self.client.app.state.live  # type: ignore[attr-defined]
        return live

    def get(self, path: str, *, status: int = 200) -> Any:
        answer = self.client.get(path)
        assert answer.status_code == status, answer.text
        return answer.json()

    def standing(self) -> dict[str, str]:
        return {a["alarm"]: a["state"] for a in self.get("/api/state")["standing"]}

    def until(self, true: Callable[[], Any], what: str) -> Any:
        return wait_until(true, what, timeout_s=LONG_S)

    def ticking(self) -> None:
        """Wait for a tick that is still to come."""
        before = self.live._ticked_ns
        self.until(lambda: self.live._ticked_ns > before, "a tick")

    def call(self, do: Callable[[], Any]) -> Any:
        """Do something in the event loop."""
        portal = self.client.portal
        assert portal is not None
        return portal.call(do)


@pytest.fixture
def tables() -> str:
    return """
        [alarms.rules.lye_temp.high]
        cuts = true
    """


@pytest.fixture
def reader(bench: Bench) -> Iterator[FakeReader]:
    made = FakeReader(bench)
    yield made
    made.stop()


@contextmanager
def serving(
    bench: Bench, reader: FakeReader, *, open_store: Callable[[], Store] | None = None
) -> Iterator[Bed]:
    app = create_app(bench, connect=reader.connect, open_store=open_store)
    with DocumentedClient(app, base_url="http://127.0.0.1:8737") as client:
        yield Bed(client, reader)


@pytest.fixture
def bed(bench: Bench, reader: FakeReader) -> Iterator[Bed]:
    reader.talk()
    with serving(bench, reader) as made:
        made.until(lambda: made.get("/api/state")["data"]["state"] == "fresh", "data")
        made.until(lambda: not made.live.blind(), "the watch")
        yield made


# -- who looks ---------------------------------------------------------------------------------------------


def test_assessments_are_made_in_full_only_while_somebody_looks(bench: Bench, reader: FakeReader) -> None:
    reader.talk()
    with serving(bench, reader) as bed:
        bed.until(lambda: not bed.live.blind(), "the watch")
        live = bed.live
        bed.until(lambda: live._ticked_ns >= 4 * STEP_NS, "some ticks")
        alone = [a.t_ns for a in live.assessments]
        assert alone == [t for t in alone if t % SELDOM_NS == 0], "nobody looks"
        # Whoever comes is shown the window that ended last, and from then on each.
        seen = bed.get("/api/recent?seconds=60")["assessments"]
        last = seen[-1]
        assert last["t"] >= live._ticked_ns / 1e9 - 2.0
        assert last["numbers"]["power_w"]["value"] == pytest.approx(reader.levels["watts"])
        assert last["numbers"]["power_w"]["u95"] > 0.0
        bed.until(lambda: len(live.assessments) >= len(seen) + 3, "one a second")
        times = [a.t_ns for a in live.assessments][-3:]
        assert [b - a for a, b in itertools.pairwise(times)] == [STEP_NS, STEP_NS]
        # Long after the last question it is as before; alarms are raised all the same.
        live._asked_s -= LOOKED_AT_FOR_S
        bed.ticking()
        made, ticked = len(live.assessments), live._ticked_ns
        reader.levels["lye_temp"] = 52.0
        bed.until(lambda: live.watch.alarms["lye_temp.warn"].active, "the alarm")
        bed.until(lambda: live._ticked_ns >= ticked + 2 * STEP_NS, "more ticks")
        due = live._ticked_ns // SELDOM_NS - ticked // SELDOM_NS
        assert len(live.assessments) - made <= due + 1


def test_the_reader_is_told_whether_samples_are_waited_for(bench: Bench, reader: FakeReader) -> None:
    def paces() -> list[bool]:
        return [message["patient"] for message in reader.heard if message["type"] == "pace"]

    reader.talk()
    with serving(bench, reader) as bed:
        bed.until(lambda: paces() == [True], "nobody follows")
        seen: list[str] = []
        bed.call(lambda: bed.live.hub.taps.append(lambda name, data: seen.append(name)))
        bed.until(lambda: paces() == [True, False], "somebody does")
        bed.until(lambda: "samples" in seen, "samples")
        bed.call(bed.live.hub.taps.clear)
        bed.until(lambda: paces() == [True, False, True], "nobody does any more")
        # Another reader does not know.
        reader.go()
        reader.come()
        bed.until(lambda: paces() == [True, False, True, True], "it is told again")
        bed.ticking()


# -- the disk ----------------------------------------------------------------------------------------------


def no_store() -> Store:
    raise StoreError("disk I/O error", place="logbook.db", remedy="look at the disk")


def test_without_any_store_pages_alarms_and_cuts_go_on(bench: Bench, reader: FakeReader) -> None:
    reader.extra_state["recording"] = {"impaired": "the disk is full", "held": 1234, "dropped": 0}
    reader.talk()
    with serving(bench, reader, open_store=no_store) as bed:
        bed.until(lambda: bed.get("/api/state")["data"]["state"] == "fresh", "data")
        reader.levels["lye_temp"] = 52.0
        bed.until(lambda: bed.standing().get("lye_temp.warn") == "unacknowledged", "the alarm")
        bed.until(lambda: bed.standing().get("recording.impaired") == "unacknowledged", "the other alarm")
        (row,) = [a for a in bed.get("/api/alarms")["standing"] if a["alarm"] == "recording.impaired"]
        assert row["priority"] == "critical"
        state = bed.get("/api/state")
        assert state["recording"]["state"] == "impaired"
        assert state["impaired"].startswith("Nothing is being kept: the disk is full (1,234 samples wait")
        recent = bed.get("/api/recent?seconds=60")
        assert recent["v"]["lye_temp"][-1] == 52.0
        assert recent["assessments"]
        begun = time.monotonic()
        assert bed.client.post("/api/trip", json={"who": "Ada"}).status_code == 200
        assert time.monotonic() - begun < 5.0
        assert reader.asked[-1] == ("trip", {"reason": ""}, "Ada")
        bed.client.post("/api/alarms/lye_temp.warn/acknowledge", json={"who": "Ada"})
        assert bed.standing()["lye_temp.warn"] == "acknowledged"
        health = bed.get("/api/health", status=503)
        assert "the disk is full" in health["troubles"]["recording"]
        refused = bed.get("/api/runs", status=503)["error"]
        assert "the store is not open: logbook.db: disk I/O error" in refused["message"]


def test_a_store_that_takes_for_ever_to_open_holds_up_nothing(
    bench: Bench, reader: FakeReader, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live_module, "TAKE_UP_WITHIN_S", 0.5)
    let = threading.Event()

    def slow() -> Store:
        let.wait(LONG_S)
        return Store.of(bench)

    reader.talk()
    try:
        with serving(bench, reader, open_store=slow) as bed:
            bed.until(lambda: bed.get("/api/recent?seconds=60")["assessments"], "an assessment")
            reader.levels["lye_temp"] = 61.0
            bed.until(lambda: ("trip", "watch") in {(k, w) for k, _, w in reader.asked}, "the alarm's cut")
            let.set()
            # What waited is written once the disk lets it.
            bed.until(lambda: bed.live.keeper.waiting == 0 and bed.live.keeper.impaired is None, "the writer")
            kept = bed.live.store.logbook.alarms.transitions(reader.record.id)
            assert "lye_temp.high" in {t.alarm for t in kept}
    finally:
        let.set()


def test_a_write_that_hangs_delays_no_alarm_and_no_answer(bed: Bed, monkeypatch: pytest.MonkeyPatch) -> None:
    let = threading.Event()
    real = AlarmBook.add

    def slow(self: AlarmBook, *args: Any) -> None:
        let.wait(LONG_S)
        real(self, *args)

    monkeypatch.setattr(AlarmBook, "add", slow)
    try:
        bed.reader.levels["lye_temp"] = 52.0
        bed.until(lambda: bed.standing().get("lye_temp.warn") == "unacknowledged", "the first alarm")
        bed.reader.levels["amps"] = 40.0
        bed.until(lambda: bed.standing().get("amps.over") == "unacknowledged", "one after it")
        begun = time.monotonic()
        assert bed.client.post("/api/trip", json={}).status_code == 200
        assert time.monotonic() - begun < 5.0
        bed.ticking()
    finally:
        let.set()
    bed.until(lambda: bed.live.keeper.waiting == 0, "the writer")
    logbook, run = bed.live.store.logbook, bed.reader.record.id
    both = {"lye_temp.warn", "amps.over"}
    bed.until(lambda: both <= {t.alarm for t in logbook.alarms.transitions(run)}, "both in the logbook")


def test_the_watch_is_written_seldom(bed: Bed, monkeypatch: pytest.MonkeyPatch) -> None:
    written: list[str] = []
    real = Logbook.put_state

    def counted(self: Logbook, key: str, body: Any) -> None:
        written.append(key)
        real(self, key, body)

    bed.until(lambda: bed.live._saved and bed.live.keeper.waiting == 0, "the first time")
    monkeypatch.setattr(Logbook, "put_state", counted)
    for _ in range(4):
        bed.ticking()
    assert written == [], "nothing changed, and a minute has not passed"
    bed.reader.levels["lye_temp"] = 52.0
    bed.until(lambda: "watch" in written, "the alarm's change to be kept")


# -- the reader --------------------------------------------------------------------------------------------


def test_a_reader_that_is_not_reachable_is_said_plainly(bed: Bed) -> None:
    assert bed.get("/api/state")["alarms"] == {
        "state": "clear", "count": 0, "worst": None, "aside": 0, "words": "No alarms"
    }  # fmt: skip
    bed.reader.silent()
    bed.reader.go()
    bed.until(lambda: bed.get("/api/state")["data"]["state"] == "none", "the loss")
    state = bed.get("/api/state")
    assert state["data"]["words"].startswith("Reader not reachable: no reader runs for this bench")
    assert state["supply"]["state"] == "unknown"
    assert state["alarms"]["state"] == "unknown"
    assert state["alarms"]["words"].startswith("Not known: reader not reachable")
    assert state["recording"]["state"] == "unknown"
    assert [p["part"] for p in state["blind"]] == ["reader"]
    health = bed.get("/api/health", status=503)
    assert "reader not reachable" in health["why"]
    refused = bed.client.post("/api/trip", json={})
    assert refused.status_code == 409
    assert "by hand" in refused.json()["error"]["remedy"]
    bed.until(lambda: bed.standing().get("reader.lost") == "unacknowledged", "the alarm of it")

    def forecast() -> str:
        answer = bed.get("/api/recent?seconds=5")["assessments"]
        return str((answer[-1]["forecast"] or {}).get("words", "")) if answer else ""

    assert forecast().startswith("Not known: reader not reachable")
    # Far longer than any source may be silent.
    for _ in range(7):
        bed.ticking()
    assert "head.lost" not in bed.standing()
    assert not any(name.endswith(".stale") for name in bed.standing())
    bed.reader.silent(False)
    bed.reader.come()
    bed.until(lambda: bed.get("/api/state")["data"]["state"] == "fresh", "its return")
    bed.until(lambda: bed.standing().get("reader.lost") == "returned", "the end of the alarm")
    for _ in range(2):
        bed.ticking()
    assert "head.lost" not in bed.standing()
    assert bed.get("/api/health")["status"] == "ok"


def test_a_reader_that_hangs_is_not_reachable_either(bed: Bed, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live_module, "HEARD_WITHIN_S", 1.0)
    bed.reader.silent()
    bed.until(lambda: "it has said nothing for" in bed.get("/api/state")["data"]["words"], "the words")
    bed.until(lambda: bed.standing().get("reader.lost") == "unacknowledged", "the alarm of it")
    bed.reader.silent(False)
    bed.until(lambda: bed.get("/api/state")["data"]["state"] == "fresh", "its return")


def test_what_comes_again_after_a_broken_connection_comes_once(bed: Bed) -> None:
    bed.ticking()
    bed.reader.go("the reader has ended")
    for _ in range(20):
        bed.reader.say()
        time.sleep(0.002)
    bed.reader.come(backlog=60)
    bed.ticking()
    bed.reader.silent()
    times = [row["t_ns"] for row in bed.reader.rows]
    bed.until(lambda: bed.live._ring.last_ns("head") == times[-1], "the last one")
    kept = bed.live._ring.blocks()["head"].t_ns.tolist()
    assert kept == sorted(set(kept))
    first = times.index(kept[0])
    assert kept == times[first:]


def test_a_gap_longer_than_the_readers_memory_is_filled_from_the_store(
    bench: Bench, reader: FakeReader
) -> None:
    reader.talk()
    with serving(bench, reader) as bed:
        bed.until(lambda: not bed.live.blind(), "the watch")
        bed.ticking()
        reader.silent()
        reader.go("the reader has ended")
        hot = reader.now_ns
        reader.levels["lye_temp"] = 52.0
        # As long as the service counts as a gap, and more.
        bed.until(lambda: reader.now_ns > hot + 4_000_000_000, "four seconds")
        asked: list[tuple[str, int]] = []

        def read(run_id: str, *, start_ns: int | None = None, **_more: Any) -> dict[str, Any]:
            asked.append((run_id, start_ns or 0))
            return {"head": Block.from_samples("head", stored)}

        last_ns = reader.rows[-1]["t_ns"]
        stored = [Sample("head", last_ns + k * 100_000_000, {"amps": 40.0}) for k in range(1, 20)]
        bed.live.store.read = read
        reader.say()
        reader.silent(False)
        reader.come(backlog=1)
        bed.until(lambda: "lye_temp.warn" in bed.standing(), "that the watch goes on")
        assert asked[0] == (reader.record.id, last_ns + 1)
        # What happened meanwhile is known, though it has gone again.
        assert bed.standing()["amps.over"] == "returned"


def test_a_cut_that_nobody_answers_is_told_and_asked_again(bed: Bed) -> None:
    bed.reader.answers = False
    bed.reader.levels["lye_temp"] = 61.0
    bed.until(lambda: bed.standing().get("supply.not_cut") == "unacknowledged", "that it may not be cut")
    (row,) = [a for a in bed.get("/api/alarms")["standing"] if a["alarm"] == "supply.not_cut"]
    assert row["priority"] == "critical"


def test_a_cut_refused_by_a_dead_connection_is_asked_of_the_next(bed: Bed) -> None:
    bed.reader.go("the reader has ended")
    bed.reader.levels["lye_temp"] = 61.0
    bed.reader.come()
    bed.until(lambda: "trip" in {kind for kind, _, _ in bed.reader.asked}, "the cut")
    assert bed.reader.asked[-1][1]["alarm"] == "lye_temp.high"
    bed.until(lambda: bed.get("/api/state")["trip"], "the trip")
    assert bed.get("/api/state")["trip"]["logged"] is False
    bed.until(lambda: any(m["standing"] for m in bed.reader.heard if m["type"] == "standing"), "what stands")
    bed.until(lambda: bed.standing().get("supply.tripped") == "unacknowledged", "its alarm")
    asked = [kind for kind, _, _ in bed.reader.asked].count("trip")
    for _ in range(3):
        bed.ticking()
    assert [kind for kind, _, _ in bed.reader.asked].count("trip") == asked, "once is enough"


def test_a_trip_that_a_reader_lost_is_asked_for_again_while_its_alarm_stands(bed: Bed) -> None:
    bed.reader.levels["lye_temp"] = 61.0
    bed.until(lambda: bed.get("/api/state")["trip"], "the trip")
    bed.until(lambda: bed.standing().get("supply.tripped") == "unacknowledged", "its alarm")
    asked = len(bed.reader.asked)
    bed.reader.extra_state["trip"] = None
    bed.until(lambda: len(bed.reader.asked) > asked, "the same again")


def test_what_is_known_of_an_unconfirmed_cut_is_said(bed: Bed) -> None:
    words = "the relay does not report; no current is measured"
    bed.reader.extra_state |= {"trip_unconfirmed": True, "cut_words": words}
    bed.reader.trip("person", "Ada cut it", "Ada")
    bed.until(lambda: bed.standing().get("supply.not_cut") == "unacknowledged", "the alarm")
    bed.reader.levels["amps"] = 0.0
    bed.until(lambda: words in bed.get("/api/state")["supply"]["words"], "the words on the page")


# -- parts of the service ----------------------------------------------------------------------------------


def fail(*_args: Any, **_more: Any) -> Any:
    raise ZeroDivisionError("float division by zero")


def test_a_fault_in_the_live_task_is_told_and_the_watch_begun_anew(
    bed: Bed, monkeypatch: pytest.MonkeyPatch
) -> None:
    bed.reader.levels["lye_temp"] = 52.0
    bed.until(lambda: bed.standing().get("lye_temp.warn") == "unacknowledged", "an alarm")
    bed.client.post("/api/alarms/lye_temp.warn/acknowledge", json={"who": "Ada", "note": "fan on"})
    watch = bed.live.watch
    monkeypatch.setattr(watch, "tick", fail)
    bed.until(lambda: bed.live.watch is not watch, "another watch")
    bed.until(lambda: bed.standing().get("watch.failed") == "unacknowledged", "the alarm of it")
    assert bed.standing()["lye_temp.warn"] == "acknowledged", "what a person did is not lost"
    state = bed.get("/api/state")
    assert ("watch", True) in {(p["part"], "ZeroDivisionError" in p["words"]) for p in state["blind"]}
    assert "ZeroDivisionError" in bed.get("/api/health", status=503)["why"]
    bed.ticking()


def test_a_live_task_that_fails_on_and_on_ends_the_service_with_its_cause(
    bed: Bed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bed.live, "_tell_state", fail)
    state = bed.client.app.state  # type: ignore[attr-defined]
    failure = bed.until(lambda: state.failure, "the failure")
    assert isinstance(failure, ZeroDivisionError)
    answer = bed.get("/api/health", status=503)
    assert answer["status"] == "failed"
    assert "float division by zero" in answer["why"]


def test_a_forecaster_that_raises_is_told_and_replaced(bed: Bed) -> None:
    failing = bed.live.watch.forecaster
    assert failing is not None
    failing.update = fail  # type: ignore[method-assign]
    bed.until(lambda: bed.standing().get("forecast.failed") == "unacknowledged", "the alarm of it")
    state = bed.get("/api/state")
    assert [p["part"] for p in state["blind"]] == ["forecast"]
    assert "ZeroDivisionError" in state["blind"][0]["words"]
    assert bed.live.watch.forecaster is not failing
    last = bed.get("/api/recent?seconds=5")["assessments"][-1]
    assert last["forecast"]["state"] == "unknown"
    assert last["forecast"]["words"].startswith("Not known: the forecast failed")
    bed.reader.levels["lye_temp"] = 52.0
    bed.until(lambda: bed.standing().get("lye_temp.warn") == "unacknowledged", "the other alarms")


def test_the_state_is_worked_out_four_times_a_second_at_most_while_nothing_changes(
    bed: Bed, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[float] = []
    real = bed.live.state

    def counted() -> dict[str, Any]:
        made.append(time.monotonic())
        return real()

    bed.ticking()
    monkeypatch.setattr(bed.live, "state", counted)
    begun, rows = time.monotonic(), len(bed.reader.rows)
    for _ in range(4):
        bed.ticking()
    seconds = time.monotonic() - begun
    assert len(bed.reader.rows) - rows > 2 * len(made), "samples came far oftener"
    assert len(made) <= 4.0 * seconds + 2


def test_events_are_pushed_at_once_and_numbered_by_the_service(bed: Bed) -> None:
    before = bed.get("/api/recent?seconds=5")["event"]
    assert abs(before / 1e6 - time.time()) < 3600.0
    bed.ticking()

    async def some() -> bytes:
        text = b""
        async for chunk in bed.live.hub.stream(before, []):
            text += chunk
            if text.count(b"event: samples") >= 5:
                break
        return text

    text = bed.call(some).decode()
    ids = [int(line[4:]) for line in text.splitlines() if line.startswith("id: ")]
    assert ids == list(range(ids[0], ids[0] + len(ids)))
    assert ids[0] == before + 1
    data = [json.loads(line[6:]) for line in text.splitlines() if line.startswith("data: {")]
    assert {"run", "start_utc", "rows"} <= data[0].keys()
