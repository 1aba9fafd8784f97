"""The reader on a real pseudo-terminal: recording, guarding, tripping, resetting, going on after a crash."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from daq.bench import Bench, load_bench
from daq.errors import RunNotFound, StoreError
from daq.examples import example_text
from daq.frame import Sample
from daq.reader import breaker
from daq.store import Store, TripRecord
from tests.reader.device import PtyDevice
from tests.reader.following import Following, ReaderThread, following, reading
from tests.waiting import wait_until

LONG_S = 20.0


@pytest.fixture
def device(tmp_path: Path) -> PtyDevice:
    return PtyDevice(tmp_path / "port")


@pytest.fixture
def bench(tmp_path: Path, device: PtyDevice) -> Bench:
    text = example_text("water_torch").replace("/dev/ttyUSB0", str(device.link), 1)
    (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
    return load_bench(tmp_path / "bench.toml")


class Running:
    """A reader in a thread, who follows it, and the device that it reads."""

    def __init__(self, it: ReaderThread, follower: Following, device: PtyDevice) -> None:
        self.reader = it.reader
        self.thread = it
        self.follower = follower
        self.device = device
        self.bench = it.bench
        self.until(lambda: it.store is not None, talk=False)
        assert it.store is not None
        self.store: Store = it.store

    def until(self, true: Callable[[], object], *, talk: bool = True, **fields: float) -> None:
        """Let the device talk until something is so."""
        end = time.monotonic() + LONG_S
        while not true():
            assert time.monotonic() < end, "it did not come about"
            if talk:
                self.device.say(100, **fields)
            time.sleep(0.02)

    def seqs(self, run_id: str | None = None) -> list[int]:
        """The sequence numbers that are stored."""
        try:
            blocks = self.store.read(run_id or self.reader.run_id)
        except RunNotFound:
            return []  # a run is written down after it has begun
        return blocks["head"].seq.tolist() if "head" in blocks else []

    def ask(self, kind: str, body: dict[str, object], who: str = "Ada", **fields: float) -> tuple[bool, str]:
        """Ask for something and wait for the answer."""
        answer = self.follower.ask(kind, body, who, meanwhile=lambda: self.device.say(100, **fields))
        return answer.ok, answer.message

    @property
    def state(self) -> dict[str, Any]:
        """What the reader said last of itself."""
        return self.follower.state


@contextmanager
def running(bench: Bench, device: PtyDevice) -> Iterator[Running]:
    with reading(bench) as it, following(bench) as follower:
        yield Running(it, follower, device)


def standing(it: Running) -> TripRecord:
    """The trip that the logbook has, once it is written."""
    it.until(lambda: it.store.logbook.trips.current() is not None, talk=False)
    trip = it.store.logbook.trips.current()
    assert trip is not None
    return trip


def kinds(it: Running) -> list[str]:
    return [mark.kind for mark in it.store.logbook.list_marks(it.reader.run_id)]


def test_every_frame_is_recorded_once(bench: Bench, device: PtyDevice) -> None:
    with running(bench, device) as it:
        it.until(lambda: len(it.seqs()) >= 3)
        first = it.seqs()[0]
        for _ in range(100):
            device.say()
        it.until(lambda: it.seqs()[-1] == device.seq - 1, talk=False)
        assert it.seqs() == list(range(first, device.seq))
        run_id = it.reader.run_id
    with Store(bench.store_folder) as store:
        assert store.logbook.get_run(run_id).ended_ns is not None
        assert store.read(run_id)["head"].seq.tolist() == list(range(first, device.seq))


def test_over_temperature_opens_the_relay_and_a_person_closes_it(bench: Bench, device: PtyDevice) -> None:
    with running(bench, device) as it:
        it.until(lambda: it.seqs())
        assert device.relay == 1.0
        device.say(temp=65.2)
        it.until(lambda: device.relay == 0.0, temp=65.0)
        trip = standing(it)
        assert trip.cause == "lye_temp.trip"
        assert trip.value == 65.2

        ok, words = it.ask("reset", {"reason": "fan was unplugged"}, who="")
        assert not ok
        assert "name" in words
        it.until(lambda: it.seqs()[-1] >= device.seq - 3, temp=64.8)
        ok, words = it.ask("reset", {"reason": "fan was unplugged"}, temp=64.8)
        assert not ok
        assert "must first fall below 64" in words
        assert device.relay == 0.0

        newest = device.seq
        it.until(lambda: it.seqs()[-1] > newest, temp=50.0)
        device.refuse = "hot"
        ok, words = it.ask("reset", {"reason": "fan plugged in"})
        assert not ok
        assert "hot" in words
        device.refuse = None
        ok, words = it.ask("reset", {"reason": "fan plugged in"})
        assert ok, words
        assert device.relay == 1.0
        assert it.store.logbook.trips.current() is None
        it.until(lambda: {"trip", "reset"} <= set(kinds(it)))


def test_a_temperature_that_is_no_number_trips_while_powered(bench: Bench, device: PtyDevice) -> None:
    with running(bench, device) as it:
        it.until(lambda: it.seqs())
        it.until(lambda: device.relay == 0.0, temp=float("nan"))
        trip = standing(it)
        assert trip.cause == "lye_temp.stale"


def test_a_lost_source_trips_and_the_command_waits_for_the_port(bench: Bench, device: PtyDevice) -> None:
    with running(bench, device) as it:
        it.until(lambda: len(it.seqs()) >= 5)
        before = it.seqs()
        device.unplug()
        it.until(lambda: it.store.logbook.trips.current() is not None, talk=False)
        trip = standing(it)
        assert trip.cause == "head.lost"
        device.plug()
        it.until(lambda: device.relay == 0.0)
        assert it.seqs()[: len(before)] == before, "nothing recorded before the loss is lost"
        assert {"lost", "reopened"} <= set(kinds(it))
        it.until(lambda: it.state["links"][0]["reopened"] == 1, talk=True)
        assert it.state["links"][0]["source"] == "head"


def test_the_heartbeat_is_fed_and_stops_with_a_trip(bench: Bench, device: PtyDevice) -> None:
    with running(bench, device) as it:
        it.until(lambda: device.heard.count("beat") >= 2)
        it.until(lambda: device.relay == 0.0, temp=70.0)
        beats = device.heard.count("beat")
        end = time.monotonic() + 2.5
        it.until(lambda: time.monotonic() > end, temp=70.0)
        assert device.heard.count("beat") <= beats + 1


def test_a_welded_relay_is_said_and_the_command_repeated(bench: Bench, device: PtyDevice) -> None:
    with running(bench, device) as it:
        it.until(lambda: it.seqs())
        it.until(lambda: it.state.get("trip_unconfirmed"), temp=70.0, amps=9.0)
        # Beyond the source's own repetitions of one command, a new one goes out while current flows.
        assert device.heard.count("trip") >= 2


def test_a_device_that_cuts_by_itself_is_taken_over(bench: Bench, device: PtyDevice) -> None:
    with running(bench, device) as it:
        it.until(lambda: it.seqs())
        device.relay, device.trip = 0.0, 2.0
        it.until(lambda: it.store.logbook.trips.current() is not None)
        trip = standing(it)
        assert trip.cause == "device"


def cuts(it: Running, *alarms: str) -> None:
    """What the watch says of the alarms that cut."""
    words = {alarm: f"{alarm} says so" for alarm in alarms}
    assert it.follower.client.tell({"type": "standing", "standing": words})


def test_an_alarm_trips_and_is_reset_only_when_it_has_gone(
    bench: Bench, device: PtyDevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    with running(bench, device) as it:
        it.until(lambda: it.seqs())
        cuts(it, "gas_flow.none")
        body = {"alarm": "gas_flow.none", "reason": "No gas while powered: 0.05, limit 0.2", "value": 0.05}
        ok, _ = it.ask("trip", dict(body), who="watch")
        assert ok
        it.until(lambda: device.relay == 0.0)
        it.until(lambda: it.store.logbook.trips.current() is not None)
        trip = standing(it)
        assert (trip.cause, trip.value, trip.by) == ("gas_flow.none", 0.05, "watch")
        assert trip.detail == "No gas while powered: 0.05, limit 0.2"

        ok, words = it.ask("reset", {"reason": "hose refitted"})
        assert not ok
        assert "gas_flow.none says so" in words
        monkeypatch.setattr(breaker, "REPORTED_WITHIN_NS", -1)  # as if it had been told long ago
        cuts(it)
        ok, words = it.ask("reset", {"reason": "hose refitted"})
        assert not ok
        assert "the watch has not told" in words
        assert device.relay == 0.0
        monkeypatch.undo()
        cuts(it)
        ok, words = it.ask("reset", {"reason": "hose refitted"})
        assert ok, words
        assert device.relay == 1.0


def test_the_first_cause_outlives_the_reader_with_those_that_came_later(
    bench: Bench, device: PtyDevice
) -> None:
    def causes(it: Running) -> list[str]:
        trip = it.store.logbook.trips.current()
        return [] if trip is None else [trip.cause, *(t.cause for t in trip.later)]

    with running(bench, device) as it:
        it.until(lambda: it.seqs())
        it.until(lambda: device.relay == 0.0, temp=70.0)
        ok, words = it.ask("trip", {"reason": "smell of lye"})
        assert ok
        assert words == "a trip stood already"
        it.until(lambda: causes(it) == ["lye_temp.trip", "person"])
        it.until(lambda: {"trip", "cause"} <= set(kinds(it)))
        assert kinds(it).count("trip") == 1
    with running(bench, device) as it:
        it.until(lambda: it.seqs(), temp=70.0)
        it.ask("trip", {"alarm": "gas_flow.none", "reason": "no gas"}, who="watch")
        it.until(lambda: causes(it) == ["lye_temp.trip", "person", "gas_flow.none"], temp=70.0)


def test_the_device_is_fed_only_while_its_data_are_fresh(bench: Bench, device: PtyDevice) -> None:
    """Frames go on, but without a good temperature: nothing guards, so the device must not be told that all
    is well. The relay is open, so that no trip is what ends the feeding."""
    with running(bench, device) as it:
        it.until(lambda: device.heard.count("beat") >= 2)
        device.relay = 0.0
        stale_s = bench.channels["lye_temp"].stale_after_s
        end = time.monotonic() + stale_s + 1.5
        it.until(lambda: time.monotonic() > end, temp=float("nan"), amps=0.0)
        beats = device.heard.count("beat")
        end = time.monotonic() + 2.5
        it.until(lambda: time.monotonic() > end, temp=float("nan"), amps=0.0)
        assert device.heard.count("beat") == beats
        assert it.store.logbook.trips.current() is None
        it.until(lambda: device.heard.count("beat") > beats, amps=0.0)


def test_a_person_trips(bench: Bench, device: PtyDevice) -> None:
    with running(bench, device) as it:
        it.until(lambda: it.seqs())
        ok, _ = it.ask("trip", {"reason": "smell of lye"})
        assert ok
        it.until(lambda: device.relay == 0.0)
        trip = standing(it)
        assert "Ada" in trip.detail
        assert "smell of lye" in trip.detail


def test_runs_are_started_and_stopped_with_no_frame_lost_between(bench: Bench, device: PtyDevice) -> None:
    with running(bench, device) as it:
        it.until(lambda: len(it.seqs()) >= 3)
        first, first_run = it.seqs()[0], it.reader.run_id
        ok, second_run = it.ask("start", {"name": "ports sealed", "build": "B"})
        assert ok
        assert second_run != first_run
        newest = device.seq
        it.until(lambda: it.seqs() and it.seqs()[-1] > newest)
        record = it.store.logbook.get_run(second_run)
        assert (record.name, record.build) == ("ports sealed", "B")
        ok, stopped = it.ask("stop", {})
        assert ok
        assert stopped == second_run
        standby = it.reader.run_id
        # Written down after the act.
        it.until(lambda: standby in {r.id for r in it.store.logbook.list_runs(kind="standby")})
        ok, words = it.ask("stop", {})
        assert not ok
        assert "no run" in words
        both = it.seqs(first_run) + it.seqs(second_run)
        assert both == list(range(first, first + len(both)))


def test_samples_come_a_few_at_once_to_who_is_patient_and_none_is_lost(
    bench: Bench, device: PtyDevice
) -> None:
    with running(bench, device) as it:
        it.until(lambda: len(it.seqs()) >= 3)
        follower = it.follower
        assert follower.client.tell({"type": "pace", "patient": True})
        # Frames come every 20 ms and are held for 250: ten at once, where nothing else happens.
        it.until(lambda: follower.at_once and follower.at_once[-1] >= 5)
        before, messages = len(follower.rows), len(follower.at_once)
        it.until(lambda: len(follower.rows) >= before + 100)
        assert len(follower.at_once) - messages <= 50
        first = follower.rows[0]["seq"]
        newest = device.seq
        it.until(lambda: follower.rows[-1]["seq"] >= newest)
        seqs = [row["seq"] for row in follower.rows]
        assert seqs == list(range(first, first + len(seqs)))
        # What is asked, and what happens, comes at once all the same, and after the samples of before.
        it.until(lambda: follower.trip is not None, temp=70.0)
        assert max(row["v"]["lye_temp"] for row in follower.rows) == 70.0


def test_one_who_is_not_patient_has_each_sample_at_once(bench: Bench, device: PtyDevice) -> None:
    with running(bench, device) as it, following(bench) as other:
        it.until(lambda: other.rows)
        assert it.follower.client.tell({"type": "pace", "patient": True})
        channel = it.reader._channel
        assert channel is not None
        wait_until(lambda: any(s.patient for s in channel._admitted), "the word to be heard")
        assert not channel.patient
        assert other.client.tell({"type": "pace", "patient": True})
        wait_until(lambda: channel.patient, "both to be patient")
        assert other.client.tell({"type": "pace", "patient": False})
        wait_until(lambda: not channel.patient, "one of them not to be")


def test_a_trip_outlives_the_reader(bench: Bench, device: PtyDevice) -> None:
    with running(bench, device) as it:
        it.until(lambda: it.seqs())
        it.until(lambda: device.relay == 0.0, temp=70.0)
        it.until(lambda: it.store.logbook.trips.current() is not None)
    # Somebody closes the relay by hand while nothing watches.
    device.relay = 1.0
    with running(bench, device) as it:
        it.until(lambda: device.relay == 0.0)
        trip = standing(it)
        assert trip.cause == "lye_temp.trip"


def test_a_store_that_refuses_holds_up_neither_guard_nor_samples(
    bench: Bench, device: PtyDevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    with running(bench, device) as it:
        it.until(lambda: len(it.seqs()) >= 3)
        first = it.seqs()[0]
        taking = it.store.commit

        def refuse(*_given: object, **_how: object) -> int:
            raise StoreError("the disk is full", place="journal.db", remedy="make room")

        monkeypatch.setattr(it.store, "commit", refuse)
        it.until(lambda: it.follower.impaired)
        stored = len(it.seqs())
        it.until(lambda: device.relay == 0.0, temp=70.0)
        assert len(it.seqs()) == stored
        monkeypatch.setattr(it.store, "commit", taking)
        it.until(lambda: len(it.seqs()) > stored + 10, temp=50.0)
        it.until(lambda: not it.follower.impaired, temp=50.0)
        newest = it.seqs()[-1]
        assert it.seqs() == list(range(first, newest + 1)), "what came meanwhile was kept"
        assert "recovered" in kinds(it)


def test_the_last_samples_before_a_silence_are_made_safe(
    bench: Bench, device: PtyDevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    with running(bench, device) as it:
        commits: list[tuple[int, bool]] = []
        taking = it.store.commit

        def counted(samples: Sequence[tuple[str, Sample]], *, full: bool) -> int:
            commits.append((len(samples), full))
            return taking(samples, full=full)

        monkeypatch.setattr(it.store, "commit", counted)
        it.until(lambda: len(commits) >= 4)
        newest = device.seq - 1
        it.until(lambda: it.seqs()[-1] == newest, talk=False)
        assert all(full for _, full in commits)
