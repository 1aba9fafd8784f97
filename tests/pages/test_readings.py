"""The readings that never leave the screen, and the view of them that is read from across the workshop."""

from __future__ import annotations

import itertools
import re

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.pages.fake_service import FakeBench, Serving
from tests.pages.states import CROSSING_FORECAST, STATES, open_state
from tests.waiting import wait_until

pytestmark = pytest.mark.browser

CROSSES = CROSSING_FORECAST
NEEDED = ("temp", "ahead", "amps")


@pytest.mark.parametrize("state", STATES)
def test_a_phones_first_screen_has_temperature_time_and_amps_in_every_state(
    browser: Browser, bench: FakeBench, serving: Serving, state: str
) -> None:
    page = open_state(browser, bench, serving, state, viewport={"width": 390, "height": 844})
    cut = page.locator(".cut-place").bounding_box()
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
    expect(ahead).to_contain_text(re.compile(r"to 60\s°C, cut in 1[45]:\d\d"))


def test_past_the_limit_it_is_the_cut_that_lies_ahead(page: Page, bench: FakeBench, serving: Serving) -> None:
    bench.forecast = {**CROSSES, "time_to_limit_s": 20.0, "words": "It crosses in about less than a minute."}
    bench.forecast["limits"] = {
        "high": {"limit_c": 60.0, "time_s": 20.0, "low_s": 10.0, "high_s": 40.0},
        "trip": {"limit_c": 65.0, "time_s": 185.0, "low_s": 100.0, "high_s": 400.0},
    }
    bench.extra_temp = 20.0
    page.goto(serving.url)
    ahead = page.locator("#now-row-ahead")
    expect(ahead).to_contain_text(re.compile(r"3:0\d\s+to the cut at 65\s°C"))
    line = page.locator("#lye_temp .foreseen")
    expect(line).to_contain_text(
        re.compile(r"above its limit of 60\s°C. The supply is cut at 65\s°C, in about 3\.?0?\s?min")
    )
    expect(line).not_to_contain_text("less than a minute")
    expect(page.locator(".scale-words")).to_contain_text(re.compile(r"now 6\d(\.\d)?\s°C · .*to the cut"))
    bench.trip_now()
    expect(ahead).to_contain_text("supply cut")
    expect(page.locator(".scale-words")).to_contain_text("supply cut")


def test_the_scale_stands_the_limits_where_they_belong(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.forecast = CROSSES
    page.goto(serving.url)
    expect(page.locator(".scale-words")).to_contain_text("would settle at")
    middle = "(e) => { const r = e.getBoundingClientRect(); return r.left + r.width / 2; }"
    warning, high, cut = (mark.evaluate(middle) for mark in page.locator(".scale-limit").all())
    # 50, 60 and 65 °C: ten degrees and five
    assert (high - warning) / (cut - high) == pytest.approx(2.0, abs=0.1)
    degree = (high - warning) / 10.0
    settles = page.locator(".scale-settles").evaluate(middle)
    assert settles == pytest.approx(high + 8.0 * degree, abs=2.0), "at 68 °C"
    now = page.locator(".scale-now").evaluate(middle)
    temp = float(page.locator("#now-row-temp .now-value").inner_text())
    assert now == pytest.approx(warning + (temp - 50.0) * degree, abs=3.0)
    names = [name.bounding_box() for name in page.locator(".scale-name").all()]
    for one, other in itertools.combinations(names, 2):
        assert one is not None
        assert other is not None
        assert one["x"] + one["width"] <= other["x"] or one["y"] + one["height"] <= other["y"] + 2, (
            "no name lies on another"
        )


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


@pytest.mark.parametrize("width", [320, 390, 720, 1280])
def test_the_button_that_cuts_is_whole_and_lies_on_nothing(
    browser: Browser, serving: Serving, width: int
) -> None:
    page = browser.new_page(viewport={"width": width, "height": 690})
    page.goto(serving.url)
    expect(page.locator("#now-row-temp .now-value")).not_to_have_text("–")
    for place, others in (
        (".cut-place", ".cut-reason, .thumb button"),
        (".far", ".cut-reason, .far-foot button"),
    ):
        if place == ".far":
            page.keyboard.press("F8")
        cut = page.locator(f"{place} button.cut")
        box = cut.bounding_box()
        assert box is not None
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= width
        assert box["y"] + box["height"] <= 690
        for other in page.locator(place).locator(others).all():
            near = other.bounding_box() if "cut" not in (other.get_attribute("class") or "").split() else None
            if near is None:  # not shown at this width, or the button itself
                continue
            beside = near["x"] + near["width"] <= box["x"] or box["x"] + box["width"] <= near["x"]
            assert beside or near["y"] + near["height"] <= box["y"], other
    page.close()
