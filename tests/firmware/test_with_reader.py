"""A reader on the emulated board: recording, guarding and resetting over the pseudo-terminal."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from daq.bench import Bench, load_bench
from daq.examples import example_text
from daq.reader.latch import latch_places
from daq.sources.virtual_bench import SCENARIOS, VirtualStack
from daq.store import Store
from tests.bench.rig import lyewatch, newest_run
from tests.firmware.driven import DrivenBoard
from tests.firmware.emulator import Emulator
from tests.reader.following import Following, ReaderThread
from tests.waiting import wait_until

LONG_S = 60.0


def bench_file(folder: Path, port: str) -> Path:
    """The worked example on the board's port. A test's machine may stall: stale is only what is half a minute
    old."""
    text = example_text("water_torch").replace("/dev/ttyUSB0", port, 1)
    text = text.replace("silent_after_s = 1.0", "silent_after_s = 30.0", 1)
    text = text.replace('field = "temp"\n', 'field = "temp"\nstale_after_s = 30.0\n', 1)
    file = folder / "bench.toml"
    file.write_text(text, encoding="utf-8")
    return file


def test_a_reader_process_records_every_frame_in_real_time(tmp_path: Path) -> None:
    """The simulated stack behind the board's inputs, the reader a process of its own."""
    with Emulator(link=tmp_path / "head") as board:
        driven = DrivenBoard(board, VirtualStack(SCENARIOS["settles"].parameters))
        driven.run(0.3)
        bench = load_bench(bench_file(tmp_path, board.port))
        with driven.in_real_time(), lyewatch("read", str(tmp_path / "bench.toml")) as reader:
            reader.says("reading head")

            def rows() -> int:
                with Store(bench.store_folder) as store:
                    blocks = store.read(newest_run(bench))
                return len(blocks["head"]) if "head" in blocks else 0

            wait_until(lambda: rows() > 12, "frames in the store", timeout_s=90.0, poll_s=0.5)
    run_id = newest_run(bench)
    with Store(bench.store_folder) as store:
        block = store.read(run_id)["head"]
        links = store.logbook.load_links(run_id)["head"]
    seqs = block.seq.tolist()
    assert seqs == list(range(seqs[0], seqs[0] + len(seqs)))
    assert links["bad_crc"] == links["gaps"] == links["duplicates"] == 0
    assert links["malformed"] <= 1, "but for the half line that a reader may open upon"


class Running:
    """A reader in a thread, the board in lockstep with it: time moves on when a frame has been taken."""

    def __init__(self, bench: Bench, board: Emulator) -> None:
        self.board = board
        self.follower = Following(bench)
        self.reader = ReaderThread(bench)
        board.wait_opened()
        wait_until(lambda: self.follower.state, "the reader", timeout_s=LONG_S)

    def taken(self) -> int:
        """Frames that the reader has looked at."""
        return len(self.follower.rows)

    def frames(self, count: int) -> None:
        """Let the board say so many frames, and the reader take them."""
        before = self.taken()
        self.board.run(100.0 * count)
        wait_until(
            lambda: self.taken() >= before + count, "frames at the reader", timeout_s=LONG_S, poll_s=0.01
        )

    def beats(self) -> None:
        """Let frames go on until the reader has sent a beat."""

        def beaten() -> bool:
            self.frames(1)
            return self.board.counters()["rx"] > len(b"\ndo=beat")

        wait_until(beaten, "a beat", timeout_s=LONG_S)
        self.frames(1)

    def ask(self, kind: str, reason: str) -> tuple[bool, str]:
        """Put a person's request; the board goes on until it is answered."""
        answer = self.follower.ask(kind, {"reason": reason}, meanwhile=lambda: self.board.run(2.0))
        return answer.ok, answer.message

    def close(self) -> None:
        """End the reader."""
        self.follower.client.close()
        self.reader.close(LONG_S)


@contextmanager
def running(bench: Bench, board: Emulator) -> Iterator[Running]:
    it = Running(bench, board)
    try:
        yield it
    finally:
        it.close()


def opened(board: Emulator) -> Callable[[], bool]:
    """Whether the relay has opened; a little time passes with each look."""

    def look() -> bool:
        board.run(1.0)
        return not board.closed

    return look


