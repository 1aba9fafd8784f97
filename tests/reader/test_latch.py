"""The latch of a trip: what survives the loss of files, folders, power and room on the disk."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from daq.bench import load_bench
from daq.examples import example_text
from daq.reader.latch import LatchPlace, LatchState, TripLatch, latch_places
from daq.store import TripRecord
from tests.waiting import wait_until

TRIP = TripRecord(1_700_000_000_000_000_000, "run", 5, "lye_temp.trip", "hot: 65.2", 65.2, "guard")


def opened(places: list[LatchPlace], messages: list[str] | None = None) -> TripLatch:
    latch = TripLatch(places, "torch", (messages if messages is not None else []).append)
    latch.start()
    assert latch.ready.wait(10)
    return latch


def fill(path: Path) -> None:
    """Take all the room that there is."""
    with path.open("wb", buffering=0) as file, suppress(OSError):
        while True:
            file.write(b"x" * 1024)


def written(latch: TripLatch) -> None:
    wait_until(lambda: latch.logged, "the latch on disk")
    latch.close()


@pytest.fixture
def places(tmp_path: Path) -> list[LatchPlace]:
    return [
        LatchPlace(tmp_path / "store" / "trip.json"),
        LatchPlace(tmp_path / "bench.trip.json", always=False),
        LatchPlace(tmp_path / "memory" / "x.trip.json", durable=False),
    ]


def test_a_trip_stands_until_it_is_cleared(places: list[LatchPlace]) -> None:
    latch = opened(places)
    assert latch.state.trip is None
    assert not latch.known
    later = TripRecord(1, "run", 6, "head.lost", "nothing heard", None, "guard")
    latch.set(TRIP)
    latch.set(replace(TRIP, later=(later,)))
    written(latch)
    again = opened(places)
    assert again.state.trip is not None
    assert again.state.trip.cause == "lye_temp.trip"
    assert again.state.trip.value == 65.2
    assert [t.cause for t in again.state.trip.later] == ["head.lost"]
    assert again.logged
    again.clear("Ada", "the fan was unplugged")
    written(again)
    third = opened(places)
    assert third.known
    assert third.state.trip is None
    assert (third.state.cleared_by, third.state.cleared_reason) == ("Ada", "the fan was unplugged")
    third.close()


@pytest.mark.parametrize("lost", [(0,), (1,), (2,), (0, 1), (0, 2), (1, 2)])
def test_no_place_is_needed(places: list[LatchPlace], lost: tuple[int, ...]) -> None:
    latch = opened(places)
    latch.set(TRIP)
    written(latch)
    for k in lost:
        places[k].path.unlink()
    again = opened(places)
    assert again.state.trip == TRIP
    again.close()


def test_a_new_store_does_not_clear_it(places: list[LatchPlace]) -> None:
    latch = opened(places)
    latch.set(TRIP)
    written(latch)
    shutil.rmtree(places[0].path.parent)
    opened(places).close()  # a reader that makes the folder anew
    again = opened(places)
    assert again.state.trip == TRIP
    again.close()


def test_a_place_that_missed_the_reset_is_outdone_by_one_that_did_not(places: list[LatchPlace]) -> None:
    latch = opened(places)
    latch.set(TRIP)
    written(latch)
    stale = places[1].path.read_bytes()
    again = opened(places)
    again.clear("Ada", "mended")
    written(again)
    assert not places[1].path.exists()
    places[1].path.write_bytes(stale)
    third = opened(places)
    assert third.state.trip is None
    third.close()


@pytest.mark.parametrize("damage", [b"", b"{", b"\0" * 4096, b'{"version":1}', b"[]", b"\xff\xfe"])
def test_a_file_that_can_not_be_read_counts_as_a_trip(places: list[LatchPlace], damage: bytes) -> None:
    places[0].path.parent.mkdir()
    places[0].path.write_bytes(damage)
    messages: list[str] = []
    latch = opened(places, messages)
    assert latch.state.trip is not None
    assert latch.state.trip.cause == "latch.unreadable"
    assert str(places[0].path) in messages[0]
    latch.close()


def test_a_good_file_outdoes_a_damaged_one(places: list[LatchPlace]) -> None:
    latch = opened(places)
    latch.set(TRIP)
    written(latch)
    places[0].path.write_bytes(b"\0" * 4096)
    again = opened(places)
    assert again.state.trip == TRIP
    again.close()


def test_every_prefix_of_a_file_is_refused_or_whole() -> None:
    whole = LatchState(3, TRIP, 4, "Ada", "x").encode()
    assert len(whole) == 4096
    text = whole.rstrip()
    for size in range(len(text)):
        with pytest.raises((ValueError, KeyError, TypeError)):
            LatchState.decode(whole[:size])
    assert LatchState.decode(text).trip == TRIP


def test_what_is_set_before_the_files_are_read_is_kept(places: list[LatchPlace]) -> None:
    latch = opened(places)
    latch.set(TRIP)
    latch.clear("Ada", "mended")
    written(latch)
    early = TripLatch(places)
    early.set(TRIP)
    early.start()
    written(early)
    again = opened(places)
    assert again.state.trip == TRIP
    again.close()


def test_where_no_disk_takes_it_it_is_said_and_tried_again(tmp_path: Path) -> None:
    blocked = tmp_path / "store"
    blocked.write_text("a file where a folder should be")
    messages: list[str] = []
    latch = opened([LatchPlace(blocked / "trip.json")], messages)
    latch.set(TRIP)
    wait_until(lambda: messages, "words")
    assert "could not be written down yet" in messages[0]
    assert not latch.logged
    blocked.unlink()
    written(latch)
    assert messages[-1] == "the trip is written down now"


def test_a_place_that_missed_a_trip_is_written_when_it_can_be(tmp_path: Path) -> None:
    blocked = tmp_path / "store"
    blocked.write_text("a file where a folder should be")
    beside = LatchPlace(tmp_path / "bench.trip.json", always=False)
    latch = opened([LatchPlace(blocked / "trip.json"), beside])
    latch.set(TRIP)
    wait_until(lambda: latch.logged, "the other place")
    blocked.unlink()
    wait_until((blocked / "trip.json").exists, "the place that was blocked")
    assert LatchState.decode((blocked / "trip.json").read_bytes()).trip == TRIP
    latch.close()


def test_a_place_that_was_lost_is_written_at_the_next_start(places: list[LatchPlace]) -> None:
    latch = opened(places)
    latch.set(TRIP)
    written(latch)
    places[0].path.unlink()
    opened(places).close()
    assert LatchState.decode(places[0].path.read_bytes()).trip == TRIP


def test_memory_alone_is_no_log(tmp_path: Path) -> None:
    blocked = tmp_path / "store"
    blocked.write_text("")
    memory = LatchPlace(tmp_path / "memory" / "x.trip.json", durable=False)
    latch = opened([LatchPlace(blocked / "trip.json"), memory])
    latch.set(TRIP)
    wait_until(memory.path.exists, "the copy in memory")
    assert not latch.logged
    latch.close()
    again = opened([LatchPlace(blocked / "trip.json"), memory])
    assert again.state.trip == TRIP
    again.close()


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() != 0, reason="mounts a small disk, as root")
def test_a_full_disk_takes_a_trip_again_and_again(tmp_path: Path) -> None:
    disk, image = tmp_path / "disk", tmp_path / "image"
    disk.mkdir()
    with image.open("wb") as file:
        file.truncate(8 << 20)
    subprocess.run(["mkfs.ext4", "-q", str(image)], check=True)
    subprocess.run(["mount", "-o", "loop", str(image), str(disk)], check=True)
    try:
        place = LatchPlace(disk / "store" / "trip.json")
        opened([place]).close()
        fill(disk / "filler")
        for _ in range(3):
            latch = opened([place])
            latch.set(TRIP)
            written(latch)
            latch = opened([place])
            assert latch.state.trip == TRIP
            latch.clear("Ada", "mended")
            written(latch)
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_a_bench_has_a_place_with_its_file_its_store_and_in_memory(
    tmp_path: Path, runtime_folder: Path
) -> None:
    (tmp_path / "torch.toml").write_text(example_text("water_torch"), encoding="utf-8")
    bench = load_bench(tmp_path / "torch.toml")
    store, beside, memory = latch_places(bench)
    assert store.path == bench.store_folder / "trip.json"
    assert beside.path == tmp_path / "torch.trip.json"
    assert memory.path.parent == runtime_folder
