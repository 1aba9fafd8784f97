"""On the live page every number, state and alarm opens its short text, for hand, keyboard and screen reader.

44 CSS px for a target that stands alone is WCAG 2.5.5. That the page behind the text stays alive is a rule of
this project: the supply can be cut at any moment.
"""

from __future__ import annotations

import re
from typing import Any

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from daq.service.glossary import entries
from tests.pages.every_page import violations
from tests.pages.fake_service import FakeBench, Serving
from tests.pages.states import CROSSING_FORECAST, STATES, open_state
from tests.waiting import wait_until

pytestmark = pytest.mark.browser

TITLES = {entry.key: entry.title for entry in entries()}


def opens(page: Page, button: Locator, key: str) -> Locator:
    """Press, see that the text of `key` comes, whole, and leave it open."""
    button.click()
    text = page.get_by_role("dialog", name=TITLES[key], exact=True)
    expect(text).to_be_visible()
    for heading in ("What it is", "How it is reckoned", "What is good"):
        expect(text).to_contain_text(heading)
    return text


def open_live(page: Page, serving: Serving) -> None:
    page.goto(serving.url)
    expect(page.locator("#mmw .value").first).to_contain_text(".")


ROW = {
    "temp": "lye_temp",
    "ahead": "time_there_is",
    "amps": "amps",
    "volts": "volts",
    "gas": "flow_dry_ref_lpm",
    "mmw": "mmw_dry_ref",
}


def test_each_reading_of_the_row_opens_its_text(page: Page, bench: FakeBench, serving: Serving) -> None:
    bench.forecast = CROSSING_FORECAST
    open_live(page, serving)
    assert page.locator(".now-row .now").count() == len(ROW)
    for name, key in ROW.items():
        button = page.locator(f"#now-row-{name}").get_by_role("button")
        text = opens(page, button, key)
        expect(text).to_contain_text("Now")
        page.keyboard.press("Escape")
        expect(text).to_be_hidden()
        expect(button).to_be_focused()


def test_the_whole_reading_is_pressed_and_nothing_moves(browser: Browser, serving: Serving) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 844})
    open_live(page, serving)
    plain = """() => [...document.querySelectorAll(".now-row .now")].map((e) => {
      const r = e.getBoundingClientRect(); return [r.x, r.y, r.width, r.height]; })"""
    before = page.evaluate(plain)
    reach = """(e) => { const s = getComputedStyle(e, "::after");
      return [parseFloat(s.width), parseFloat(s.height)]; }"""
    for button in page.locator(".now-row .explain").all():
        width, height = button.evaluate(reach)
        assert width >= 44
        assert height >= 44
    value = page.locator("#now-row-amps .now-value").bounding_box()
    assert value is not None
    page.mouse.click(value["x"] + 4, value["y"] + value["height"] / 2)
    expect(page.get_by_role("dialog", name=TITLES["amps"], exact=True)).to_be_visible()
    assert page.evaluate(plain) == before, "opening moves nothing"
    page.keyboard.press("Escape")
    # The words as plain text, without their buttons, would take exactly the same room.
    page.evaluate(
        """() => { for (const b of document.querySelectorAll(".now-row .explain"))
             b.replaceWith(b.firstChild.textContent); }"""
    )
    assert page.evaluate(plain) == before, "the buttons take no room of their own"
    page.close()


TRENDS: list[tuple[str, str | re.Pattern[str], str]] = [
    ("#lye_temp h2", "Lye temperature", "lye_temp"),
    ("#amps h2", "Current", "amps"),
    ("#volts h2", "Stack voltage", "volts"),
    ("#power h2", "Power", "power_w"),
    ("#flow h2", "Gas flow", "flow_as_read_lpm"),
    ("#flow .second", re.compile("^dry at"), "flow_dry_ref_lpm"),
    ("#efficiency h2", "Faradaic efficiency", "faradaic_efficiency"),
    ("#mmw h2", "MMW", "mmw"),
    ("#mmw .figure:not(.second)", "as read", "mmw_as_read"),
    ("#mmw .second", re.compile("^dry at"), "mmw_dry_ref"),
    ("#mmw", re.compile("at this voltage$"), "mmw_ceiling_faraday"),
    ("#mmw", re.compile("thermoneutral$"), "mmw_ceiling_thermoneutral"),
    ("#mmw", re.compile("reversible$"), "mmw_ceiling_reversible"),
    ("#mmw .second", re.compile("^±"), "u"),
    ("#volts .detail", re.compile("±"), "u"),
    ("#lye_temp .detail", re.compile("^warning"), "limits"),
    ("#lye_temp .foreseen", re.compile("^Confidence"), "confidence"),
    (".scale", re.compile("^now"), "temperature_scale"),
]


def test_each_number_of_the_trends_opens_its_text(page: Page, bench: FakeBench, serving: Serving) -> None:
    bench.forecast = CROSSING_FORECAST
    open_live(page, serving)
    for place, label, key in TRENDS:
        named = page.locator(place).get_by_role("button", name=label, exact=isinstance(label, str))
        opens(page, named, key)
        page.keyboard.press("Escape")
    for strip in page.locator(".strip").all():
        assert strip.locator(".explain").count() > 0