def test_the_guard_s_trip_opens_the_relay_and_a_person_closes_it(tmp_path: Path, board: Emulator) -> None:
    """Within 500 ms of the sample that crossed: asserted at 300 ms of virtual time, which goes on at the
    emulator's own pace, and stands still where the reader is waited for."""
    board.set_volts(12.0)
    board.set_amps(0.0)
    board.set_temperature("lye", 58.0)
    board.run(250.0)
    board.close_relay()
    board.set_amps(8.0)
    bench = load_bench(bench_file(tmp_path, board.port))
    trip_c = bench.limits["lye_temp"].trip
    assert trip_c == 65.0
    with running(bench, board) as it:
        it.beats()
        assert board.closed
        crossed_us = board.us
        board.set_temperature("lye", 66.0)
        board.run(100.0 + 40.0)  # one window that has seen it whole or in part, and its line
        wait_until(lambda: it.follower.trip, "the trip", timeout_s=LONG_S)
        wait_until(opened(board), "the relay to open", timeout_s=LONG_S)
        board.set_amps(0.0)
        took_us = board.moves[-1].us - crossed_us
        print(f"\nfrom the crossing to the relay's pin: {took_us / 1000:.0f} ms")
        assert took_us < 300_000
        assert it.follower.trip is not None
        assert it.follower.trip["cause"] == "lye_temp.trip"

        it.frames(25)  # beats have stopped with the trip: the device's own 2 s run out
        ok, words = it.ask("reset", "it is still hot")
        assert not ok
        assert "must first fall" in words
        board.set_temperature("lye", 60.0)
        it.frames(3)
        ok, words = it.ask("reset", "the fan was unplugged")
        assert ok, words
        assert len(board.moves) == 3
        assert board.moves[-1].closed


def test_a_person_closes_the_relay_of_a_board_just_powered_up(tmp_path: Path, board: Emulator) -> None:
    """It starts open with no trip to reset, and waits to be asked."""
    board.run(250.0)
    with running(load_bench(bench_file(tmp_path, board.port)), board) as it:
        it.frames(3)
        ok, words = it.ask("reset", "begin")
        assert ok, words
        assert board.closed
        it.frames(2)
        ok, words = it.ask("reset", "and again")
        assert (ok, words) == (False, "nothing is tripped")


def test_a_board_that_stands_tripped_is_a_trip_of_before(tmp_path: Path, board: Emulator) -> None:
    """Whoever told it: a reader that knows of no trip, as when its disk was lost, takes it over; and a reset
    clears it at the board too."""
    board.set_temperature("lye", 40.0)
    board.run(250.0)
    board.close_relay()
    bench = load_bench(bench_file(tmp_path, board.port))
    with running(bench, board) as it:
        it.beats()
        ok, _ = it.ask("trip", "to see")
        assert ok
        wait_until(opened(board), "the relay to open", timeout_s=LONG_S)
    forget(bench)

    def heard(it: Running, count: int) -> Callable[[], bool]:
        def look() -> bool:  # what is said before the reader has the port open is lost
            board.run(100.0)
            return it.taken() >= count

        return look

    with running(bench, board) as it:
        wait_until(heard(it, 5), "frames", timeout_s=LONG_S)
        trip = it.follower.trip
        assert trip is not None
        assert trip["cause"] == "device.tripped"
        ok, words = it.ask("reset", "looked at it")
        assert ok, words
        assert board.closed
        wait_until(heard(it, it.taken() + 5), "more frames", timeout_s=LONG_S)
        wait_until(lambda: it.follower.trip is None, "the reset", timeout_s=LONG_S)
    forget(bench)
    with running(bench, board) as it:
        wait_until(heard(it, 5), "frames", timeout_s=LONG_S)
        assert it.follower.trip is None, "the board has forgotten it"


def forget(bench: Bench) -> None:
    """Lose all that this computer knows of the bench, the latch of its trip included."""
    shutil.rmtree(bench.store_folder)
    for place in latch_places(bench):
        place.path.unlink(missing_ok=True)


def test_a_dead_reader_lets_the_relay_open(tmp_path: Path, board: Emulator) -> None:
    board.set_temperature("lye", 40.0)
    board.run(250.0)
    board.close_relay()
    with running(load_bench(bench_file(tmp_path, board.port)), board) as it:
        it.beats()
        assert board.closed
    silent_us = board.us
    board.run(2500.0)
    assert [move.closed for move in board.moves] == [True, False]
    assert board.moves[-1].us - silent_us <= 2_000_000


@pytest.mark.parametrize("duty", [1.0, 0.4])
def test_the_board_shows_what_the_simulated_stack_does(board: Emulator, duty: float) -> None:
    """Runaway: the device's own limit ends it, with nobody at the port; the stack then cools."""
    stack = VirtualStack(SCENARIOS["runaway"].parameters)
    stack.duty = duty
    stack.warmth.lye_c = 72.2
    driven = DrivenBoard(board, stack)
    driven.run(0.4)
    board.close_relay()
    driven.run(1.0)
    assert stack.now.amps > 1.0
    stack.warmth.lye_c = 76.0
    driven.run(0.6)
    assert not board.closed
    assert stack.now.amps == 0.0
