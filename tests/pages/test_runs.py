"""The list of runs."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from tests.pages.fake_service import FakeBench, Serving

pytestmark = pytest.mark.browser


def test_runs_are_listed_newest_first_with_what_matters(
    page: Page, serving: Serving, console: list[str]
) -> None:
    page.goto(serving.url + "/runs")
    rows = page.locator("#run-rows tr")
    expect(rows).to_have_count(12)
    expect(page.locator("#how-many")).to_have_text("12 runs")
    first = rows.first
    expect(first.get_by_role("link", name="Braze test 12")).to_have_attribute("href", "/runs/20250315-093000")
    for words in ("B: ports moved", "15 Mar 2025", "60\u202fmin", "69\u202f°C", "3 alarms", "recording now"):
        expect(first).to_contain_text(words)
    imported = page.get_by_role("row", name=re.compile("Leak hunt 4"))
    expect(imported).to_contain_text("imported log")
    expect(page.get_by_role("row", name=re.compile("Braze test 6"))).to_contain_text("–")
    assert console == []


def test_finding_takes_every_word_of_name_build_date_and_state(page: Page, serving: Serving) -> None:
    page.goto(serving.url + "/runs")
    find = page.get_by_label("Find by name, build, date or state")
    find.fill("leak ports moved")
    expect(page.locator("#run-rows tr")).to_have_count(2)
    expect(page.locator("#how-many")).to_have_text("2 of 12 runs")
    find.fill("imported")
    expect(page.locator("#run-rows tr")).to_have_count(1)
    find.fill("nothing like this")
    expect(page.get_by_text("No run has all of these words")).to_be_visible()
    expect(page.locator("#run-table")).to_be_hidden()


def test_a_press_on_a_heading_sorts(page: Page, serving: Serving) -> None:
    page.goto(serving.url + "/runs")
    expect(page.locator("#run-rows tr")).to_have_count(12)
    head = page.locator('th[data-key="peak_lye_temp"]')
    head.get_by_role("button").click()
    expect(head).to_have_attribute("aria-sort", "descending")
    expect(page.locator("#run-rows tr").first).to_contain_text("69")
    head.get_by_role("button").click()
    expect(head).to_have_attribute("aria-sort", "ascending")
    expect(page.locator("#run-rows tr").first).to_contain_text("Braze test 6")


def test_no_runs_yet_is_said_with_what_to_do(page: Page, bench: FakeBench, serving: Serving) -> None:
    bench.past = []
    page.goto(serving.url + "/runs")
    expect(page.get_by_text("No run has been recorded yet")).to_be_visible()
    expect(page.locator("main").get_by_role("link", name="live page")).to_have_attribute("href", "/")
    expect(page.locator("#run-table")).to_be_hidden()


def test_a_list_that_cannot_be_read_says_so(page: Page, serving: Serving) -> None:
    page.route("**/api/runs?*", lambda route: route.abort())
    page.goto(serving.url + "/runs")
    expect(page.locator("#trouble")).to_have_text(
        "The list could not be read: The service cannot be reached. Trying again."
    )


def test_chosen_runs_are_taken_to_a_comparison(page: Page, serving: Serving, console: list[str]) -> None:
    page.goto(serving.url + "/runs")
    expect(page.get_by_text("Choose two runs or more to compare their builds.")).to_be_visible()
    expect(page.get_by_role("link", name="Compare builds")).to_be_hidden()
    page.get_by_role("checkbox", name="Compare Braze test 12").check()
    expect(page.locator("#chosen")).to_contain_text("choose another to compare it with")
    page.get_by_role("checkbox", name="Compare Braze test 11").check()
    expect(page.locator("#chosen")).to_have_text("2 runs of 2 builds chosen.")
    link = page.get_by_role("link", name="Compare builds")
    expect(link).to_have_attribute("href", "/api/compare.html?runs=20250315-093000%2C20250314-093000")
    against = page.get_by_role("link", name="Report of the later, against the earlier")
    # whichever was chosen first
    expect(against).to_have_attribute("href", "/api/runs/20250315-093000/report.html?against=20250314-093000")
    expect(page.get_by_role("link", name="Polarisation")).to_be_visible()
    page.get_by_label("Find by name, build, date or state").fill("leak")
    page.get_by_label("Find by name, build, date or state").fill("")
    expect(page.get_by_role("checkbox", name="Compare Braze test 11")).to_be_checked()
    page.get_by_role("checkbox", name="Compare Braze test 11").uncheck()
    expect(link).to_be_hidden()
    assert console == []