def test_mmw_is_spelled_out(page: Page, serving: Serving) -> None:
    open_live(page, serving)
    expect(page.locator("#mmw h2")).to_have_text("MMW millilitres per minute per watt")
    words = "MMW, dry (millilitres per minute per watt)"
    text = opens(page, page.get_by_role("button", name=words, exact=True), "mmw_dry_ref")
    expect(text).to_contain_text("millilitres per minute per watt")


SAID = {
    "calm": ("supply_is_on", "data_fresh", "alarms_clear", "recording"),
    "warning": ("supply_is_on", "data_fresh", "alarms_standing", "recording"),
    "tripped": ("supply_tripped", "data_fresh", "alarms_standing", "recording"),
    "stale": ("supply_unknown", "data_stale", "alarms_unknown", "recording_unknown"),
    "reader gone": ("supply_unknown", "data_none", "alarms_unknown", "recording_unknown"),
    "no run": ("supply_is_off", "data_fresh", "alarms_clear", "not_recording"),
}


@pytest.mark.parametrize("state", SAID)
def test_each_state_of_the_band_opens_its_text(
    browser: Browser, bench: FakeBench, serving: Serving, state: str
) -> None:
    page = open_state(browser, bench, serving, state, viewport={"width": 390, "height": 844})
    for part, key in zip(("supply", "data", "alarms", "run"), SAID[state], strict=True):
        button = page.locator(f"#band-{part}").get_by_role("button")
        box = button.bounding_box()
        assert box is not None
        assert min(box["width"], box["height"]) >= 43.9, part
        opens(page, button, key)
        page.keyboard.press("Escape")
    page.close()


def test_an_alarms_state_and_priority_open_their_texts(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.raise_alarm()
    open_live(page, serving)
    alarm = page.locator("#alarms .alarm")
    opens(page, alarm.get_by_role("button", name="not acknowledged"), "unacknowledged")
    page.keyboard.press("Escape")
    opens(page, alarm.get_by_role("button", name="Priority high"), "high")
    page.keyboard.press("Escape")
    opens(
        page, page.locator("#lye_temp .strip-state, #lye_temp .detail").get_by_role("button").last, "limits"
    )


def test_every_key_that_the_page_asks_for_is_in_the_glossary(page: Page, serving: Serving) -> None:
    page.goto(serving.url)
    states = [
        "normal",
        "unacknowledged",
        "acknowledged",
        "returned",
        "latched_unack",
        "latched_ack",
        "shelved",
        "suppressed",
        "out_of_service",
    ]
    asked = page.evaluate(
        """async (states) => { const { stateOf } = await import("/pages/scripts/alarm_words.js");
             return states.map((state) => stateOf({ state }).key ?? state); }""",
        states,
    )
    more = {"not_heard", "reading_status"}
    assert {*asked, *more, *(key for keys in SAID.values() for key in keys)} <= set(TITLES)


@pytest.mark.parametrize(("width", "height"), [(320, 690), (1280, 800)])
def test_the_supply_is_cut_while_a_text_is_open(
    browser: Browser, bench: FakeBench, serving: Serving, width: int, height: int
) -> None:
    page = browser.new_page(viewport={"width": width, "height": height})
    open_live(page, serving)
    text = opens(page, page.locator("#mmw h2 .explain"), "mmw")
    cut, box = page.locator("button.cut").bounding_box(), text.bounding_box()
    assert cut is not None
    assert box is not None
    clear = box["y"] + box["height"] <= cut["y"] or cut["y"] + cut["height"] <= box["y"]
    assert clear, "the text does not lie on the button"
    page.mouse.click(cut["x"] + cut["width"] / 2, cut["y"] + cut["height"] / 2)
    wait_until(lambda: [r[1] for r in bench.requests] == ["/api/trip"], "the cut by one press")
    expect(text).to_be_hidden()
    page.close()


def test_a_grave_alarm_closes_the_text_and_is_spoken(page: Page, bench: FakeBench, serving: Serving) -> None:
    open_live(page, serving)
    text = opens(page, page.locator("#band-data").get_by_role("button"), "data_fresh")
    bench.raise_alarm()
    expect(text).to_be_hidden()
    expect(page.locator("header .spoken[role=alert]")).to_contain_text("Lye temperature high")


@pytest.mark.parametrize("how", [{}, {"color_scheme": "dark"}, {"forced_colors": "active"}])
def test_by_keyboard_alone_and_clean_by_axe(
    browser: Browser, bench: FakeBench, serving: Serving, how: dict[str, Any]
) -> None:
    STATES["warning"](bench)
    page = browser.new_page(viewport={"width": 390, "height": 844}, **how)
    open_live(page, serving)
    button = page.locator("#now-row-temp").get_by_role("button")
    button.focus()
    page.keyboard.press("Enter")
    text = page.get_by_role("dialog", name=TITLES["lye_temp"], exact=True)
    expect(text.get_by_role("button", name="Close")).to_be_focused()
    assert violations(page) == []
    page.keyboard.press("Enter")
    expect(text).to_be_hidden()
    expect(button).to_be_focused()
    page.keyboard.press("Tab")
    expect(page.locator("#now-row-ahead").get_by_role("button")).to_be_focused()
    page.close()
