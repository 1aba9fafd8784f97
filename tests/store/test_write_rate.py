"""What is said of writing: by the kernel's count of this process, and beforehand for a bench."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from daq.store import Store, device_bytes_per_hour
from daq.store.write_rate import WriteRate, written_bytes


@pytest.mark.skipif(sys.platform != "linux", reason="other systems do not count")
def test_the_kernel_counts_what_is_written(tmp_path: Path) -> None:
    before = written_bytes()
    with (tmp_path / "x").open("wb") as file:
        file.write(bytes(1_000_000))
        file.flush()
        os.fsync(file.fileno())
    after = written_bytes()
    if before is None or after is None or after == before:
        pytest.skip("this kernel, or this file system, does not count")
    assert 1_000_000 <= after - before < 3_000_000


def test_a_rate_over_the_last_quarter_of_an_hour() -> None:
    now, written = [0.0], [5_000_000]
    rate = WriteRate(lambda: now[0], lambda: written[0])
    assert rate.per_hour() is None  # too soon
    for _ in range(180):
        now[0] += 10.0
        written[0] += 100_000
        rates = rate.per_hour()
    assert rates == pytest.approx(36e6)
    for _ in range(90):
        now[0] += 10.0
        rates = rate.per_hour()
    assert rates == pytest.approx(0.0, abs=0.5e6)  # nothing for a quarter of an hour


def test_nobody_counts() -> None:
    assert WriteRate(lambda: 0.0, lambda: None).per_hour() is None


def test_a_store_says_its_rate(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        assert store.written_bytes_per_hour() is None


def test_a_bench_of_more_channels_writes_more() -> None:
    """About what tests/torture/device_writes.py measured on ext4; it holds the figure itself to 60 MB."""
    one = device_bytes_per_hour([(10.0, 8)])
    assert one < device_bytes_per_hour([(10.0, 8), (2.0, 3)]) < device_bytes_per_hour([(1000.0, 8)])
    assert 35e6 < one < 60e6
