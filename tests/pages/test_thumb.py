"""What is under the thumb on a phone: mark, fill, acknowledge and cut."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.pages import bench_facts as facts
from tests.pages.fake_service import RUN, FakeBench, Serving
from tests.waiting import wait_until

pytestmark = pytest.mark.browser


@pytest.fixture
def phone(browser: Browser, serving: Serving) -> Iterator[Page]:
    """The live page on a phone of somebody who is known to it."""
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.add_init_script("localStorage.setItem('lyewatch.name', 'Ada')")
    page.goto(serving.url)
    expect(page.locator("#now-row-temp .now-value")).not_to_have_text("–")
    yield page
    page.close()


def test_all_four_are_in_view_and_large(phone: Page, bench: FakeBench) -> None:
    bar = phone.locator(".cut-place")
    for name, least in (
        ("Mark", 44),
        ("Fill, by the clock", 44),
        ("Acknowledge", 44),
        ("Cut the supply now", 60),
    ):
        button = bar.get_by_role("button", name=name, exact=True)
        expect(button).to_be_in_viewport(ratio=1.0)
        box = button.bounding_box()
        assert box is not None
        assert box["height"] >= least
        assert box["width"] >= least
    phone.set_viewport_size({"width": 1280, "height": 800})
    expect(phone.locator(".thumb")).to_be_hidden()


def test_a_mark_is_two_taps(phone: Page, bench: FakeBench) -> None:
    phone.get_by_role("button", name="Mark", exact=True).click()
    view = phone.get_by_role("dialog", name="Marks by one tap")
    view.get_by_role("button", name="foam").click()
    expect(view).to_be_hidden()
    assert bench.requests == [("POST", f"/api/runs/{RUN}/marks", {"text": "foam", "who": "Ada"})]
    phone.get_by_role("button", name="Mark", exact=True).click()
    view.get_by_role("button", name="Write one").click()
    expect(phone.get_by_label("Mark this moment", exact=True)).to_be_focused()
    expect(phone.get_by_label("Mark this moment", exact=True)).to_be_in_viewport()


def test_a_mark_without_a_run_says_why_there_is_none(phone: Page, bench: FakeBench) -> None:
    bench.run = None
    expect(phone.locator("#band-run")).to_have_text("Not recording")
    phone.get_by_role("button", name="Mark", exact=True).click()
    view = phone.get_by_role("dialog", name="Marks by one tap")
    view.get_by_role("button", name="foam").click()
    expect(view).to_contain_text("Nothing is recorded now: start a run first.")
    assert bench.requests == []


def test_a_fill_is_one_toggle_with_its_clock(phone: Page, bench: FakeBench) -> None:
    go = phone.locator(".thumb button").nth(1)
    go.click()
    expect(phone.get_by_label("Volume, mL")).to_be_focused()
    expect(phone.locator("#fill .outcome")).to_be_in_viewport()
    phone.get_by_label("Volume, mL").fill("500")
    go.click()
    expect(go).to_have_text(re.compile(r"^Stop 0:0[1-9]$"))
    go.click()
    expect(go).to_have_text("Fill")
    assert [path for _method, path, _body in bench.requests] == ["/api/fills/start", "/api/fills/stop"]


def test_one_alarm_is_one_tap_and_of_several_one_or_all(phone: Page, bench: FakeBench) -> None:
    button = phone.locator(".thumb button").nth(2)
    expect(button).to_have_attribute("aria-disabled", "true")
    bench.raise_alarm()
    expect(button).to_have_attribute("data-level", "high")
    button.click()
    wait_until(lambda: len(bench.requests) == 1, "the acknowledgement")
    expect(button).to_have_attribute("aria-disabled", "true")
    bench.standing.clear()
    for name in ("a", "b", "c"):
        bench.raise_alarm(name, title=f"Alarm {name}")
    expect(button).to_have_text("Acknowledge 3")
    button.click()
    view = phone.get_by_role("dialog", name="Acknowledge")
    view.get_by_role("button", name="Alarm b").click()
    expect(view.get_by_role("button", name="Acknowledge all 2")).to_be_visible()
    view.get_by_role("button", name="Acknowledge all 2").click()
    expect(view).to_be_hidden()
    assert [path.split("/")[3] for _method, path, _body in bench.requests] == ["lye_temp.high", "b", "a", "c"]


def test_on_a_low_screen_the_readings_stay_and_leave_room(
    browser: Browser, bench: FakeBench, serving: Serving
) -> None:
    # 1280 x 800 at a zoom of 200 %, WCAG 1.4.4 and 1.4.10
    bench.raise_alarm()
    page = browser.new_page(viewport={"width": 640, "height": 400})
    page.goto(serving.url)
    expect(page.locator("#now-row-temp .now-value")).not_to_have_text("–")
    page.evaluate("scrollTo(0, 900)")
    readings, foot = (page.locator(part).bounding_box() for part in (".now-place", ".cut-place"))
    assert readings is not None
    assert foot is not None
    assert readings["y"] >= -1
    covered = readings["y"] + readings["height"] + 400 - foot["y"]
    assert covered <= 0.4 * 400, f"band and foot take {covered:.0f} of 400 px"
    page.close()


def test_without_a_flow_meter_a_fill_is_offered_in_place_of_empty_charts(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.without = ("gas_flow", "gas_temp")
    bench.fills = [facts.fill(1, 500.0, 22.7)]
    page.goto(serving.url)
    gas = page.locator("#gas-by-fill")
    expect(gas).to_contain_text("no flow meter")
    expect(gas).to_contain_text("Last fill")
    for strip in ("flow", "efficiency", "mmw"):
        expect(page.locator(f"#{strip}")).to_have_count(0)
    gas.get_by_role("button", name="Time a fill").click()
    expect(page.get_by_label("Volume, mL")).to_be_focused()
