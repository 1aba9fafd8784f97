"""The page of every fill of every build, and a fill marked on a run."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect

from tests.pages import bench_facts as facts
from tests.pages.fake_service import FakeBench, Serving

pytestmark = pytest.mark.browser


def test_every_fill_of_every_build_stands_side_by_side(
    page: Page, bench: FakeBench, serving: Serving, console: list[str]
) -> None:
    first, second = facts.fill(1, 500.0, 22.7), facts.fill(2, 500.0, 23.4)
    bench.fills = [{**second, "build": "B: sanded", "note": "after lunch"}, first]
    page.goto(serving.url + "/fills")
    builds = page.locator("#build-rows tr")
    expect(builds).to_have_count(2)
    expect(builds.last).to_contain_text("can not tell the build from the day")
    expect(page.locator("#fill-rows tr")).to_have_count(2)
    expect(page.locator("#how-many")).to_have_text("2 fills")
    expect(page.locator("#basis")).to_contain_text(facts.REFERENCE)
    page.get_by_label("Find by build, run, name or note").fill("lunch")
    expect(page.locator("#fill-rows tr")).to_have_count(1)
    expect(page.get_by_role("navigation", name="Pages").get_by_role("link", name="Fills")).to_have_attribute(
        "aria-current", "page"
    )
    assert console == []


def test_no_fill_yet_is_said(page: Page, serving: Serving) -> None:
    page.goto(serving.url + "/fills")
    expect(page.get_by_text("No fill has been kept yet")).to_be_visible()
    expect(page.locator("#side")).to_be_hidden()


def test_a_fill_is_marked_on_a_runs_trend(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.goto(serving.url + "/runs/20250315-093000")
    page.get_by_text("Add a timed fill of the stretch shown").click()
    form = page.get_by_role("form", name="Add a timed fill")
    form.get_by_role("button", name="Keep this fill").click()
    expect(form.locator(".outcome")).to_contain_text("began to fill")
    form.get_by_role("button", name="Take the stretch shown").click()
    expect(form.get_by_label("Began at, s")).to_have_value("0.0")
    form.get_by_label("Began at, s").fill("600")
    form.get_by_label("Full at, s").fill("622,7")
    form.get_by_label("Volume, mL").fill("500")
    form.get_by_label("Your name").fill("Ada")
    form.get_by_role("button", name="Keep this fill").click()
    expect(form.locator(".outcome")).to_contain_text("Kept in the logbook: MMW dry")
    assert bench.requests[-1] == (
        "POST",
        "/api/runs/20250315-093000/fills",
        {"from_s": 600, "to_s": 622.7, "volume_ml": 500, "who": "Ada"},
    )


def test_a_fill_without_a_meter_prints_no_false(page: Page, bench: FakeBench, serving: Serving) -> None:
    whole = facts.fill

    def unmetered(number: int, volume_ml: float, seconds: float) -> dict[str, object]:
        return {**whole(number, volume_ml, seconds), "bench_file": []}

    facts.fill = unmetered
    try:
        page.goto(serving.url)
        panel = page.locator("#fill")
        panel.get_by_label("Volume, mL").fill("500")
        panel.get_by_role("button", name="Start").click()
        panel.get_by_role("button", name="Stop").click()
        expect(panel.locator(".outcome")).to_have_text("Kept in the logbook.")
        result = panel.get_by_label("The last fill")
        expect(result).to_contain_text("MMW dry")
        expect(result).not_to_contain_text("false")
    finally:
        facts.fill = whole
