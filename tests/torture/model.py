"""A model-based test: guard, recorder, channel and service in random sequences, with faults at every call.

The reader is whole and runs in its own thread; so do its recorder, its latch, its channel and the service.
Only the device is made of words, the clock moves by command, and every call on a store can be told to fail
or to hang. After each step what the reader does and says is held against a model of a few words: what was
emitted, in which run, and whether a trip stands. In the end the disk is mended, and everything must be
there once.
"""

from __future__ import annotations

import shutil
import tempfile
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from starlette.testclient import TestClient

from daq.bench import Bench, load_bench
from daq.errors import LyewatchError, StoreBusy, StoreCorrupt, StoreError
from daq.examples import example_text
from daq.frame import Frame
from daq.reader import Answer, ChannelAddress, ChannelClient, Reader, latch, recorder
from daq.reader.timebase import Clocks
from daq.service import create_app
from daq.sources import Command, Source, SourceEvent
from daq.sources.events import Sink
from daq.sources.reading import Reply
from daq.store import Store
from tests.waiting import wait_until

__all__ = ["BenchMachine", "Tally", "run_model", "tally"]

STEP_NS = 100_000_000
HELD = 120
"""Samples that the recorder may hold here, so that sequences of a few steps come to what finds no room."""
LONG_S = 30.0

READER_CALLS = (
    "open", "commit", "seal_apart", "prune", "delete_run", "last_t_ns", "close",
    "logbook.add_run", "logbook.stop_run", "logbook.add_mark", "logbook.save_links", "logbook.trips.add",
    "logbook.trips.clear", "logbook.trips.current", "logbook.calibrations.newest",
    "logbook.calibrations.of_run", "logbook.open_run", "logbook.list_runs",
)  # fmt: skip
"""What the recorder calls on the store, beside opening it."""
SERVICE_CALLS = (
    "open", "read", "last_t_ns", "tail", "journal.count", "logbook.get_run", "logbook.get_state",
    "logbook.put_state", "logbook.list_marks", "logbook.list_runs", "logbook.open_run", "logbook.add_mark",
    "logbook.alarms.add", "logbook.calibrations.newest",
)  # fmt: skip
ERRORS: tuple[tuple[type[Exception], tuple[Any, ...]], ...] = (
    (StoreError, ("the disk is full",)),
    (StoreBusy, ("another process is writing",)),
    (StoreCorrupt, ("the file is damaged",)),
    (RuntimeError, ("a fault of ours",)),
    (MemoryError, ()),
    (OSError, (5, "I/O error")),
)
"""Those of the store, and such as should never come out of it."""


Raised = tuple[type[Exception], tuple[Any, ...]]


class Tally:
    """What all sequences came to, for the report."""

    def __init__(self) -> None:
        self.sequences = self.steps = self.injected = self.bitten = 0


tally = Tally()


class Faults:
    """Which calls fail, and which hang."""

    def __init__(self) -> None:
        self.failing: dict[str, tuple[Raised, float]] = {}
        self.free = threading.Event()
        self.free.set()
        self.hung = ""
        self.notes_lost = False

    def inject(self, call: str, error: Raised, times: float) -> None:
        """Let a call fail so many times."""
        self.failing[call] = (error, times)
        tally.injected += 1

    def mend(self) -> None:
        """Nothing fails or hangs any more."""
        self.failing.clear()
        self.hung = ""
        self.free.set()

    def look(self, call: str) -> None:
        """Fail, or hang, when that was asked for."""
        if self.hung == call:
            assert self.free.wait(LONG_S), "it was never let go"
        error, times = self.failing.get(call, (None, 0.0))
        if error is None:
            return
        tally.bitten += 1
        if times <= 1:
            self.failing.pop(call, None)
        else:
            self.failing[call] = (error, times - 1)
        kind, words = error
        if not issubclass(kind, LyewatchError) and "logbook" in call:
            # A note that fails by a fault of ours is given up, and said to be.
            self.notes_lost = True
        raise kind(*words)


class Shaky:
    """A store, or a part of it, whose calls fail as `Faults` says."""

    def __init__(self, whole: Any, faults: Faults, prefix: str) -> None:
        self._whole, self._faults, self._prefix = whole, faults, prefix

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._whole, name)
        called = f"{self._prefix}{name}"
        if name in ("logbook", "journal", "calibrations", "trips", "alarms"):
            return Shaky(found, self._faults, f"{called}.")
        if not callable(found):
            return found

        def call(*args: Any, **kwargs: Any) -> Any:
            self._faults.look(called)
            if name == "seal_apart":
                # In this process: a child for each would take most of the time.
                return self._whole.seal(*args, **kwargs)
            return found(*args, **kwargs)

        return call


