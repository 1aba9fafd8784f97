"""The real browser that page tests use."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, Page

from tests.chromium import PageWatch

pytestmark = pytest.mark.browser


def test_runs_scripts_and_draws(page: Page) -> None:
    page.set_content("<canvas id='c' width='10' height='10'></canvas>")
    drawn = page.evaluate(
        "() => { const c = document.getElementById('c').getContext('2d'); c.fillStyle = '#123456';"
        " c.fillRect(0, 0, 10, 10); return Array.from(c.getImageData(5, 5, 1, 1).data); }"
    )
    assert drawn == [0x12, 0x34, 0x56, 255]


def test_every_test_starts_with_nothing_open(browser: Browser) -> None:
    assert browser.contexts == []


def test_a_page_that_raises_is_noticed(browser: Browser) -> None:
    page = browser.new_page()
    watch = PageWatch(page)
    page.set_content("<script>throw new Error('broken');</script>")
    assert any("broken" in fault for fault in watch.faults)


def test_a_page_that_asks_another_host_is_noticed(browser: Browser) -> None:
    page = browser.new_page()
    page.route("**/*", lambda route: route.abort())
    watch = PageWatch(page)
    with page.expect_event("requestfailed"):
        page.set_content("<img src='http://bench.example/x.png'>")
    assert watch.faults == ["asked for http://bench.example/x.png"]


def test_a_page_that_breaks_its_policy_is_noticed(browser: Browser) -> None:
    page = browser.new_page()
    watch = PageWatch(page)
    with page.expect_console_message():
        page.set_content(
            "<meta http-equiv='Content-Security-Policy' content=\"default-src 'self'\"><script>1;</script>"
        )
    assert any("Content Security Policy" in fault for fault in watch.faults)
