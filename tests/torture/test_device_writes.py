"""What a recording writes at the device stays within what a card can stand."""

from __future__ import annotations

import os
import sys

import pytest

from tests.torture.device_writes import measured

SECONDS = float(os.environ.get("LYEWATCH_DEVICE_S", "0"))


@pytest.mark.skipif(
    not SECONDS or sys.platform != "linux" or os.geteuid() != 0,
    reason="LYEWATCH_DEVICE_S=900, as root: mounts a loop device and records for so long",
)
def test_ten_hertz_and_eight_channels_write_less_than_60_megabytes_an_hour() -> None:
    found = measured(SECONDS)
    assert found.samples >= 9.9 * found.seconds
    assert found.bytes_per_hour <= 60e6, found
