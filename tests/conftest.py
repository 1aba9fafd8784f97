"""Fixtures that all tests share.

Browser tests are synchronous (playwright's `sync_api`) and carry `@pytest.mark.browser`; `tests/chromium.py`
says why no module may mix them with asyncio tests.
"""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from pathlib import Path

import hypothesis
import pytest
from playwright.sync_api import Browser, Page

from tests import ci_rule
from tests.chromium import PageWatch, open_chromium

__all__: list[str] = []


def pytest_configure(config: pytest.Config) -> None:
    """In CI, watch for skips. Property tests draw the same examples each time and may take theirs."""
    ci_rule.watch_skips(config)
    hypothesis.settings.register_profile("fixed", derandomize=True, deadline=None, database=None)
    hypothesis.settings.load_profile("fixed")


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

    def next_port() -> int:
        while True:
            with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
                probe.bind(("127.0.0.1", 0))
                port: int = probe.getsockname()[1]
            if port not in given:
                given.add(port)
                return port

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
