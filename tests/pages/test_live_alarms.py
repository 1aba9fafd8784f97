"""Alarms put aside and back on the live page, and the list of all of them with their rationale."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from tests.pages.fake_bench import every_alarm
from tests.pages.fake_service import FakeBench, Serving
from tests.waiting import wait_until

pytestmark = pytest.mark.browser


def test_an_alarm_is_shelved_with_name_reason_and_time_and_unshelved(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.raise_alarm(shelve_s=5400.0, cuts="watch")
    page.goto(serving.url)
    card = page.locator("#alarms .alarm")
    expect(card).to_contain_text("Time there is: about 10")
    expect(card).to_contain_text("The watch has the supply cut when it is raised.")
    card.locator(".alarm-aside > summary").click()
    expect(card).to_contain_text("Put aside it does not cut the supply either.")
    shelve = card.get_by_role("button", name="Shelve")
    shelve.click()
    expect(card.locator(".outcome")).to_contain_text("Give your name")
    expect(card.get_by_label("Your name")).to_be_focused()
    card.get_by_label("Your name").fill("Ada")
    shelve.click()
    expect(card.locator(".outcome")).to_contain_text("Say why")
    assert bench.requests == []
    card.get_by_label("Why it is put aside").fill("fan on order")
    times = card.get_by_label("Shelve for").locator("option")
    assert [t.replace("\u202f", " ") for t in times.all_inner_texts()] == ["15 min", "60 min", "90 min"], (
        "none beyond what the alarm allows"
    )
    card.get_by_label("Shelve for").select_option("3600")
    shelve.click()
    expect(page.locator("#alarms").get_by_text("None standing.")).to_be_visible()
    expect(page.locator("#alarms")).to_contain_text("Put aside: 1")
    assert bench.requests == [
        (
            "POST",
            "/api/alarms/lye_temp.high/shelve",
            {"who": "Ada", "note": "fan on order", "minutes": 60},
        )
    ]
    expect(card.locator(".alarm-state")).to_contain_text(
        re.compile(r"shelved until \d\d:\d\d:\d\d by Ada: fan on order · its condition stands")
    )
    expect(card).not_to_have_attribute("data-level", re.compile("."))
    card.get_by_role("button", name="Unshelve: Lye temperature high").click()
    expect(page.locator("#alarms")).to_contain_text("Alarms: 1, 1 to acknowledge")
    assert bench.requests[1] == ("POST", "/api/alarms/lye_temp.high/unshelve", {"who": "Ada", "note": ""})


def test_an_alarm_that_may_not_be_shelved_can_be_taken_out_of_service(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.raise_alarm(shelve_s=0.0)
    page.goto(serving.url)
    card = page.locator("#alarms .alarm")
    card.locator(".alarm-aside > summary").click()
    expect(card).to_contain_text("This alarm may not be shelved.")
    expect(card.get_by_role("button", name="Shelve")).to_be_hidden()
    card.get_by_label("Your name").fill("Ada")
    card.get_by_label("Why it is put aside").fill("sensor in repair")
    card.get_by_role("button", name="Take out of service").click()
    expect(card.locator(".alarm-state")).to_contain_text("out of service by Ada: sensor in repair")
    card.get_by_role("button", name="Put back into service: Lye temperature high").click()
    expect(page.locator("#alarms")).to_contain_text("1 to acknowledge")
    assert [path.rsplit("/", 1)[1] for _, path, _ in bench.requests] == ["out-of-service", "into-service"]


def test_a_refusal_stands_in_the_form_and_what_was_written_stays(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.raise_alarm()
    error = {"place": "lye_temp.high", "message": "can not be shelved for so long", "value": "3600 s"}
    bench.refuse["/api/alarms/lye_temp.high/shelve"] = (409, {**error, "remedy": "give at most 1800 s"})
    page.goto(serving.url)
    card = page.locator("#alarms .alarm")
    card.locator(".alarm-aside > summary").click()
    card.get_by_label("Your name").fill("Ada")
    card.get_by_label("Why it is put aside").fill("known")
    card.get_by_role("button", name="Shelve").click()
    expect(card.locator(".outcome")).to_have_text(
        "lye_temp.high: can not be shelved for so long (found 3600 s); give at most 1800 s."
    )
    expect(card.get_by_label("Why it is put aside")).to_have_value("known")


def test_who_acknowledged_and_why_is_said(page: Page, bench: FakeBench, serving: Serving) -> None:
    bench.raise_alarm(state="acknowledged", by="Bo", why="turned down to 12 V")
    page.goto(serving.url)
    expect(page.locator("#alarms .alarm-state")).to_contain_text(
        "acknowledged, still there by Bo: turned down to 12 V"
    )


def test_every_alarm_is_listed_with_state_priority_and_rationale(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.raise_alarm("gas_flow.none", title="No gas while powered", state="acknowledged", by="Ada")
    page.goto(serving.url)
    panel = page.locator("#all-alarms")
    panel.locator("summary").first.click()
    rows = panel.locator(".all-alarms > li")
    expect(rows).to_have_count(len(every_alarm()))
    assert len(every_alarm()) > 30
    expect(rows.first).to_contain_text("No gas while powered")
    expect(rows.first).to_contain_text("acknowledged, still there by Ada")
    expect(rows.nth(1).locator(".badge")).to_have_text("Critical")
    expect(rows.nth(1).locator(".all-state")).to_have_text("normal")
    for alarm in every_alarm():
        assert alarm["what"], alarm["alarm"]
        assert alarm["do"], alarm["alarm"]
    trip = rows.filter(has_text="Lye temperature beyond its trip limit")
    expect(trip.locator(".badge")).to_have_text("Critical")
    trip.locator("summary").first.click()
    for words in (
        "lye_temp.trip · limit 65",
        "It means: The lye is hotter",
        "Do: See that the supply is off",
        "Time there is when it is raised: none; act at once.",
        "The reader cuts the supply when it is raised.",
    ):
        expect(trip).to_contain_text(words)


def test_one_that_is_normal_is_put_aside_and_back_from_the_list(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    page.goto(serving.url)
    panel = page.locator("#all-alarms")
    panel.locator("summary").first.click()
    row = panel.locator(".all-alarms > li").filter(has_text="Gas temperature: sensor failed")
    row.locator("summary").first.click()
    row.locator(".alarm-aside > summary").click()
    row.get_by_label("Your name").fill("Ada")
    row.get_by_label("Why it is put aside").fill("sensor lent")
    row.get_by_role("button", name="Take out of service").click()
    expect(row.locator(".all-state")).to_have_text("out of service by Ada: sensor lent")
    expect(panel.locator(".outcome").first).to_have_text("Out of service: gas_temp.failed.")
    row.get_by_role("button", name="Put back into service").click()
    expect(row.locator(".all-state")).to_have_text("normal")
    wait_until(lambda: len(bench.requests) == 2, "both requests")
    assert bench.requests[1] == (
        "POST",
        "/api/alarms/gas_temp.failed/into-service",
        {"who": "Ada", "note": ""},
    )


def test_an_open_list_follows_what_happens(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.goto(serving.url)
    panel = page.locator("#all-alarms")
    panel.locator("summary").first.click()
    row = panel.locator(".all-alarms > li").filter(has_text="Current above the supply's rating")
    expect(row.locator(".all-state")).to_have_text("normal")
    bench.raise_alarm("amps.over", title="Current above the supply's rating")
    expect(row.locator(".all-state")).to_have_text("not acknowledged")


def test_a_choice_made_before_the_bench_is_known_is_kept(page: Page, serving: Serving) -> None:
    page.route("**/api/bench", lambda route: route.abort())
    page.goto(serving.url)
    page.get_by_role("radio", name="30 min").check()
    page.unroute("**/api/bench")
    expect(page.locator("#lye_temp .value")).to_contain_text(".")
    expect(page.get_by_role("radio", name="30 min")).to_be_checked()
    assert page.evaluate("localStorage.getItem('lyewatch.window')") == "1800"
