"""The list of runs."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from tests.pages.fake_service import FakeBench, Serving
from tests.waiting import wait_until

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
    find = page.get_by_label("Find by name, build, note, date or state")
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


def test_each_run_has_its_results_and_missing_ones_are_asked_for_in_turn(
    page: Page, bench: FakeBench, serving: Serving, console: list[str]
) -> None:
    page.goto(serving.url + "/runs")
    kept = page.get_by_role("row", name=re.compile("Braze test 9"))
    for words in ("4.50 ± 0.21\u202fmL/min/W", "0.690 ± 0.030\u202fL/min", "66\u202f°C", "none", "nothing"):
        expect(kept).to_contain_text(words)
    asked = page.get_by_role("row", name=re.compile("Braze test 11"))
    expect(asked).to_contain_text("4.60 ± 0.21\u202fmL/min/W")
    # newest first, and never of the one that is being recorded
    wait_until(lambda: len(bench.results_asked) == 2, "both that were missing")
    assert bench.results_asked == ["20250314-093000", "20250313-093000"]
    expect(page.get_by_role("row", name=re.compile("Braze test 8"))).to_contain_text("Supply cut")
    expect(page.get_by_role("row", name=re.compile("Leak hunt 4"))).to_contain_text("1 finding")
    page.locator('th[data-key="mmw"]').get_by_role("button").click()
    expect(page.locator("#run-rows tr").first).to_contain_text("Braze test 11")
    assert console == []


def test_a_run_is_renamed_and_noted_in_the_list(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.goto(serving.url + "/runs")
    page.get_by_role("button", name="Change Braze test 11").click()
    dialog = page.get_by_role("dialog", name="Change Braze test 11")
    dialog.get_by_label("Name of the run").fill("Ring 3")
    dialog.get_by_label("Note").fill("new gasket")
    dialog.get_by_role("button", name="Save").click()
    expect(dialog).to_contain_text("Give your name.")
    dialog.get_by_label("Your name").fill("Ada")
    dialog.get_by_role("button", name="Save").click()
    expect(page.get_by_role("row", name=re.compile("Ring 3"))).to_contain_text("new gasket")
    expect(page.get_by_role("button", name="Change Ring 3")).to_be_focused()
    body = {"name": "Ring 3", "note": "new gasket", "who": "Ada", "build": "A: plates as cut"}
    assert bench.requests == [("PATCH", "/api/runs/20250314-093000", body)]
    page.get_by_label("Find by name").fill("new gasket")
    expect(page.locator("#run-rows tr")).to_have_count(2)


def test_a_deleted_run_can_be_had_back_at_once_and_later(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    page.goto(serving.url + "/runs")
    expect(page.locator("#deleted")).to_be_hidden()
    for _ in range(2):
        page.get_by_role("button", name="Change Braze test 11").click()
        dialog = page.get_by_role("dialog")
        dialog.get_by_label("Your name").fill("Ada")
        dialog.get_by_role("button", name="Delete this run").click()
        expect(page.locator("#run-rows tr")).to_have_count(11)
        expect(page.get_by_role("button", name="Undo")).to_be_focused()
        expect(page.locator("#deleted")).to_contain_text("Braze test 11")
        if bench.requests[-1][1].endswith("/delete") and len(bench.requests) == 1:
            page.get_by_role("button", name="Undo").click()
        else:
            page.get_by_role("button", name="Restore Braze test 11").click()
        expect(page.locator("#undo")).to_contain_text("Restored: Braze test 11.")
        expect(page.locator("#run-rows tr")).to_have_count(12)
        expect(page.get_by_role("button", name="Change Braze test 11")).to_be_focused()
    expect(page.locator("#deleted")).to_be_hidden()
    assert [path.rpartition("/")[2] for _, path, _ in bench.requests] == ["delete", "restore"] * 2


def test_a_log_is_brought_in_and_its_faults_are_named(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.goto(serving.url + "/runs")
    form = page.get_by_role("form", name="Bring in a log")
    form.get_by_role("button", name="Bring it in").click()
    expect(form).to_contain_text("Choose a file first.")
    log = {"name": "old.csv", "mimeType": "text/csv", "buffer": b"elapsed_s,volts\n0,13.2\n"}
    form.get_by_label("Log, as CSV").set_input_files(log)  # type: ignore[arg-type]
    form.get_by_label("Build of the stack").fill("C: sanded")
    error = {
        "place": "old.csv: row 2, column volts",
        "message": "is no number",
        "value": "13,2x",
        "remedy": "write 13.2",
    }
    bench.refuse["/api/import"] = (422, error)
    form.get_by_role("button", name="Bring it in").click()
    expect(form).to_contain_text("old.csv: row 2, column volts: is no number (found 13,2x); write 13.2.")
    bench.refuse.clear()
    form.get_by_role("button", name="Bring it in").click()
    expect(form).to_contain_text("Brought in: 600 rows over 10\u202fmin, 1 alarm.")
    expect(form).to_contain_text("is no channel and was left out")
    expect(form.get_by_role("link", name="Open the run")).to_have_attribute("href", "/runs/20250303-120000")
    asked, sent = bench.logs[-1]
    assert asked == {"file": "old.csv", "name": "", "build": "C: sanded"}
    assert sent == log["buffer"]
