"""What a person does on the live page, and what it sends."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from tests.pages.fake_service import RUN, FakeBench, Serving
from tests.waiting import wait_until

pytestmark = pytest.mark.browser


def test_acknowledging_asks_for_a_name_once_and_remembers_it(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.raise_alarm()
    page.goto(serving.url)
    alarms = page.locator("#alarms")
    expect(alarms).to_contain_text("Alarms: 1, 1 to acknowledge")
    expect(alarms).to_contain_text("Lye temperature high")
    expect(alarms).to_contain_text("It means: The lye is hotter than the housings are made for.")
    expect(alarms).to_contain_text("Do: Turn the voltage down")
    expect(alarms).to_contain_text(
        re.compile(r"not acknowledged · 60\.4\s°C, limit 60\s°C · since \d\d:\d\d:\d\d")
    )
    button = alarms.get_by_role("button", name="Acknowledge: Lye temperature high")
    alarms.get_by_label("Note").fill("turned down")
    at = page.evaluate("scrollY")
    button.click()
    asked = page.get_by_role("dialog", name="Who is at the bench?")
    asked.get_by_role("button", name="Not now").click()
    expect(asked).to_have_count(0)
    expect(button).to_be_focused()
    assert bench.requests == [], "nobody is nobody's word"
    button.click()
    expect(asked.get_by_label("Your name")).to_be_focused()
    asked.get_by_label("Your name").fill("Ada")
    asked.get_by_role("button", name="That is me").click()
    assert page.evaluate("scrollY") == at, "the page stays where it was"
    wait_until(lambda: bench.requests, "the acknowledgement")
    assert bench.requests == [
        ("POST", "/api/alarms/lye_temp.high/acknowledge", {"who": "Ada", "note": "turned down"})
    ]
    expect(alarms).to_contain_text("acknowledged, still there")
    expect(button).to_be_hidden()
    page.reload()
    expect(page.locator("#recording").get_by_label("Your name")).to_have_value("Ada")


def be(page: Page, name: str) -> None:
    """Say who is at the bench, where that is asked."""
    asked = page.get_by_role("dialog", name="Who is at the bench?")
    asked.get_by_label("Your name").fill(name)
    asked.get_by_role("button", name="That is me").click()


def test_all_alarms_are_acknowledged_at_once(page: Page, bench: FakeBench, serving: Serving) -> None:
    bench.raise_alarm()
    bench.raise_alarm("amps.high", title="Current high")
    bench.raise_alarm("gas.low", title="Gas low", state="acknowledged")
    page.goto(serving.url)
    alarms = page.locator("#alarms")
    alarms.get_by_role("button", name="Acknowledge all").click()
    be(page, "Ada")
    expect(alarms.locator(".outcome")).to_have_text("Acknowledged: 2 alarms.")
    expect(alarms.get_by_role("button", name="Acknowledge all")).to_be_hidden()
    acknowledged = sorted((path, body["who"]) for _method, path, body in bench.requests)
    assert acknowledged == [
        ("/api/alarms/amps.high/acknowledge", "Ada"),
        ("/api/alarms/lye_temp.high/acknowledge", "Ada"),
    ]


def test_who_was_here_before_is_one_tap(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.add_init_script("localStorage.setItem('lyewatch.names', JSON.stringify(['Bo', 'Ada']))")
    bench.raise_alarm()
    page.goto(serving.url)
    page.get_by_role("button", name="Acknowledge: Lye temperature high").click()
    asked = page.get_by_role("dialog", name="Who is at the bench?")
    expect(asked.get_by_role("button", name="Bo")).to_be_focused()
    asked.get_by_role("button", name="Ada").click()
    wait_until(lambda: bench.requests, "the acknowledgement")
    assert bench.requests[0][2]["who"] == "Ada"


def test_an_alarm_is_a_line_that_opens_and_the_gravest_is_open(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.raise_alarm("a.low", priority="low", title="Room cold", what="The room is cold.")
    page.goto(serving.url)
    expect(page.get_by_text("It means: The room is cold.")).to_be_visible()
    bench.raise_alarm()
    expect(page.get_by_text("It means: The lye is hotter")).to_be_visible()
    expect(page.get_by_text("It means: The room is cold.")).to_be_hidden()
    page.locator("#alarms .alarm-more > summary", has_text="Room cold").click()
    expect(page.get_by_text("It means: The room is cold.")).to_be_visible()


def test_once_an_alarm_has_gone_there_is_no_time_that_runs_out(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.raise_alarm()
    page.goto(serving.url)
    alarms = page.locator("#alarms")
    expect(alarms.get_by_text("Time there is: about")).to_be_visible()
    bench.standing[0].update(state="returned", active=False)
    expect(alarms).to_contain_text("back to normal")
    expect(alarms.get_by_text("Time there is")).to_be_hidden()


def test_a_latched_alarm_is_acknowledged_and_then_reset(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.raise_alarm(state="latched_unack", priority="critical")
    page.goto(serving.url)
    alarms = page.locator("#alarms")
    alarms.get_by_role("button", name="Acknowledge: Lye temperature high").click()
    be(page, "Ada")
    alarms.get_by_role("button", name=re.compile("Reset the latch")).click()
    expect(alarms.get_by_text("None standing.")).to_be_visible()
    assert [path for _method, path, _body in bench.requests] == [
        "/api/alarms/lye_temp.high/acknowledge",
        "/api/alarms/lye_temp.high/reset",
    ]


def test_a_refused_acknowledgement_gives_the_services_sentence(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.raise_alarm()
    bench.refuse["/api/alarms/lye_temp.high/acknowledge"] = (
        409,
        {
            "place": "lye_temp.high",
            "message": "is already normal",
            "value": None,
            "remedy": "nothing is to be done",
        },
    )
    page.goto(serving.url)
    page.get_by_role("button", name="Acknowledge: Lye temperature high").click()
    be(page, "Ada")
    expect(page.locator("#alarms .outcome")).to_have_text(
        "lye_temp.high: is already normal; nothing is to be done."
    )


def test_the_supply_is_cut_by_one_press_and_restored_by_a_person_with_a_reason(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    page.goto(serving.url)
    expect(page.locator("#band-supply")).to_contain_text("Supply is on")
    page.get_by_label("Reason, if any").fill("smoke")
    page.get_by_role("button", name="Cut the supply now").click()
    panel = page.locator("#trip")
    expect(panel.get_by_role("heading", name="The supply is cut")).to_be_visible()
    assert bench.requests == [("POST", "/api/trip", {"who": "someone at the page", "reason": "smoke"})]
    expect(panel).to_contain_text(
        "First cause: the temperature of the lye reached 65.20 °C; its limit is 65 °C"
    )
    expect(panel).to_contain_text("cut by someone at the page")
    for words in (
        "already mixed",
        "lye burns",
        "fires",
        "never the only protection",
        "Local codes",
        "licensed electrician",
    ):
        expect(panel).to_contain_text(words)
    expect(page.locator("#band-supply")).to_have_attribute("data-level", "critical")
    assert page.title().startswith("TRIPPED")
    cut = page.locator("button.cut", has_text="Supply is cut")
    expect(cut).to_have_attribute("aria-disabled", "true")
    cut.dispatch_event("click")
    assert len(bench.requests) == 1, "what is seen to be cut is not asked for again"
    cautions, form = (panel.locator(part).bounding_box() for part in (".trip-cautions", "form"))
    assert cautions is not None
    assert form is not None
    assert (cautions["y"], cautions["x"]) < (form["y"] + 1, form["x"] + 1), (
        "first the cautions, then the form"
    )

    restore = panel.get_by_role("button", name="Restore the supply")

    def refused(words: str) -> None:
        restore.click()
        expect(panel.locator(".outcome")).to_contain_text(words)
        assert len(bench.requests) == 1, "nothing is sent before all is filled in"

    refused("Give your name")
    panel.get_by_label("Your name").fill("Ada")
    refused("Say what was wrong")
    panel.get_by_label("What was wrong").fill("fan was off; switched on")
    refused("Tick that the cause is gone")
    panel.get_by_label("the cause is gone").check()
    restore.click()
    expect(panel).to_be_hidden()
    expect(page.locator("#bench-name")).to_be_focused()
    assert bench.requests[1:] == [
        ("POST", "/api/reset", {"who": "Ada", "reason": "fan was off; switched on", "cause_gone": True})
    ]
    expect(page.locator("#band-supply")).to_have_text("Supply is on, 10.9 A")


def test_a_refused_restore_keeps_what_was_written(page: Page, bench: FakeBench, serving: Serving) -> None:
    bench.trip_now()
    bench.refuse["/api/reset"] = (
        409,
        {"place": "reset", "message": "the cause stands: lye_temp", "value": 66.1, "remedy": "let it cool"},
    )
    page.goto(serving.url)
    panel = page.locator("#trip")
    panel.get_by_label("Your name").fill("Ada")
    panel.get_by_label("What was wrong").fill("too hot")
    panel.get_by_label("the cause is gone").check()
    panel.get_by_role("button", name="Restore the supply").click()
    expect(panel.locator(".outcome")).to_have_text(
        "reset: the cause stands: lye_temp (found 66.1); let it cool."
    )
    expect(panel.get_by_label("What was wrong")).to_have_value("too hot")


def test_a_cut_that_fails_sends_the_person_to_the_switch(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.refuse["/api/trip"] = (
        409,
        {"place": "trip", "message": "the reader does not answer", "value": None, "remedy": ""},
    )
    page.goto(serving.url)
    page.get_by_role("button", name="Cut the supply now").click()
    line = page.locator(".cut-words")
    expect(line).to_contain_text("The cut did not get through. Use the supply's own switch.")
    expect(line).to_contain_text("the reader does not answer")
    expect(line).to_have_attribute("role", "alert")
    serving.stop()
    page.get_by_role("button", name="Cut the supply now").click()
    expect(line).to_contain_text("The service cannot be reached")


def test_the_trip_shows_how_warm_it_is_and_how_fast_that_falls(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.trip_now()
    bench.falling = -2.4
    page.goto(serving.url)
    now = page.locator(".trip-now")
    expect(now.locator(".trip-value")).to_have_text(re.compile(r"^\d\d\.\d\s°C$"))
    expect(now).to_contain_text(re.compile(r"falling 2\.40?\s°C/min"))
    first = now.locator(".trip-value").inner_text()
    expect(now.locator(".trip-value")).not_to_have_text(first)
    bench.silent = True
    expect(now).to_contain_text("last heard")


def test_the_button_that_cuts_lives_while_the_cut_is_not_seen(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.trip_now()
    page.goto(serving.url)
    expect(page.locator("button.cut", has_text="Supply is cut")).to_be_visible()
    for supply in (
        {"state": "cutting", "words": "The supply is being cut"},
        {"state": "unknown", "words": "Tripped, but 8.1 A still flow: cut the supply by hand"},
    ):
        bench.supply = supply
        button = page.get_by_role("button", name="Cut the supply now")
        expect(button).not_to_have_attribute("aria-disabled", "true")
        expect(page.locator("#trip-title")).to_have_text(supply["words"])
    bench.supply = {"state": "tripped", "words": "Supply was cut by a trip"}
    expect(page.locator("button.cut", has_text="Supply is cut")).to_be_visible()
    bench.silent = True
    expect(page.get_by_role("button", name="Cut the supply now")).to_be_visible()


def test_a_trip_that_did_not_cut_is_not_called_cut(page: Page, bench: FakeBench, serving: Serving) -> None:
    bench.trip_now()
    bench.supply = {"state": "unknown", "words": "Tripped, but 8.1 A still flow: cut the supply by hand"}
    page.goto(serving.url)
    expect(page.locator("#trip-title")).to_have_text("Tripped, but 8.1 A still flow: cut the supply by hand")
    expect(page.locator("#band-supply")).to_have_text("Tripped, but 8.1 A still flow: cut the supply by hand")
    expect(page.locator("#band-supply")).to_have_attribute("data-level", "critical")


def test_cutting_works_from_every_page(page: Page, bench: FakeBench, serving: Serving) -> None:
    for path in ("/", "/runs", "/runs/20250314-093000"):
        bench.requests.clear()
        bench.trip, bench.supply = None, {"state": "on", "words": "Supply is on, 10.9 A"}
        page.goto(serving.url + path)
        page.get_by_role("button", name="Cut the supply now").click()
        wait_until(lambda: bench.requests, f"the cut from {path}")
        assert bench.requests[0][1] == "/api/trip"


def test_start_stop_and_mark(page: Page, bench: FakeBench, serving: Serving) -> None:
    bench.run = None
    page.goto(serving.url)
    panel = page.locator("#recording")
    expect(panel.get_by_label("Build of the stack")).to_have_value("A: plates as cut")
    panel.get_by_role("button", name="Start recording").click()
    expect(panel.locator(".outcome")).to_contain_text("Give the run a name")
    panel.get_by_label("Name of the run").fill("Ring solder")
    panel.get_by_label("Build of the stack").fill("B: ports moved")
    panel.get_by_label("Your name").fill("Ada")
    panel.get_by_role("button", name="Start recording").click()
    expect(page.locator("#band-run")).to_contain_text("Ring solder")
    assert bench.requests == [
        ("POST", "/api/runs", {"name": "Ring solder", "build": "B: ports moved", "who": "Ada"})
    ]

    panel.get_by_label("Mark this moment").fill("topped up 200 mL")
    panel.get_by_role("button", name="Add mark").click()
    expect(panel.locator(".outcome")).to_have_text("Marked: topped up 200 mL")
    assert bench.requests[1] == (
        "POST",
        "/api/runs/20250304-101500/marks",
        {"text": "topped up 200 mL", "who": "Ada"},
    )
    expect(panel.get_by_label("Mark this moment")).to_have_value("")
    assert panel.get_by_role("link", name="Open this run").get_attribute("href") == "/runs/20250304-101500"

    panel.get_by_role("button", name="Stop recording").click()
    expect(page.locator("#band-run")).to_have_text("Not recording")
    assert bench.requests[2] == ("POST", "/api/runs/current/stop", {"who": "Ada"})


def test_enter_sends_a_form(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.goto(serving.url)
    panel = page.locator("#recording")
    panel.get_by_label("Your name").fill("Ada")
    panel.get_by_label("Mark this moment").fill("foam")
    panel.get_by_label("Mark this moment").press("Enter")
    wait_until(lambda: bench.requests, "the mark")
    assert bench.requests[0][1] == f"/api/runs/{RUN}/marks"


def test_water_that_was_added_is_noted(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.goto(serving.url)
    panel = page.locator("#recording")
    panel.get_by_label("Your name").fill("Ada")
    panel.get_by_text("Topped up with water").click()
    for text in ("", "much", "-5"):
        panel.get_by_label("Water added, mL").fill(text)
        panel.get_by_role("button", name="Note it").click()
        expect(panel.locator(".outcome")).to_have_text("Give the water added in mL, as in 200.")
        expect(panel.get_by_label("Water added, mL")).to_be_focused()
    panel.get_by_label("Water added, mL").fill("150,5")
    panel.get_by_role("button", name="Note it").click()
    expect(panel.locator(".outcome")).to_have_text("Topped up 150.5 mL.")
    assert bench.requests == [("POST", "/api/top-up", {"who": "Ada", "millilitres": 150.5})]


def test_marks_of_ones_own_are_one_tap(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.goto(serving.url)
    panel = page.locator("#recording")
    panel.get_by_text("Change the list").click()
    panel.get_by_label("A mark a line").fill("flame lit\n\nfan on\nflame lit\n")
    panel.get_by_role("button", name="Keep this list").click()
    marks = panel.get_by_role("group", name="One tap marks this instant").get_by_role("button")
    assert marks.all_inner_texts() == ["flame lit", "fan on"]
    marks.first.click()
    be(page, "Ada")
    expect(panel.locator(".outcome")).to_have_text("Marked: flame lit")
    marks.last.click()
    expect(panel.locator(".outcome")).to_have_text("Marked: fan on")
    assert [body for _method, _path, body in bench.requests] == [
        {"text": "flame lit", "who": "Ada"},
        {"text": "fan on", "who": "Ada"},
    ]
    page.reload()
    expect(marks).to_have_text(["flame lit", "fan on"])