class Device(Source):
    """A device of words: what it hears it obeys at once, and what it says the machine decides."""

    def __init__(self, now: Callable[[], int]) -> None:
        super().__init__("head", place="made by the test", now=now)
        self.heard: list[str] = []
        self.relay = 1.0
        self.deaf = False
        self._sink: Sink | None = None
        self._number = 0

    def start(self, sink: Sink) -> None:
        """Speak to this reader from now on."""
        self._sink = sink

    def stop(self, timeout_s: float = 5.0) -> bool:
        """Speak to nobody."""
        self._sink = None
        return True

    def send(self, command: Command) -> int:
        """Hear a command."""
        self._number += 1
        self.heard.append(command.action)
        if command.action == "trip":
            self.relay = 0.0
        if command.action == "reset" and not self.deaf:
            self.relay = 1.0
            if self._sink is not None:
                reply = Reply(self._number, True, None)
                self._sink.event(SourceEvent("head", "reply", "", self._now(), reply))
        return self._number

    def say(self, seq: int, temp: float) -> None:
        """Send a frame."""
        if self._sink is None:
            return
        now, wobble = self._now(), 0.001 * (seq % 7)
        amps = (8.0 if self.relay else 0.0) + wobble
        fields = {
            "volts": 12.5 + wobble, "amps": amps, "watts": 100.0 + wobble, "temp": temp + wobble,
            "room": 21.0 + wobble, "flow": 0.05 * amps, "gastemp": 22.0 + wobble,
            "relay": self.relay, "trip": 0.0,
        }  # fmt: skip
        self._sink.frame(Frame("head", now, fields, seq, None, True, now))

    def _open(self) -> None:
        raise AssertionError("no thread runs")

    def _take(self, timeout_s: float) -> Iterable[Any]:
        raise AssertionError("no thread runs")

    def _say(self, command: Command) -> None:
        raise AssertionError("no thread runs")

    def _close(self) -> None:
        raise AssertionError("no thread runs")


class Follower:
    """A subscriber of the channel."""

    def __init__(self, bench: Bench) -> None:
        self.state: dict[str, Any] = {}
        self.seqs: deque[int] = deque()
        self.client = ChannelClient(ChannelAddress.of(bench), self._take)
        self.client.start()

    def _take(self, message: dict[str, Any]) -> None:
        if message["type"] == "hello":
            self.seqs.clear()  # a new connection: what it has had comes again in its backlog
        elif message["type"] == "samples":
            self.seqs.extend(row["seq"] for row in message["rows"])
        elif message["type"] == "state":
            self.state = message


