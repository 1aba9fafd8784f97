"""The guard stands alone: whatever happens to store, logbook, terminal and followers, it cuts, beats and
answers."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from multiprocessing.connection import Client
from pathlib import Path

import orjson
import pytest

from daq.bench import Bench, load_bench
from daq.errors import SourceError, StoreBusy, StoreCorrupt, StoreError
from daq.examples import example_text
from daq.frame import Frame
from daq.reader import ChannelAddress, Reader
from daq.reader.latch import TripLatch, latch_places
from daq.sources import SourceEvent
from daq.store import Store
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


def until(device: PtyDevice, true: Callable[[], object], what: str, **fields: float) -> None:
    """Let the device talk until something is so."""

    def look() -> object:
        device.say(100, **fields)
        return true()

    wait_until(look, what)


def trips(device: PtyDevice, follower: Following) -> None:
    """A hot lye cuts the supply, and the follower hears of it."""
    until(device, lambda: device.relay == 0.0, "the cut", temp=70.0)
    until(device, lambda: follower.trip, "the trip on the channel", temp=70.0)
    assert follower.trip is not None
    assert follower.trip["cause"] == "lye_temp.trip"


@pytest.mark.parametrize(
    "fault",
    [
        StoreError("the disk is full", place="journal.db", remedy="make room"),
        StoreError("can not be written", place="journal.db", remedy="give this user the right"),
        StoreCorrupt("is damaged", place="logbook.db", remedy="see the docs"),
        StoreBusy("is held by another process", place="store", remedy="wait"),
        RuntimeError("a fault of ours"),
    ],
    ids=lambda fault: type(fault).__name__ + str(fault)[:12],
)
def test_a_reader_without_its_store_guards_beats_and_says_so(
    bench: Bench, device: PtyDevice, fault: Exception
) -> None:
    broken = True

    def open_store() -> Store:
        if broken:
            raise fault
        return Store(bench.store_folder, writer=True)

    with reading(bench, open_store) as it, following(bench) as follower:
        until(device, lambda: device.heard.count("beat") >= 1, "a beat")
        until(device, lambda: follower.impaired, "that nothing is kept")
        assert "can not be opened" in str(follower.impaired)
        trips(device, follower)
        broken = False
        until(device, lambda: follower.impaired is None and follower.rows, "the store")
        first = follower.rows[0]["seq"]
        run_id = it.reader.run_id
    with Store(bench.store_folder) as store:
        seqs = store.read(run_id)["head"].seq.tolist()
        assert seqs[0] <= first, "what was read before the store opened is kept"
        assert seqs == list(range(seqs[0], seqs[-1] + 1))
        trip = store.logbook.trips.current()
        assert trip is not None
        assert trip.cause == "lye_temp.trip"


class Hanging:
    """A store whose every commit and note waits until it is let go."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.free = threading.Event()
        self.free.set()

    def __call__(self) -> Store:
        store = Store(self.bench.store_folder, writer=True)
        commit, writing = store.commit, store.logbook._db.writing

        def held_commit(*given: object, **how: object) -> int:
            self.free.wait(60)
            return commit(*given, **how)  # type: ignore[arg-type]

        def held_writing(**how: object) -> object:
            self.free.wait(60)
            return writing(**how)  # type: ignore[arg-type]

        store.commit = held_commit  # type: ignore[method-assign]
        store.logbook._db.writing = held_writing  # type: ignore[method-assign,assignment]
        return store


def test_a_disk_that_hangs_delays_neither_cut_nor_answer(bench: Bench, device: PtyDevice) -> None:
    disk = Hanging(bench)
    with reading(bench, disk) as it, following(bench) as follower:
        until(device, lambda: follower.rows and device.heard.count("beat"), "data")
        disk.free.clear()
        until(device, lambda: it.reader._recorder.waiting > 10, "samples that wait")
        assert follower.ask("mark", {"text": "topped up"}, meanwhile=lambda: device.say()).ok
        started = time.monotonic()
        answer = follower.ask("trip", {"reason": "smell of lye"}, meanwhile=device.obey)
        assert answer.ok
        until(device, lambda: device.relay == 0.0, "the cut")
        assert time.monotonic() - started < 10.0, "the disk would have held it for a minute"
        until(device, lambda: follower.trip, "the trip")
        run_id = it.reader.run_id
        disk.free.set()
    with Store(bench.store_folder) as store:
        texts = [mark.text for mark in store.logbook.list_marks(run_id)]
        assert "topped up" in texts
        assert any("smell of lye" in text for text in texts)


