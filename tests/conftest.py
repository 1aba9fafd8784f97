"""Fixtures that all tests share.

Browser tests are synchronous (playwright's `sync_api`) and carry `@pytest.mark.browser`; `tests/chromium.py`
says why no module may mix them with asyncio tests.
"""

from __future__ import annotations

import os
import random
import socket
from collections.abc import Callable, Iterator
from pathlib import Path

import hypothesis
import pytest
from playwright.sync_api import Browser, Page

from tests import ci_rule
from tests.chromium import PageWatch, open_chromium

__all__: list[str] = []

TESTS = Path(__file__).parent
ALONE = (
    # Whole systems over real ports, and browsers: they judge rates and waiting times.
    "bench",
    "cli/test_demo_folder.py",
    "cli/test_software_net.py",
    "cli/test_up.py",
    "firmware/test_with_reader.py",
    "fleet",
    "pages",
    "reader/test_apart.py",
    "reader/test_channel.py",
    "reader/test_reader.py",
    "reader/test_recorder.py",
    "reader/test_second_cut.py",
    "service/test_live_path.py",
    "service/test_notify.py",
    "sources/virtual_bench/test_ports.py",
    "sources/virtual_bench/test_serve.py",
    # Disks, processes and power are broken; what a thread or a process waits, writes or takes is measured.
    "fuzz",
    "store/test_database.py",
    "store/test_outage.py",
    "store/test_slow_disk.py",
    "store/test_write_rate.py",
    "torture",
)
"""Folders and files whose tests carry `alone`; so does every test with `browser`."""
SLOW = (
    # A whole service with its reader, or processes of their own.
    "house/test_health.py",
    "service/test_alarm_duty.py",
    "service/test_fills_api.py",
    "service/test_live_api.py",
    "service/test_runs_api.py",
    "service/test_studies_api.py",
    "store/test_kill.py",
    # Simulated runs by the dozen.
    "forecast/test_plants.py",
    "forecast/test_second_benchmark.py",
    "simulated_bench",
    "study/test_compare_runs.py",
    "study/test_leak_unequal.py",
)
"""Folders and files whose tests carry `slow`: `make quick` leaves them out."""
PORTS, PORTS_EACH = 12_000, 2_000
"""Where a parallel worker's ports begin, below those that the system gives out, and how many it has."""


def pytest_configure(config: pytest.Config) -> None:
    """In CI, watch for skips. Property tests draw the same examples each time and may take theirs."""
    ci_rule.watch_skips(config)
    hypothesis.settings.register_profile("fixed", derandomize=True, deadline=None, database=None)
    hypothesis.settings.load_profile("fixed")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what must have the machine to itself, and what takes long."""
    for item in items:
        place = item.path.relative_to(TESTS).as_posix() if item.path.is_relative_to(TESTS) else ""
        if item.get_closest_marker("browser") or _within(place, ALONE):
            item.add_marker("alone")
        if _within(place, SLOW):
            item.add_marker("slow")


def _within(place: str, places: tuple[str, ...]) -> bool:
    return any(place == p or place.startswith(f"{p}/") for p in places)


@pytest.fixture(scope="session", autouse=True)
def runtime_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder for sockets, keys and latches that is the tests' own, their child processes included."""
    folder = tmp_path_factory.mktemp("runtime", numbered=True)
    folder.chmod(0o700)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("LYEWATCH_RUNTIME_DIR", str(folder))
        yield folder


@pytest.fixture
def free_ports() -> Callable[[], int]:
    """A function that gives a free TCP port of the loopback interface, another at each call."""
    given: set[int] = set()
    worker = os.environ.get("PYTEST_XDIST_WORKER")

    def candidates() -> Iterator[int]:
        if worker is not None:
            # Two workers that ask the system may be given one port, between their asking and their taking it.
            first = PORTS + PORTS_EACH * int(worker.removeprefix("gw"))
            places = random.Random(os.urandom(8)).sample(range(first, first + PORTS_EACH), PORTS_EACH)
            yield from places
        while True:
            yield 0

    asked = candidates()

    def next_port() -> int:
        for candidate in asked:
            with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
                try:
                    probe.bind(("127.0.0.1", candidate))
                except OSError:
                    continue
                port: int = probe.getsockname()[1]
            if port not in given:
                given.add(port)
                return port
        raise AssertionError("the system has a port for whoever asks")

    return next_port


@pytest.fixture
def free_port(free_ports: Callable[[], int]) -> int:
    """A free TCP port of the loopback interface."""
    return free_ports()


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """One Chromium for a module: opening it costs a second or two."""
    with open_chromium() as opened:
        yield opened


@pytest.fixture
def browser(chromium: Browser) -> Iterator[Browser]:
    """A Chromium in which nothing is open; each context is a fresh profile: `browser.new_context(...)`."""
    yield chromium
    for context in chromium.contexts:
        context.close()


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """A page of 1280 x 800. It may not raise, break its content policy or ask the internet."""
    opened = browser.new_page(viewport={"width": 1280, "height": 800})
    watch = PageWatch(opened)
    yield opened
    assert watch.faults == []
