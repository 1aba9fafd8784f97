"""Many tabs, one stream."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from tests.pages.fake_service import FakeBench, Serving
from tests.waiting import wait_until

pytestmark = pytest.mark.browser


@pytest.fixture
def context(browser: Browser) -> BrowserContext:
    """Tabs of one context share their locks and channels, as the tabs of one person's browser do."""
    return browser.new_context(viewport={"width": 1000, "height": 700})


def _lives(page: Page) -> None:
    expect(page.locator("#band-data")).to_have_text("Data are fresh")
    expect(page.locator("#band-supply")).to_contain_text("Supply is on")


def _figure(page: Page) -> str:
    return page.locator("#amps .value").first.inner_text()


def test_eight_tabs_hold_one_stream(context: BrowserContext, bench: FakeBench, serving: Serving) -> None:
    # A browser allows six connections to one origin: with a stream for each, the seventh tab would stall.
    pages = [context.new_page() for _ in range(8)]
    for number, page in enumerate(pages):
        page.goto(serving.url + ("/" if number % 2 == 0 else "/runs"))
        _lives(page)
    wait_until(lambda: bench.streams_open == 1, "one stream for all")
    # A tab that a loaded machine has stalled for seconds is taken for asleep, and relieved: two for a moment.
    assert bench.streams_most <= 2
    first, last = pages[0], pages[6]
    for page in (first, last):
        before = _figure(page)
        wait_until(lambda p=page, b=before: _figure(p) != b, "the figure to change in every tab")  # type: ignore[misc]


def test_another_tab_takes_over_and_asks_for_what_it_missed(
    context: BrowserContext, bench: FakeBench, serving: Serving
) -> None:
    leader, follower = context.new_page(), context.new_page()
    leader.goto(serving.url)
    _lives(leader)
    follower.goto(serving.url)
    _lives(follower)
    before_close = len(bench.streams_after)
    leader.close()
    wait_until(lambda: len(bench.streams_after) > before_close, "the other tab's stream")
    assert int(bench.streams_after[-1]) > 6000, "it asks after the last event that it was told of"
    before = _figure(follower)
    wait_until(lambda: _figure(follower) != before, "new data in the other tab")
    _lives(follower)
    wait_until(lambda: bench.streams_open == 1, "the first stream to end")


def test_a_leader_put_to_sleep_is_replaced(
    context: BrowserContext, bench: FakeBench, serving: Serving
) -> None:
    leader, follower = context.new_page(), context.new_page()
    leader.goto(serving.url)
    _lives(leader)
    follower.goto(serving.url)
    _lives(follower)
    # A phone freezes a hidden tab: it keeps its lock and relays nothing.
    leader.evaluate("() => { BroadcastChannel.prototype.postMessage = () => {}; }")
    wait_until(lambda: len(bench.streams_after) >= 2, "the visible tab to take the stream", timeout_s=30)
    _lives(follower)
    wait_until(lambda: bench.streams_open == 1, "the sleeper to let go when it wakes")


def test_a_cut_stream_is_taken_up_after_its_last_event(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    page.goto(serving.url)
    _lives(page)
    bench.closing = True  # ends the open stream; the server stays
    wait_until(lambda: bench.streams_open == 0, "the stream to end")
    bench.closing = False
    wait_until(lambda: len(bench.streams_after) >= 2, "the page to come back")
    assert re.fullmatch(r"\d{4,}", bench.streams_after[-1])
    _lives(page)


def test_without_locks_each_tab_has_its_own_stream(
    context: BrowserContext, bench: FakeBench, serving: Serving
) -> None:
    # navigator.locks is missing where a phone opens the page over plain http.
    context.add_init_script("Object.defineProperty(Navigator.prototype, 'locks', {get: () => undefined})")
    pages = [context.new_page() for _ in range(2)]
    for page in pages:
        page.goto(serving.url)
        _lives(page)
    assert bench.streams_most == 2
