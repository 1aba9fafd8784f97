"""The pages of builds: the list, two of them chosen, and one with all that is known of it."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect

from tests.pages import bench_facts as facts
from tests.pages.fake_service import FakeBench, Serving

pytestmark = pytest.mark.browser
ONE = "/build?name=A%3A%20plates%20as%20cut"


def test_two_builds_chosen_are_set_beside_each_other_by_all_their_runs(
    page: Page, serving: Serving, console: list[str]
) -> None:
    page.goto(serving.url + "/builds")
    rows = page.locator("#build-rows tr")
    expect(rows).to_have_count(2)
    expect(rows.first).to_contain_text("B: ports moved")
    expect(rows.last).to_contain_text("Laser-cut 316L, 3 mm gap")
    expect(rows.last).to_contain_text("4.60 ± 0.21\u202fmL/min/W")
    second = page.get_by_label("beside this one")
    second.select_option("A: plates as cut")
    page.get_by_role("button", name="Set their runs beside each other").click()
    expect(page.locator("#beside")).to_contain_text("Choose two different builds.")
    second.select_option("B: ports moved")
    with page.expect_request("**/api/compare.html*") as asked:
        page.get_by_role("button", name="Set their runs beside each other").click()
    assert asked.value.url.endswith("?build=A%3A+plates+as+cut&build=B%3A+ports+moved")
    assert console == [] or all("404" in words for words in console)


def test_a_build_has_its_description_results_fills_calibrations_and_comparisons(
    page: Page, bench: FakeBench, serving: Serving, console: list[str]
) -> None:
    bench.fills = [{**facts.fill(1, 500.0, 22.7), "build": "A: plates as cut"}]
    page.goto(serving.url + ONE)
    expect(page.locator("#build-name")).to_have_text("A: plates as cut")
    expect(page.locator("#description")).to_have_text("Laser-cut 316L, 3 mm gap")
    expect(page.locator("#described")).to_contain_text("by Ada")
    # a point for each run that has ended, and one for the fill
    expect(page.locator("#points .point-0 .point-bar")).to_have_count(6)
    expect(page.locator("#points .point-1 .point-mark")).to_have_count(1)
    expect(page.locator("#results tbody tr")).to_have_count(6)
    expect(page.locator("#results")).to_contain_text("4.50 ± 0.21\u202fmL/min/W")
    expect(page.locator("#comparisons")).to_contain_text("better, +1.2\u202f% to +6.1\u202f%")
    expect(page.locator("#fills")).to_contain_text("500\u202fmL in 22.7\u202fs")
    expect(page.locator("#calibrations")).to_contain_text("ice and boiling water")
    link = page.locator("#points a").first
    assert "mL/min/W" in (link.get_attribute("aria-label") or "")
    assert console == []


def test_what_a_build_is_can_be_written(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.goto(serving.url + ONE)
    page.get_by_text("Write what it is").click()
    form = page.get_by_role("form", name="Write what it is")
    form.get_by_label("Plates, gap, gaskets").fill("Sanded with P80, 2 mm gap")
    form.get_by_label("Your name").fill("Ada")
    form.get_by_role("button", name="Keep it").click()
    expect(page.locator("#description")).to_have_text("Sanded with P80, 2 mm gap")
    body = {"build": "A: plates as cut", "description": "Sanded with P80, 2 mm gap", "who": "Ada"}
    assert bench.requests == [("POST", "/api/builds/describe", body)]


def test_a_build_that_is_not_there_is_said_not_to_be(page: Page, serving: Serving) -> None:
    page.goto(serving.url + "/build?name=Z")
    expect(page.locator("#trouble")).to_contain_text("There is no build “Z” here.")
    expect(page.get_by_role("link", name="All builds")).to_be_visible()
    expect(page.locator("#build-body")).to_be_hidden()
