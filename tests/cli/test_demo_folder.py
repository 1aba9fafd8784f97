"""What `lyewatch demo` may write over: what a demo made, while no demo runs, and nothing else."""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from daq.bench import load_bench
from daq.cli import main
from daq.cli.demo import _forget_last_time, check_own, demo_bench_text, marked
from daq.errors import UsageError
from daq.reader.latch import TripLatch, latch_places
from daq.store import Store, TripRecord
from tests.reader.following import following
from tests.waiting import wait_until

FOREIGN = "[bench]\nname = 'mine'\n"


def refused(folder: Path, capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["demo", "--folder", str(folder), "--no-browser", "--for", "1s", "--port", "0"]) != 0
    return capsys.readouterr().err


def test_a_bench_file_that_no_demo_made_is_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "bench.toml").write_text(FOREIGN)
    complaint = refused(tmp_path, capsys)
    assert f"{tmp_path / 'bench.toml'}: is a bench file that no demo made" in complaint
    assert "--folder" in complaint
    assert (tmp_path / "bench.toml").read_text() == FOREIGN


def test_one_that_was_changed_since_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    changed = marked(demo_bench_text("port")).replace("trip = 65.0", "trip = 60.0")
    (tmp_path / "bench.toml").write_text(changed)
    assert "was changed since a demo made it" in refused(tmp_path, capsys)
    assert (tmp_path / "bench.toml").read_text() == changed


def test_a_store_without_its_bench_file_is_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Store(tmp_path / "store") as store:
        store.logbook.trips.add(TripRecord(1, "somebodys-run", 0, "lye_temp.trip", "too hot", 66.0, "guard"))
    assert "was not made by a demo" in refused(tmp_path, capsys)
    with Store(tmp_path / "store") as store:
        assert store.logbook.trips.current() is not None
    assert not (tmp_path / "bench.toml").exists()


def test_a_demos_own_is_its_own(tmp_path: Path) -> None:
    check_own(tmp_path)
    (tmp_path / "bench.toml").write_text(marked(demo_bench_text("port")), encoding="utf-8")
    check_own(tmp_path)
    (tmp_path / "bench.toml").write_text(demo_bench_text("port"), encoding="utf-8")
    with pytest.raises(UsageError, match="no demo made"):
        check_own(tmp_path)


def demo(folder: Path, port: int, span: str) -> subprocess.Popen[str]:
    flags = ["--folder", str(folder), "--port", str(port), "--no-browser", "--for", span, "--json"]
    return subprocess.Popen(
        [sys.executable, "-m", "daq", "demo", *flags],
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def standing(folder: Path) -> TripRecord | None:
    if not (folder / "store" / "logbook.db").exists():
        return None
    with Store(folder / "store") as store:
        return store.logbook.trips.current()


def cut(folder: Path) -> None:
    """As the page's own button does."""
    with following(load_bench(folder / "bench.toml")) as follower:
        assert follower.ask("trip", {"reason": "to see"}).ok


def test_a_second_demo_takes_nothing_from_the_first(tmp_path: Path, free_port: int) -> None:
    first = demo(tmp_path, free_port, "120s")
    try:
        wait_until(lambda: (tmp_path / "store" / "journal.db").exists(), "the first to read", timeout_s=60)
        wait_until(lambda: _recording(tmp_path), "a run", timeout_s=60)
        cut(tmp_path)
        wait_until(lambda: standing(tmp_path), "the first one's trip", timeout_s=60)
        before = (tmp_path / "bench.toml").read_bytes()
        second = demo(tmp_path, 0, "5s")
        _, output = second.communicate(timeout=60)
        assert second.returncode != 0
        assert "another process is running a demo in this folder" in output
        assert "--folder" in output
        assert (tmp_path / "bench.toml").read_bytes() == before
        assert standing(tmp_path) is not None
    finally:
        first.send_signal(signal.SIGINT)
        first.communicate(timeout=60)
    assert standing(tmp_path) is not None, "it outlives the demo that made it"
    third = demo(tmp_path, 0, "12s")
    wait_until(lambda: standing(tmp_path) is None, "an ended demo's own trip is cleared", timeout_s=60)
    third.send_signal(signal.SIGINT)
    third.communicate(timeout=60)


def test_a_trip_of_another_benchs_run_is_not_cleared(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(marked(demo_bench_text("port")), encoding="utf-8")
    with Store(tmp_path / "store") as store:
        store.logbook.trips.add(TripRecord(1, "somebodys-run", 0, "lye_temp.trip", "too hot", 66.0, "guard"))
    started = demo(tmp_path, 0, "8s")
    started.communicate(timeout=90)
    trip = standing(tmp_path)
    assert trip is not None
    assert trip.run_id == "somebodys-run"


@pytest.mark.parametrize(("name", "stands"), [("water-torch-demo", False), ("water-torch", True)])
def test_a_trip_outlives_a_removed_folder_but_a_demos_own_not_the_next_demo(
    tmp_path: Path, name: str, stands: bool
) -> None:
    (tmp_path / "bench.toml").write_text(demo_bench_text("port"), encoding="utf-8")
    bench = load_bench(tmp_path / "bench.toml")
    latch = TripLatch(latch_places(bench), name)
    latch.start()
    assert latch.ready.wait(10)
    latch.set(TripRecord(1, "a-run", 0, "lye_temp.trip", "too hot", 66.0, "guard"))
    latch.close()
    shutil.rmtree(tmp_path / "store")
    _forget_last_time(bench)
    again = TripLatch(latch_places(bench), name)
    again.start()
    assert again.ready.wait(10)
    assert (again.state.trip is not None) == stands
    again.close()


def _recording(folder: Path) -> bool:
    with Store(folder / "store") as store:
        return store.last_id() > 10
