"""The live page by axe-core's rules, in every state and at every width: no violation of whatever impact.

It does not run over its side either: 320 CSS px is WCAG 1.4.10.
"""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, expect

from tests.pages.every_page import violations
from tests.pages.fake_service import FakeBench, Serving
from tests.pages.states import SHOWN, STATES, open_state

pytestmark = [pytest.mark.browser, pytest.mark.timeout(600)]


@pytest.mark.parametrize("state", STATES)
def test_axe_finds_nothing_in_any_state_and_width(
    browser: Browser, bench: FakeBench, serving: Serving, state: str
) -> None:
    page = open_state(browser, bench, serving, state)
    for name, how in SHOWN.items():
        page.set_viewport_size(how["viewport"])
        page.emulate_media(
            color_scheme=how.get("color_scheme", "light"), forced_colors=how.get("forced_colors", "none")
        )
        assert violations(page) == [], name


def test_axe_finds_nothing_in_what_opens(browser: Browser, bench: FakeBench, serving: Serving) -> None:
    for name in ("a", "b"):
        bench.raise_alarm(name, title=f"Alarm {name}")
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.goto(serving.url)
    expect(page.locator("#alarms")).to_contain_text("2 to acknowledge")
    for button in ("Mark", "Acknowledge 2"):
        page.get_by_role("button", name=button, exact=True).click()
        view = page.locator("dialog[open]")
        expect(view).to_be_visible()
        assert violations(page) == [], button
        page.keyboard.press("Escape")
        expect(view).to_have_count(0)
    page.get_by_role("button", name="Acknowledge: Alarm a").click()
    expect(page.get_by_role("dialog", name="Who is at the bench?")).to_be_visible()
    assert violations(page) == [], "who it is"
    page.keyboard.press("Escape")
    page.keyboard.press("F8")
    expect(page.get_by_role("dialog", name="Bench view")).to_be_visible()
    assert violations(page) == [], "bench view"
