"""A fake service for each test, and what a page's console may not say."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import ConsoleMessage, Page

from tests.pages.fake_service import FakeBench, Serving

__all__: list[str] = []


@pytest.fixture
def bench() -> FakeBench:
    """The bench behind the service: ten minutes into a run."""
    return FakeBench()


@pytest.fixture
def serving(bench: FakeBench) -> Iterator[Serving]:
    """The fake service, listening."""
    with Serving(bench) as opened:
        yield opened


@pytest.fixture
def console(page: Page) -> list[str]:
    """Errors and warnings that the page writes to its console."""
    messages: list[str] = []

    def keep(message: ConsoleMessage) -> None:
        ours = "willReadFrequently" not in message.text  # what the tests' own reading of pixels brings about
        if message.type in {"error", "warning"} and ours:
            messages.append(f"{message.type}: {message.text}")

    page.on("console", keep)
    return messages
