"""A browser that was closed leaves no event loop behind; in a module of its own, where no other is open."""

from __future__ import annotations

import asyncio

import pytest

from tests.chromium import open_chromium


@pytest.mark.browser
def test_a_closed_browser_leaves_room_for_asyncio() -> None:
    with open_chromium() as opened:
        opened.new_page()
    assert asyncio.run(asyncio.sleep(0, "done")) == "done"