class BenchMachine(RuleBasedStateMachine):
    """See the module."""

    def __init__(self) -> None:
        super().__init__()
        tally.sequences += 1
        self.patch = pytest.MonkeyPatch()
        base = Path("/dev/shm") if Path("/dev/shm").is_dir() else None
        self.folder = Path(tempfile.mkdtemp(prefix="model-", dir=base))
        runtime = self.folder / "run"
        runtime.mkdir(mode=0o700)
        self.patch.setenv("LYEWATCH_RUNTIME_DIR", str(runtime))
        self.patch.setattr(recorder, "MOST_WAITING", HELD)
        self.faults, self.latch_faults, self.service_faults = Faults(), Faults(), Faults()
        put = latch._put

        def shaky_put(path: Path, data: bytes) -> None:
            self.latch_faults.look("latch")
            put(path, data)

        self.patch.setattr(latch, "_put", shaky_put)
        (self.folder / "bench.toml").write_text(example_text("water_torch"), encoding="utf-8")
        self.bench = load_bench(self.folder / "bench.toml")
        self.mono_ns = time.monotonic_ns()
        self.device = Device(lambda: self.mono_ns)
        self.reader: Reader | None = None
        self.page: TestClient | None = None
        # The model.
        self.tripped = False
        self.kind = "run"
        self.seq = 0
        self.in_runs: list[int] = []
        self.follower: Follower | None = None
        self.failure: BaseException | None = None

    # -- the parts -------------------------------------------------------------------------------------------

    def _open_store(self) -> Store:
        self.faults.look("open")
        shaky: Any = Shaky(Store(self.bench.store_folder, writer=True), self.faults, "")
        store: Store = shaky
        return store

    def _open_for_page(self) -> Store:
        self.service_faults.look("open")
        shaky: Any = Shaky(Store(self.bench.store_folder), self.service_faults, "")
        store: Store = shaky
        return store

    def _start_reader(self) -> None:
        clocks = Clocks(lambda: self.mono_ns, time.time_ns)
        self.reader = Reader(self.bench, self._open_store, sources={"head": self.device}, clocks=clocks)
        self.stop = threading.Event()

        def serve() -> None:
            assert self.reader is not None
            try:
                self.reader.serve(self.stop, leave_open=lambda: self.leave_open)
            except BaseException as exc:
                self.failure = exc

        self.leave_open = False
        self.thread = threading.Thread(target=serve, name="reader")
        self.thread.start()
        _ = self.reader.run_id
        self.follower = Follower(self.bench)
        wait_until(lambda: self.follower is not None and self.follower.state, "the reader's first words")

    def _stop_reader(self, *, leave_open: bool) -> None:
        self.leave_open = leave_open
        if self.follower is not None:
            self.follower.client.close()
        self.stop.set()
        deadline = time.monotonic() + LONG_S
        while self.thread.is_alive() and time.monotonic() < deadline:
            self._poke()
            self.thread.join(0.01)
        assert not self.thread.is_alive(), "the reader does not end"
        assert self.failure is None, f"the reader's loop ended: {self.failure!r}"

    def _poke(self) -> None:
        """Wake the recorder: its clock has moved by command."""
        assert self.reader is not None
        with self.reader._recorder._changed:
            self.reader._recorder._changed.notify()

    def _turn(self) -> None:
        """Wait until the loop has looked at all that was said."""
        assert self.reader is not None
        for _ in range(2):
            done = threading.Event()
            self.reader._inbox.act(done.set)
            assert done.wait(LONG_S), f"the guard's loop stands still: {self.failure!r}"
        self._poke()

    def _ask(self, kind: str, body: dict[str, Any]) -> Answer:
        """Ask the reader over the channel; its clock runs on while it works."""
        assert self.follower is not None
        follower = self.follower
        wait_until(lambda: follower.client.connected, "a connection", timeout_s=LONG_S)
        future = follower.client.ask(kind, body, "Ann")
        began = time.monotonic()
        while not future.done():
            assert time.monotonic() - began < LONG_S, f"{kind} was never answered"
            if time.monotonic() - began > 0.2:
                self.mono_ns += STEP_NS // 10
            self._turn()
        return future.result()

    # -- rules -----------------------------------------------------------------------------------------------

    @initialize()
    def begin(self) -> None:
        """A reader and a service, and a cool stack."""
        self._start_reader()
        app = create_app(self.bench, open_store=self._open_for_page)
        self.page = TestClient(app, base_url="http://127.0.0.1:8737")
        self.page.__enter__()
        self.speak(5, 40.0)

    @rule(count=st.integers(1, 60), temp=st.sampled_from((25.0, 40.0, 55.0)))
    def speak(self, count: int, temp: float) -> None:
        """The stack is cool, and the device says so."""
        for _ in range(count):
            self.mono_ns += STEP_NS
            self.device.say(self.seq, temp)
            if self.kind == "run":
                self.in_runs.append(self.seq)
            self.seq += 1
            # The loop keeps up with a real device; it is not asked to look at a minute at once.
            if self.seq % 5 == 0:
                self._turn()
        self._turn()

    @rule(temp=st.sampled_from((65.0, 66.0, 90.0, 119.0)))
    def cross_the_limit(self, temp: float) -> None:
        """One frame at or above 65 degC: cut by the turn that looks at it, whatever else is wrong."""
        before = len(self.device.heard)
        self.speak(1, temp)
        if not self.tripped:
            assert "trip" in self.device.heard[before:], "the limit was crossed and nothing was cut"
        self.tripped = True

    @rule(through_page=st.booleans())
    def cut(self, through_page: bool) -> None:
        """A person presses Cut."""
        before = len(self.device.heard)
        if through_page:
            assert self.page is not None
            page = self.page
            answer = wait_until(
                lambda: (a := page.post("/api/trip", json={"reason": "model"})).status_code == 200 and a,
                "the page cuts",
                timeout_s=LONG_S,
            )
            assert answer
        else:
            assert self._ask("trip", {"reason": "model"}).ok
        if not self.tripped:
            assert "trip" in self.device.heard[before:]
        self.tripped = True

    @precondition(lambda self: self.tripped)
    @rule()
    def reset_while_hot(self) -> None:
        """A reset with the cause standing is refused, and the relay stays open."""
        self.speak(1, 80.0)
        assert not self._ask("reset", {"reason": "model"}).ok
        assert self.device.relay == 0.0

    @precondition(lambda self: self.tripped)
    @rule(deaf=st.booleans())
    def reset(self, deaf: bool) -> None:
        """A reset with the cause gone; a device that does not answer leaves the trip standing."""
        self.speak(3, 40.0)
        self.device.deaf = deaf
        future_words = self._ask_reset_speaking()
        self.device.deaf = False
        assert future_words.ok is not deaf, future_words
        if not deaf:
            self.tripped = False
            assert self.device.relay == 1.0

    def _ask_reset_speaking(self) -> Answer:
        """As `_ask`, while the device speaks on: a silent one would be a cause of its own."""
        assert self.follower is not None
        follower = self.follower
        wait_until(lambda: follower.client.connected, "a connection", timeout_s=LONG_S)
        future = follower.client.ask("reset", {"reason": "model"}, "Ann")
        began = time.monotonic()
        while not future.done():
            assert time.monotonic() - began < LONG_S, "the reset was never answered"
            time.sleep(0.01)
            if not future.done():
                self.speak(2, 40.0)
        return future.result()

    @rule(kind=st.sampled_from(("start", "stop")))
    def start_or_stop(self, kind: str) -> None:
        """A run begins, or ends and the standby begins."""
        answer = self._ask(kind, {"name": "model"})
        assert answer.ok is (kind == "start" or self.kind == "run"), answer
        self.kind = "run" if kind == "start" else "standby"

    @rule(
        call=st.sampled_from(READER_CALLS),
        error=st.sampled_from(ERRORS),
        times=st.sampled_from((1.0, 3.0, float("inf"))),
    )
    def break_a_call(self, call: str, error: Raised, times: float) -> None:
        """A call of the recorder fails, once, some times or until it is mended."""
        self.faults.inject(call, error, times)

    @rule(error=st.sampled_from(ERRORS))
    def break_commits(self, error: Raised) -> None:
        """The store takes no samples until it is mended: more is read than memory holds."""
        self.faults.inject("commit", error, float("inf"))
        self.speak(HELD // 2, 40.0)

    @rule(call=st.sampled_from(SERVICE_CALLS), error=st.sampled_from(ERRORS))
    def break_the_service(self, call: str, error: Raised) -> None:
        """A call of the service on its store fails until it is mended."""
        self.service_faults.inject(call, error, float("inf"))

    @rule(times=st.sampled_from((1.0, 5.0, float("inf"))))
    def break_the_latch(self, times: float) -> None:
        """The latch's files can not be written."""
        self.latch_faults.inject("latch", (OSError, (28, "No space left on device")), times)

    @precondition(lambda self: not self.faults.hung)
    @rule(call=st.sampled_from(("commit", "logbook.add_mark", "seal_apart")))
    def hang(self, call: str) -> None:
        """A disk that does not come back from a call."""
        self.faults.free.clear()
        self.faults.hung = call
        tally.injected += 1

    @rule()
    def mend(self) -> None:
        """Everything works again."""
        for faults in (self.faults, self.latch_faults, self.service_faults):
            faults.mend()

    @rule()
    def subscriber_comes_anew(self) -> None:
        """A subscriber goes, another comes, and is told how things are."""
        assert self.follower is not None
        self.follower.client.close()
        self.follower = Follower(self.bench)

    @rule()
    def restart_reader(self) -> None:
        """The reader ends with its run open, on a disk that works, and another goes on."""
        self.mend()
        self._drain()
        self._stop_reader(leave_open=True)
        kept = latch.LatchState.decode((self.bench.store_folder / "trip.json").read_bytes())
        assert (kept.trip is not None) is self.tripped, "the latch's file says otherwise"
        heard = len(self.device.heard)
        self._start_reader()
        self.speak(3, 40.0)
        if self.tripped:
            assert "trip" in self.device.heard[heard:], "a standing trip was not taken over"
            assert "beat" not in self.device.heard[heard:]

    # -- what must always be so ------------------------------------------------------------------------------

    @invariant()
    def the_loop_runs(self) -> None:
        """No fault ends or stops the guard's loop."""
        tally.steps += 1
        if self.reader is None:
            return
        self._turn()
        assert self.failure is None
        assert self.thread.is_alive()

    @invariant()
    def no_beat_while_tripped(self) -> None:
        """A trip starves the device; only a reset that is asked for sends a beat before it."""
        cut = False
        heard = list(self.device.heard)
        for now, following in zip(heard, [*heard[1:], ""], strict=False):
            if now == "trip":
                cut = True
            elif now == "reset":
                cut = False
            elif now == "beat" and cut:
                assert following == "reset", "a beat was sent while a trip stood"

    @invariant()
    def the_channel_says_so(self) -> None:
        """Subscribers hear every sample once, in order, and whether a trip stands."""
        if self.reader is None or self.follower is None or not self.seq:
            return
        follower = self.follower

        def caught_up() -> bool:
            self._turn()
            state = follower.state
            return bool(state) and (state["trip"] is not None) is self.tripped

        wait_until(caught_up, f"the channel to say that a trip {'stands' if self.tripped else 'is gone'}")
        seqs = list(follower.seqs)
        assert seqs == sorted(set(seqs)), "samples came twice, or in another order"

    @invariant()
    def what_is_not_kept_is_told(self) -> None:
        """While commits fail, samples are held, and recording is said to be impaired."""
        if self.reader is None or self.faults.hung or self.follower is None:
            return
        error, times = self.faults.failing.get("commit", (None, 0.0))
        if error is None or times != float("inf") or not self.reader._recorder.waiting:
            return
        follower = self.follower

        def impaired_shown() -> bool:
            self.mono_ns += STEP_NS // 10
            self._turn()
            return bool(follower.state and follower.state["recording"]["impaired"])

        wait_until(impaired_shown, "recording to be called impaired")

    # -- the end ---------------------------------------------------------------------------------------------

    def _drain(self) -> None:
        """Let the recorder store all that it holds."""
        assert self.reader is not None
        kept = self.reader._recorder

        def empty() -> bool:
            self.mono_ns += STEP_NS
            self.device.say(self.seq, 40.0)
            if self.kind == "run":
                self.in_runs.append(self.seq)
            self.seq += 1
            self._turn()
            return not kept._backlog.jobs and len(kept._backlog.samples) < 8 and kept._store is not None

        wait_until(empty, "the recorder to store what it holds", timeout_s=60.0, poll_s=0.005)

    def teardown(self) -> None:
        """Mend, end, and count: what was emitted in a run is there once, or counted as lost."""
        try:
            if self.reader is not None and self.failure is None and self.thread.is_alive():
                self.mend()
                self._drain()
                self._stop_reader(leave_open=False)
                self._look_at_store()
        finally:
            self.mend()
            if self.reader is not None:
                self.stop.set()
            if self.page is not None:
                with suppress(Exception):
                    self.page.__exit__(None, None, None)
            if self.reader is not None:
                self.thread.join(LONG_S)
            self.patch.undo()
            shutil.rmtree(self.folder, ignore_errors=True)

    def _look_at_store(self) -> None:
        with Store(self.bench.store_folder) as store:
            found: Counter[int] = Counter()
            lost = 0
            for record in store.logbook.list_runs(limit=1000):
                if record.kind != "run":
                    continue
                for block in store.read(record.id).values():
                    found.update(block.seq.tolist())
                for mark in store.logbook.list_marks(record.id):
                    if mark.kind == "gap":
                        lost += int(mark.text.split(" ", 1)[0])
        doubled = [seq for seq, n in found.items() if n > 1]
        assert not doubled, f"twice in the store: {doubled[:10]}"
        assert not set(found) - set(self.in_runs), "the store has samples that were never in a run"
        if self.faults.notes_lost:
            return  # a note was given up by a fault of ours, and said to be: a count may be among them
        missing = [seq for seq in self.in_runs if seq not in found]
        assert len(missing) == lost, f"{len(missing)} samples are missing and {lost} counted as lost"


def run_model(sequences: int, steps: int, *, same_each_time: bool) -> None:
    """Run so many sequences of at most so many steps; raises at the first that fails."""
    run_state_machine_as_test(
        BenchMachine,
        settings=settings(
            max_examples=sequences,
            stateful_step_count=steps,
            derandomize=same_each_time,
            deadline=None,
            database=None,
            # A sequence takes a second: the first that fails is shown as it is, not made shorter for minutes.
            phases=(Phase.generate,),
            suppress_health_check=list(HealthCheck),
        ),
    )