def test_a_terminal_that_hangs_delays_no_cut(bench: Bench, device: PtyDevice) -> None:
    stuck = threading.Event()

    def say(_line: str) -> None:
        stuck.wait(60)

    reader = Reader(bench, lambda: Store(bench.store_folder, writer=True), say=say)
    stop = threading.Event()
    thread = threading.Thread(target=reader.serve, args=(stop,))
    thread.start()
    try:
        with following(bench) as follower:
            until(device, lambda: follower.rows, "data")
            trips(device, follower)
    finally:
        stuck.set()
        stop.set()
        thread.join(LONG_S)
    assert not thread.is_alive()


def test_a_fault_of_the_loop_s_own_cuts_and_ends_it_with_its_cause(
    bench: Bench, device: PtyDevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    it = ReaderThread(bench)
    try:
        with following(bench) as follower:
            until(device, lambda: follower.rows, "data")

        def wrong(*_: object) -> None:
            raise ZeroDivisionError("a fault of ours")

        monkeypatch.setattr(type(it.reader._guard), "sample", wrong)
        until(device, lambda: device.relay == 0.0, "the cut")
        wait_until(lambda: not it.thread.is_alive(), "the end")
        assert isinstance(it.failure, ZeroDivisionError)
    finally:
        it.close()
    with Store(bench.store_folder) as store:
        record = store.logbook.get_run(it.reader.run_id)
        assert record.ended_ns is None, "the next reader goes on with it"


def test_a_source_whose_thread_died_ends_the_reader(bench: Bench, device: PtyDevice) -> None:
    it = ReaderThread(bench)
    try:
        with following(bench) as follower:
            until(device, lambda: follower.rows, "data")
        it.reader._inbox.event(SourceEvent("head", "failed", "the source's thread died: KeyError", 0))
        wait_until(lambda: not it.thread.is_alive(), "the end")
        assert isinstance(it.failure, SourceError)
        device.obey()
        assert device.relay == 0.0
    finally:
        it.close()


def test_a_run_that_is_left_open_is_gone_on_with(bench: Bench, device: PtyDevice) -> None:
    with reading(bench) as it, following(bench) as follower:
        until(device, lambda: len(follower.rows) > 5, "data")
        first = it.reader.run_id
        it.leave_open = True
    with reading(bench) as it, following(bench) as follower:
        until(device, lambda: len(follower.rows) > 5, "data")
        assert it.reader.run_id == first
    with reading(bench) as it, following(bench) as follower:
        until(device, lambda: follower.rows, "data")
        assert it.reader.run_id != first


def test_without_a_place_for_the_channel_it_guards_and_records(
    bench: Bench, device: PtyDevice, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("LYEWATCH_RUNTIME_DIR", str(tmp_path / "file" / "x"))
    with reading(bench) as it:
        until(device, lambda: device.relay == 0.0, "the cut", temp=70.0)
        wait_until(lambda: any("no service can follow" in line for line in it.lines), "words")
        run_id = it.reader.run_id
    with Store(bench.store_folder) as store:
        assert len(store.read(run_id)["head"]) > 0


def test_more_frames_than_can_be_taken_are_a_gap_that_is_counted_and_told(
    bench: Bench, device: PtyDevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    with reading(bench) as it, following(bench) as follower:
        until(device, lambda: follower.rows, "data")
        run_id, inbox = it.reader.run_id, it.reader._inbox
        source = it.reader._sources["head"]
        now = time.monotonic_ns()
        fields = {"volts": 12.0, "amps": 8.0, "temp": 40.0, "relay": 1.0, "trip": 0.0}
        frames = [Frame("head", now + k, fields, 100_000 + k, None, True, now) for k in range(40_000)]
        with inbox._changed:  # they come faster than the loop can look
            for frame in frames:
                inbox.frame(frame)
        dropped = inbox.dropped
        assert dropped >= 20_000
        until(device, lambda: source.counters.dropped == dropped, "the count")
        until(device, lambda: "more frames of head came at once" in str(follower.impaired), "the words")
        assert follower.state["recording"]["dropped"] == dropped
    with Store(bench.store_folder) as store:
        (gap,) = [mark for mark in store.logbook.list_marks(run_id) if mark.kind == "gap"]
        assert gap.text.startswith(f"{dropped} samples lost within")
        kept = [s for s in store.read(run_id)["head"].seq.tolist() if s >= 100_000]
        assert len(kept) == 40_000 - dropped
        assert store.logbook.load_links(run_id)["head"]["dropped"] == dropped


def test_who_joins_late_is_told_what_came_just_before(bench: Bench, device: PtyDevice) -> None:
    with reading(bench):
        with following(bench) as early:
            until(device, lambda: len(early.rows) > 20, "data")
            newest = early.rows[-1]["seq"]
        with following(bench) as late:
            until(device, lambda: late.rows and late.state, "data")
            seqs = [row["seq"] for row in late.rows]
            assert seqs[0] < newest
            assert seqs == list(range(seqs[0], seqs[-1] + 1)), "nothing doubled, nothing missing"
            assert late.run["id"] == late.rows[0]["run"]
            assert late.run["bench_toml"] == bench.text


@pytest.mark.parametrize(
    ("message", "says"),
    [
        ({"type": "request", "id": 1, "kind": "explode"}, "no request is called 'explode'"),
        ({"type": "request", "id": 1, "kind": ["trip"]}, "no request is called"),
        ({"type": "request", "id": 1, "kind": "opened"}, "no request is called 'opened'"),
        ({"type": "request", "id": 1, "kind": "mark", "body": {"text": "  "}}, "a mark needs a text"),
        ({"type": "request", "id": 1, "kind": "mark", "body": [1]}, "a mark needs a text"),
        ({"type": "request", "id": 1, "kind": "reset", "who": None}, "nothing is tripped"),
    ],
)
def test_a_request_that_makes_no_sense_is_answered(
    bench: Bench, device: PtyDevice, message: dict[str, object], says: str
) -> None:
    with reading(bench), following(bench) as follower:
        until(device, lambda: follower.rows, "data")
        address = ChannelAddress.of(bench)
        raw = Client(address.socket, authkey=address.read_key())
        raw.send_bytes(orjson.dumps(message))
        while (received := orjson.loads(raw.recv_bytes()))["type"] != "answer":
            device.say()
        assert says in received["message"]
        assert not received["ok"]
        raw.close()


def test_a_trip_survives_a_lost_logbook(bench: Bench, device: PtyDevice) -> None:
    with reading(bench), following(bench) as follower:
        until(device, lambda: follower.rows, "data")
        trips(device, follower)
        until(device, lambda: follower.trip and follower.trip["logged"], "the latch")
    for name in ("logbook.db", "logbook.db-wal", "logbook.db-shm"):
        (bench.store_folder / name).unlink(missing_ok=True)
    device.relay, device.trip = 1.0, 0.0  # somebody closes it by hand
    beats = device.heard.count("beat")
    with reading(bench), following(bench) as follower:
        until(device, lambda: device.relay == 0.0, "the cut")
        until(device, lambda: follower.trip, "the trip")
        assert follower.trip is not None
        assert follower.trip["cause"] == "lye_temp.trip"
        assert device.heard.count("beat") == beats
        until(device, lambda: len(follower.rows) > 2, "data")
        answer = follower.ask("reset", {"reason": "looked"}, meanwhile=lambda: device.say(temp=40.0))
        assert answer.ok, answer.message
    with Store(bench.store_folder) as store:
        assert store.logbook.trips.current() is None
        (trip,) = store.logbook.trips.of()
        assert trip.cleared_by == "Ada"


def test_a_reset_that_the_logbook_missed_is_made_good(bench: Bench, device: PtyDevice) -> None:
    with reading(bench) as it, following(bench) as follower:
        until(device, lambda: follower.rows, "data")
        trips(device, follower)
        until(device, lambda: follower.trip and follower.trip["logged"], "the latch")
        assert it.store is not None
    # The latch is cleared, and the power fails before the logbook is.
    latch = TripLatch(latch_places(bench))
    latch.start()
    assert latch.ready.wait(10)
    latch.clear("Ada", "mended")
    wait_until(lambda: latch.logged, "the latch")
    latch.close()
    device.relay, device.trip = 1.0, 0.0
    with reading(bench), following(bench) as follower:
        until(device, lambda: len(follower.rows) > 10, "data")
        assert follower.trip is None
        assert device.relay == 1.0
    with Store(bench.store_folder) as store:
        assert store.logbook.trips.current() is None


def test_a_trip_that_only_the_logbook_knows_stands(bench: Bench, device: PtyDevice) -> None:
    """As in a store of before the latch had a file."""
    with reading(bench), following(bench) as follower:
        until(device, lambda: follower.rows, "data")
        trips(device, follower)
    for place in latch_places(bench):
        place.path.unlink(missing_ok=True)
    device.relay, device.trip = 1.0, 0.0
    with reading(bench), following(bench) as follower:
        until(device, lambda: device.relay == 0.0, "the cut")
        until(device, lambda: follower.trip, "the trip")


def test_a_second_reader_is_refused(bench: Bench, device: PtyDevice) -> None:
    with reading(bench), following(bench) as follower:
        until(device, lambda: follower.rows, "data")
        with pytest.raises(StoreBusy, match="another reader runs"):
            Reader(bench, lambda: Store(bench.store_folder, writer=True))
