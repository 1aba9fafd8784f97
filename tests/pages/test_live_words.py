"""What the live page says in words: normal, stale, lost, alarmed, tripped."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest
from playwright.sync_api import Page, expect

from tests.pages.fake_service import FakeBench, Serving
from tests.waiting import wait_until

pytestmark = pytest.mark.browser


def test_normal_state_is_said_in_words_and_without_colour(
    page: Page, serving: Serving, console: list[str]
) -> None:
    page.goto(serving.url)
    expect(page.locator("#band-supply")).to_have_text("Supply is on, 10.9 A")
    expect(page.locator("#band-data")).to_have_text("Data are fresh")
    expect(page.locator("#band-alarms")).to_have_text("No alarms")
    expect(page.locator("#band-run")).to_have_text(re.compile(r"Recording, 10:\d\d Evening braze test"))
    for part in ("supply", "data", "alarms", "run"):
        assert page.locator(f"#band-{part}").get_attribute("data-level") is None, part
        assert page.locator(f"#band-{part} svg").count() == 1, part
    expect(page.locator("#alarms")).to_contain_text("None standing")
    assert console == []


def test_each_number_has_its_uncertainty_unit_and_reference(page: Page, serving: Serving) -> None:
    page.goto(serving.url)
    words = {
        name: page.locator(f"#{name} .strip-words")
        for name in ("lye_temp", "power", "flow", "efficiency", "mmw")
    }
    expect(words["lye_temp"]).to_contain_text(re.compile(r"\d\d\.\d\d ± 0\.58 °C, mean of 30"))
    expect(words["power"]).to_contain_text(re.compile(r"\d+\.\d± 2\.\d\s?W"))
    expect(words["flow"]).to_contain_text(re.compile(r"± 0\.032L/min\s*as read"))
    expect(words["flow"]).to_contain_text("dry at 0 °C, 101.325 kPa")
    expect(words["efficiency"]).to_contain_text(re.compile(r"± 4\.9%"))
    expect(words["efficiency"]).to_contain_text("dry gas at 0 °C, 101.325 kPa")
    expect(words["mmw"]).to_contain_text(
        re.compile(r"ceilings, dry: 4\.\d\d at this voltage, 7\.06 thermoneutral, 8\.51")
    )
    expect(words["lye_temp"]).to_contain_text(
        "warning 50 °C, high 60 °C, cut 65 °C".replace(" 5", "\u00a05")
        .replace(" 6", "\u00a06")
        .replace("0 °", "0\u202f°")
        .replace("5 °", "5\u202f°")
    )


def test_data_that_stop_are_called_stale_within_two_seconds_of_the_pages_clock(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    page.clock.install()
    page.goto(serving.url)
    expect(page.locator("#band-data")).to_have_text("Data are fresh")
    bench.silent = True
    seen = bench.ticks
    wait_until(lambda: bench.ticks > seen + 3, "the last event to have left")
    expect(page.locator("#lye_temp")).to_have_attribute("data-live", re.compile("yes|no"))
    page.clock.run_for(2000)
    expect(page.locator("#band-data")).to_contain_text("Data are stale: nothing for")
    expect(page.locator("#band-data")).to_have_attribute("data-level", "high")
    # What was measured last is no longer passed off as present.
    expect(page.locator("#band-supply")).to_have_text("Supply not known; it was on")
    expect(page.locator("#band-alarms")).to_have_text("Alarms not known; they were clear")
    expect(page.locator("#lye_temp")).to_have_attribute("data-live", "no")
    assert page.title().startswith("STALE")

    bench.silent = False
    expect(page.locator("#band-data")).to_have_text("Data are fresh")
    expect(page.locator("#band-supply")).to_have_text("Supply is on, 10.9 A")


def test_stale_is_not_cried_while_events_come(page: Page, bench: FakeBench, serving: Serving) -> None:
    # On a loaded machine events do come late: then "stale" is true, and no cry.
    page.add_init_script(
        """window.came = [];
        const listen = EventSource.prototype.addEventListener;
        EventSource.prototype.addEventListener = function (kind, tell, ...more) {
          const told = (event) => { window.came.push(performance.now()); tell(event); };
          return listen.call(this, kind, told, ...more);
        };"""
    )
    page.goto(serving.url)
    expect(page.locator("#band-data")).to_have_text("Data are fresh")
    page.evaluate(
        """() => { window.heard = [];
        new MutationObserver(() => window.heard.push(document.querySelector("#band-data").textContent))
          .observe(document.querySelector("#band-data"),
                   {subtree: true, childList: true, characterData: true}); }"""
    )
    seen = bench.ticks
    wait_until(lambda: bench.ticks > seen + 30, "three seconds of events")
    cried = [text for text in page.evaluate("window.heard") if "stale" in text.lower()]
    came = page.evaluate("window.came")
    assert len(came) > 20
    assert not cried or max(later - t for t, later in pairwise(came)) > 1500.0


def test_a_service_that_is_gone_is_said_to_be_gone(page: Page, serving: Serving) -> None:
    page.goto(serving.url)
    expect(page.locator("#band-data")).to_have_text("Data are fresh")
    serving.stop()
    expect(page.locator("#band-data")).to_contain_text("No connection to the service since", timeout=15000)
    expect(page.locator("#band-supply")).to_contain_text("Supply not known")


def test_the_services_own_word_of_stale_data_is_shown(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.goto(serving.url)
    bench.data = {"state": "stale", "age_s": 4.0, "words": "Data are 4 s old"}
    expect(page.locator("#band-data")).to_have_text("Data are 4 s old")
    expect(page.locator("#lye_temp")).to_have_attribute("data-live", "no")
    expect(page.locator("#band-data")).to_have_attribute("data-level", "high")


def test_a_value_beyond_its_limit_is_said_coloured_and_shaped(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    page.goto(serving.url)
    strip = page.locator("#lye_temp")
    expect(strip).not_to_have_attribute("data-level", re.compile("."))
    for extra, level, words in (
        (10.0, "medium", "above warning"),
        (20.0, "high", "above high"),
        (26.0, "critical", "above cut"),
    ):
        bench.extra_temp = extra
        expect(strip).to_have_attribute("data-level", level)
        expect(strip.locator(".strip-state")).to_contain_text(words)
        expect(strip.locator(".strip-state svg")).to_have_attribute("data-shape", level)
    bench.extra_temp = 0.0
    expect(strip.locator(".strip-state")).to_be_hidden()


def test_not_recording_and_findings_are_said(page: Page, bench: FakeBench, serving: Serving) -> None:
    bench.run = None
    page.goto(serving.url)
    expect(page.locator("#band-run")).to_have_text("Not recording")
    expect(page.locator("#recording")).to_contain_text("Nothing is recorded now")
    expect(page.locator("#findings")).to_contain_text("20 % less gas than its current could")
    expect(page.locator("#findings ol li").first).to_contain_text("ports and slots")
    page.get_by_text("Assumptions (2)").click()
    expect(page.locator("#findings")).to_contain_text("Meter gas factor 1 ± 0.02")
    bench.finding = False
    expect(page.locator("#findings")).to_contain_text("Nothing stands out")


def test_links_are_told_in_words_and_counters(page: Page, serving: Serving) -> None:
    page.goto(serving.url)
    links = page.locator("#links")
    expect(links).to_contain_text("head open, 10 frames a second, 6 lost or unreadable so far")
    links.get_by_text("Counters").click()
    expect(links.get_by_role("row", name=re.compile("wrong checksum"))).to_contain_text("2")
    expect(links.get_by_role("row", name=re.compile("reopened"))).to_contain_text("1")


def test_cautions_are_open_the_first_time_and_then_as_left(page: Page, serving: Serving) -> None:
    page.goto(serving.url)
    cautions = page.locator("#cautions")
    for words in (
        "hydrogen and oxygen already mixed",
        "Lye burns",
        "fires",
        "never the only one",
        "Local codes",
        "licensed",
    ):
        expect(cautions).to_contain_text(words)
    expect(cautions.get_by_text("Lye burns skin")).to_be_visible()
    cautions.get_by_role("button", name="I have read them").click()
    expect(cautions.get_by_text("Lye burns skin")).to_be_hidden()
    expect(cautions.get_by_text("software is never the only protection")).to_be_visible()
    height = cautions.evaluate("(e) => e.getBoundingClientRect().height")
    assert height < 60, "a line is left of them"
    page.reload()
    expect(page.locator("#bench-name")).to_have_text("water-torch")
    expect(cautions.get_by_text("Lye burns skin")).to_be_hidden()


def test_a_run_named_like_markup_stays_a_name(page: Page, bench: FakeBench, serving: Serving) -> None:
    assert bench.run is not None
    bench.run["name"] = "<img src=x onerror=alert(1)>"
    page.goto(serving.url)
    expect(page.locator("#band-run")).to_contain_text("<img src=x onerror=alert(1)>")
    assert page.locator("main img, header img").count() == 0


def test_an_impaired_recording_is_said(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.goto(serving.url)
    expect(page.locator("#links strong")).to_be_visible()
    expect(page.locator("#impaired")).to_be_hidden()
    expect(page.locator("#kept")).to_have_text(
        "Samples are kept; 42\u202fMB an hour are written to the disk."
    )
    words = "Nothing is being kept: the disk is full (1,200 samples wait in memory)"
    bench.impaired = words
    bench.recording = {"state": "impaired", "words": words, "written_bytes_per_hour": 0.0}
    bench.data = {**bench.data, "words": "Data are fresh, but not written"}
    expect(page.locator("#impaired")).to_have_text(words)


CROSSING_FORECAST = {
    "limit_c": 60.0,
    "time_to_limit_s": 2880.0,
    "time_to_limit_low_s": 2100.0,
    "time_to_limit_high_s": None,
    "steady_state_c": 71.2,
    "steady_state_low_c": 66.0,
    "steady_state_high_c": None,
    "confidence": "fair",
    "unknowns": ["the room's temperature", "what evaporates"],
    "words": "At these settings the lye does not settle below 60 °C; it crosses in about 48 min.",
}


def test_a_forecast_is_said_with_its_band_and_what_is_not_known(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.forecast = CROSSING_FORECAST
    page.goto(serving.url)
    group = page.locator("#lye_temp").get_by_role("group", name="Forecast")
    expect(group).to_contain_text("does not settle below 60 °C; it crosses in about 48 min.")
    expect(group).to_contain_text(
        re.compile(r"Crosses 60\s°C at about \d\d:\d\d, between \d\d:\d\d and never")
    )
    expect(group).to_contain_text(
        re.compile(r"Would settle at about 71\s°C \(66\s°C or more; perhaps it does not settle\)")
    )
    expect(group).to_contain_text("Confidence: fair")
    expect(group).to_contain_text("Not known: the room's temperature; what evaporates")
    expect(group).not_to_have_attribute("data-level", re.compile("."))
    bench.raise_alarm("lye_temp.forecast", title="Lye will not settle below its limit")
    expect(group).to_have_attribute("data-level", "high")
    bench.standing.clear()
    expect(group).not_to_have_attribute("data-level", re.compile("."))
    bench.forecast = {
        **CROSSING_FORECAST,
        "time_to_limit_s": None,
        "time_to_limit_low_s": None,
        "unknowns": [],
        "words": "At these settings the lye settles at about 53 °C.",
    }
    expect(group).to_contain_text("settles at about 53 °C")
    expect(group).not_to_contain_text("Crosses")
    expect(group).not_to_contain_text("Not known")
    bench.forecast = None
    expect(group).to_contain_text("No forecast yet")


def test_the_trip_names_its_first_cause_and_those_that_came_after(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.trip_now()
    page.goto(serving.url)
    panel = page.locator("#trip")
    expect(panel.locator(".trip-cause")).to_have_text(
        "First cause: the temperature of the lye reached 65.20 °C; its limit is 65 °C"
    )
    expect(panel.locator(".trip-later")).to_be_hidden()
    assert bench.trip is not None
    later = {"cause": "head.lost", "detail": "source head is silent", "utc": bench.trip["utc"], "by": "guard"}
    bench.trip = {**bench.trip, "later": [later]}
    expect(panel.locator(".trip-later li")).to_have_text(
        re.compile(r"Then also, \d\d:\d\d:\d\d: source head is silent")
    )


READER_GONE = {
    "part": "reader",
    "words": "reader not reachable: no reader runs for this bench",
}


def test_calm_words_are_struck_out_while_the_reader_is_not_reachable(
    page: Page, bench: FakeBench, serving: Serving, console: list[str]
) -> None:
    bench.forecast = CROSSING_FORECAST
    bench.finding = False
    page.goto(serving.url)
    forecast_line = page.locator("#lye_temp .foreseen")
    expect(forecast_line).to_contain_text("settle")
    expect(page.locator("#alarms")).to_contain_text("None standing.")
    expect(page.locator("#findings")).to_contain_text("Nothing stands out in this window.")
    expect(page.locator("#blind")).to_be_hidden()
    bench.blind = [READER_GONE]
    bench.data = {
        "state": "none",
        "age_s": 4.0,
        "words": "Reader not reachable: no reader runs for this bench. Nothing is known here",
    }
    bench.supply = {"state": "unknown", "words": "Not known whether the supply is on"}
    expect(page.locator("#blind")).to_have_text(
        "Reader not reachable: no reader runs for this bench. "
        "This page can not cut the supply now: use the supply's own switch."
    )
    expect(page.locator("#band-data")).to_contain_text("Reader not reachable")
    expect(page.locator("#band-data")).to_have_attribute("data-level", "high")
    expect(page.locator("#band-alarms")).to_contain_text("Alarms: not known")
    expect(page.locator("#band-alarms")).to_have_attribute("data-level", "medium")
    expect(page.locator("#band-run")).to_contain_text("Was recording")
    expect(page.locator("#alarms")).to_contain_text("Not known: reader not reachable")
    expect(page.locator("#alarms")).not_to_contain_text("None standing")
    expect(forecast_line).to_have_text("Not known: reader not reachable: no reader runs for this bench.")
    expect(page.locator("#findings")).not_to_contain_text("Nothing stands out")
    assert page.title().startswith("NOT SEEN")
    # And back, when it is seen again.
    bench.blind, bench.data = [], {"state": "fresh", "age_s": 0.1, "words": "Data are fresh"}
    expect(page.locator("#blind")).to_be_hidden()
    expect(page.locator("#band-alarms")).to_have_text("No alarms")
    expect(page.locator("#alarms")).to_contain_text("None standing.")
    expect(forecast_line).to_contain_text("settle")
    assert console == []


def test_a_forecast_that_failed_strikes_out_the_forecast_alone(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.forecast = CROSSING_FORECAST
    page.goto(serving.url)
    bench.blind = [{"part": "forecast", "words": "the forecast failed (ValueError: math domain error)"}]
    expect(page.locator("#lye_temp .foreseen")).to_have_text(
        "Not known: the forecast failed (ValueError: math domain error)."
    )
    expect(page.locator("#blind")).to_contain_text(
        "The forecast failed (ValueError: math domain error). Limits"
    )
    expect(page.locator("#band-data")).to_have_text("Data are fresh")
    expect(page.locator("#alarms")).to_contain_text("None standing.")


def test_calm_words_are_struck_out_when_nothing_comes_any_more(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.forecast = CROSSING_FORECAST
    page.clock.install()
    page.goto(serving.url)
    forecast_line = page.locator("#lye_temp .foreseen")
    page.clock.run_for(1000)
    expect(forecast_line).to_contain_text("settle")
    bench.silent = True
    seen = bench.ticks
    wait_until(lambda: bench.ticks > seen + 3, "the last event to have left")
    page.clock.run_for(3000)
    expect(forecast_line).to_have_text("Not known: nothing comes any more.")
    expect(page.locator("#alarms")).to_contain_text("Not known: nothing comes any more.")
