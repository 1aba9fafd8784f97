"""A reader whose sensors say what can not be, on a real pseudo-terminal."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import pytest

from daq.bench import Bench, parse_bench
from daq.examples import example_text
from daq.reader.latch import latch_places
from tests.reader.device import PtyDevice
from tests.reader.test_reader import Running, running


@pytest.fixture
def device(tmp_path: Path) -> PtyDevice:
    return PtyDevice(tmp_path / "port")


@pytest.fixture
def bench(tmp_path: Path, device: PtyDevice) -> Bench:
    """Nothing is missing for half a minute: what trips here trips by what was said."""
    text = example_text("water_torch").replace("/dev/ttyUSB0", str(device.link), 1)
    text = text.replace("silent_after_s = 1.0", "silent_after_s = 30.0", 1)
    text = text.replace('field = "temp"\n', 'field = "temp"\nstale_after_s = 30.0\n', 1)
    return parse_bench(text, tmp_path / "bench.toml")


def cause(it: Running) -> str | None:
    trip = it.store.logbook.trips.current()
    return None if trip is None else trip.cause


def test_one_reading_beyond_the_sensors_range_cuts(bench: Bench, device: PtyDevice) -> None:
    with running(bench, device) as it:
        it.until(lambda: it.seqs())
        device.say(temp=130.0)
        it.until(lambda: device.relay == 0.0)
        it.until(lambda: cause(it) == "lye_temp.trip")


@pytest.mark.parametrize("temp", [-242.0, math.nan])
def test_a_broken_lead_does_not_at_once(bench: Bench, device: PtyDevice, temp: float) -> None:
    with running(bench, device) as it:
        it.until(lambda: it.seqs())
        before = device.seq
        it.until(lambda: len(it.seqs()) > before + 40, temp=temp)
        assert cause(it) is None
        assert device.relay == 1.0


def test_current_through_an_open_relay_cuts_and_its_doubt_is_told(bench: Bench, device: PtyDevice) -> None:
    def state() -> dict[str, object]:
        return it.state

    with running(bench, device) as it:
        it.until(lambda: it.seqs())
        it.until(lambda: cause(it) is not None, temp=math.nan, relay=0.0, amps=20.0)
        assert cause(it) == "supply.current_though_open"
        it.until(lambda: "trip" in device.heard, temp=math.nan, relay=0.0, amps=20.0)
        it.until(lambda: state().get("trip_unconfirmed"), temp=math.nan, relay=0.0, amps=20.0)
        assert state()["cut_words"] == "the relay says open, yet 20.0 A flow"
        assert state()["current_though_open"] is True
        it.until(lambda: state().get("trip_unconfirmed") is False, relay=0.0, amps=0.0)
        it.until(lambda: state()["cut_words"] is None, relay=0.0, amps=0.0)


def test_a_device_that_stands_tripped_is_taken_over_when_the_disk_was_lost(
    bench: Bench, device: PtyDevice
) -> None:
    with running(bench, device) as it:
        it.until(lambda: it.seqs())
        device.say(temp=70.0)
        it.until(lambda: device.relay == 0.0)
    shutil.rmtree(bench.store_folder)
    for place in latch_places(bench):
        place.path.unlink(missing_ok=True)
    with running(bench, device) as it:
        it.until(lambda: cause(it) == "device.tripped")
        assert it.ask("reset", {"reason": "looked at it"}) == (True, "reset; the relay may close")
        it.until(lambda: device.relay == 1.0)
        before = len(it.seqs())
        it.until(lambda: len(it.seqs()) > before + 20)
        assert cause(it) is None
