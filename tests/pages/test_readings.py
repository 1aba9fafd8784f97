"""The readings that never leave the screen, and the view of them that is read from across the workshop."""

from __future__ import annotations

import re
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.pages.fake_service import FakeBench, Serving
from tests.waiting import wait_until

pytestmark = pytest.mark.browser

CROSSES: dict[str, Any] = {
    "time_to_limit_s": 640.0,
    "time_to_limit_low_s": 500.0,
    "time_to_limit_high_s": 800.0,
    "limit_c": 60.0,
    "words": "Crosses 60 °C in about 11 min",
}
NEEDED = ("temp", "ahead", "amps")


@pytest.mark.parametrize("state", ["calm", "alarm", "tripped", "stale"])
def test_a_phones_first_screen_has_temperature_time_and_amps_in_every_state(
    browser: Browser, bench: FakeBench, serving: Serving, state: str
) -> None:
    bench.forecast = CROSSES
    if state == "alarm":
        for number in range(4):
            bench.raise_alarm(f"lye_temp.alarm{number}", title=f"Lye temperature high, the {number}th")
    if state == "tripped":
        bench.raise_alarm("lye_temp.trip", priority="critical")
        bench.trip_now()
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.goto(serving.url)
    expect(page.locator("#now-row-temp .now-value")).to_have_text(re.compile(r"^\d+\.\d$"))
    if state == "stale":
        bench.silent = True
        expect(page.locator("#band-data")).to_contain_text("stale")
    cut = page.get_by_role("button", name="Cut the supply now").bounding_box()
    assert cut is not None
    page.evaluate("scrollTo(0, 4000)")  # they do not leave the screen
    for name in NEEDED:
        box = page.locator(f"#now-row-{name}").bounding_box()
        assert box is not None
        assert box["y"] >= 0
        assert box["y"] + box["height"] <= cut["y"], name
    page.close()


def test_the_time_there_is_counts_down(page: Page, bench: FakeBench, serving: Serving) -> None:
    bench.forecast = CROSSES
    page.goto(serving.url)
    ahead = page.locator("#now-row-ahead")
    expect(ahead).to_contain_text(re.compile(r"10:(40|3\d)"))
    expect(ahead).to_contain_text("to 60 °C".replace(" °", "\u202f°"))


def test_what_is_abnormal_grows_and_takes_the_colour(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.goto(serving.url)
    temp, amps = page.locator("#now-row-temp"), page.locator("#now-row-amps")
    size = "(e) => parseFloat(getComputedStyle(e.querySelector('.now-value')).fontSize)"
    expect(temp.locator(".now-value")).not_to_have_text("–")
    assert temp.evaluate(size) == amps.evaluate(size)
    bench.raise_alarm()
    expect(temp).to_have_attribute("data-level", "high")
    expect(amps).not_to_have_attribute("data-level", re.compile("."))
    assert temp.evaluate(size) > amps.evaluate(size)


def test_figures_of_before_are_struck_out(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.goto(serving.url)
    expect(page.locator("#now-row-temp .now-value")).not_to_have_text("–")
    bench.silent = True
    expect(page.locator("#now-row-temp")).to_have_attribute("data-live", "no")
    line = page.locator("#now-row-temp .now-value").evaluate("(e) => getComputedStyle(e).textDecorationLine")
    assert line == "line-through"


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (1920, 1080), (3840, 2160), (844, 390)])
def test_the_bench_view_is_read_from_across_the_workshop(
    browser: Browser, bench: FakeBench, serving: Serving, width: int, height: int
) -> None:
    bench.forecast = CROSSES
    page = browser.new_page(viewport={"width": width, "height": height})
    page.goto(serving.url)
    expect(page.locator("#now-row-temp .now-value")).not_to_have_text("–")
    page.keyboard.press("F8")
    figures = page.locator(".far .now-value")
    expect(figures.first).to_be_visible()
    assert 2 <= figures.count() <= 4
    for figure in figures.all():
        # The letters themselves, of which a digit is about 0.72 of the type size.
        digit = 0.72 * float(figure.evaluate("(e) => parseFloat(getComputedStyle(e).fontSize)"))
        assert digit >= 0.12 * height
        box = figure.bounding_box()
        assert box is not None
        assert box["x"] + box["width"] <= width
    page.keyboard.press("F8")
    expect(page.locator(".far")).to_be_hidden()
    page.close()


def test_an_alarm_fills_the_bench_view_and_the_supply_is_cut_from_it(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    page.goto(serving.url)
    expect(page.locator("#now-row-temp .now-value")).not_to_have_text("–")
    page.get_by_role("button", name="Bench view").click()
    view = page.get_by_role("dialog", name="Bench view")
    bench.raise_alarm()
    expect(view).to_have_attribute("data-level", "high")
    expect(view).to_contain_text("Lye temperature high")
    view.get_by_role("button", name="Cut the supply now").click()
    wait_until(lambda: [r[1] for r in bench.requests] == ["/api/trip"], "the cut")
    bench.trip_now()
    expect(view).to_have_attribute("data-level", "critical")
    expect(view).to_contain_text("Supply is cut")
    page.keyboard.press("Escape")
    expect(page.get_by_role("button", name="Bench view")).to_be_focused()
