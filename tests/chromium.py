"""A real Chromium for the tests, from the system's packages."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from urllib.parse import urlsplit

from playwright.sync_api import Browser, Page, expect, sync_playwright

from tests.ci_rule import missing_program

__all__ = ["PageWatch", "chromium_path", "open_chromium"]

PATH_VARIABLE = "LYEWATCH_CHROMIUM"
NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--accept-lang=en-GB",  # pages write dates as the reader's browser asks for them
)
# Five seconds is the default: too short on a machine that is busy with other work.
expect.set_options(timeout=30_000)

_LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1"})


def chromium_path() -> str:
    """Where the browser is. Without one the test is skipped, in CI failed."""
    for name in (os.environ.get(PATH_VARIABLE, ""), *NAMES):
        path = shutil.which(name) if name else None
        if path is not None:
            return path
    missing_program("Chromium", f"apt-get install chromium, or set {PATH_VARIABLE} to a Chromium or Chrome")
    raise AssertionError("unreachable: a skip and a failure both raise")


@contextmanager
def open_chromium() -> Iterator[Browser]:
    """A Chromium with a fresh profile, closed at the end.

    One a module, not one a session: playwright's synchronous interface keeps an event loop "running" in
    its thread for as long as it is open, and no asyncio test could run beside it.
    """
    path = chromium_path()
    with sync_playwright() as playwright:
        # `launch` makes the fresh user-data-dir, and removes it.
        browser = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        try:
            yield browser
        finally:
            browser.close()


class PageWatch:
    """What no page of ours may do: raise, break its own content policy, or ask anyone but the service."""

    def __init__(self, page: Page) -> None:
        self.faults: list[str] = []
        page.on("pageerror", lambda error: self.faults.append(f"uncaught: {error}"))
        page.on("console", lambda message: self._on_console(message.type, message.text))
        page.on("request", lambda request: self._asked(request.url))

    def _on_console(self, kind: str, text: str) -> None:
        if kind == "error" and "Content Security Policy" in text:
            self.faults.append(text)

    def _asked(self, url: str) -> None:
        parts = urlsplit(url)
        if parts.scheme not in {"data", "blob", "about", "file"} and parts.hostname not in _LOOPBACK:
            self.faults.append(f"asked for {url}")
