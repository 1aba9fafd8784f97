"""The page of one run: the whole of it, every spike, nearer and farther, its marks, alarms and review."""

from __future__ import annotations

import re
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.pages.canvas import pixels, rows_of_colour
from tests.pages.fake_service import FakeBench, Serving
from tests.pages.past_runs import DURATION_S, SPIKE_AT_S
from tests.waiting import wait_until

pytestmark = pytest.mark.browser
RUN = "20250314-093000"


def _open(page: Page, serving: Serving, hash_: str = "") -> None:
    page.goto(f"{serving.url}/runs/{RUN}{hash_}")
    expect(page.locator("#run-name")).to_have_text("Braze test 11")
    if not hash_:
        # what comes later moves the charts down
        expect(page.locator(".lane-event").first).to_be_visible()
    for strip in ("lye_temp", "volts", "mmw"):
        wait_until(lambda s=strip: pixels(page, s, "trace", near=60)["count"] > 150, f"a line in {strip}")  # type: ignore[misc]


def _asked(bench: FakeBench) -> list[tuple[float, float]]:
    """Stretches asked for after the first, whole one."""
    return [(float(a["from_s"]), float(a["to_s"])) for a in bench.series_asked if "from_s" in a]


def _stretch(page: Page) -> tuple[float, float]:
    # Asked of the page: what Playwright remembers as its address changes only while it talks to it.
    found = re.search(r"#([\d.]+)-([\d.]+)$", page.evaluate("location.href"))
    return (float(found[1]), float(found[2])) if found else (0.0, DURATION_S)


def _seen(page: Page, low: float, high: float, what: str) -> tuple[float, float]:
    def settled() -> tuple[float, float] | None:
        at = _stretch(page)
        return at if low <= at[1] - at[0] <= high else None

    return wait_until(settled, what)  # type: ignore[return-value]


def test_the_whole_run_is_drawn_with_limits_and_without_errors(
    page: Page, serving: Serving, console: list[str]
) -> None:
    _open(page, serving)
    expect(page.locator("#stretch")).to_have_text("The whole run, 60\u202fmin")
    expect(page.locator("#run-facts")).to_contain_text("water-torch · A: plates as cut · 14 Mar 2025")
    assert len(rows_of_colour(page, "lye_temp", "limit")) >= 3
    assert (
        page.get_by_role("link", name="Printable report").get_attribute("href")
        == f"/api/runs/{RUN}/report.html"
    )
    assert (
        page.get_by_role("link", name="Samples as CSV").get_attribute("href") == f"/api/runs/{RUN}/export.csv"
    )
    assert console == []


def test_one_sample_of_nineteen_volts_stands_out_of_an_hour(page: Page, serving: Serving) -> None:
    _open(page, serving)
    found = pixels(page, "volts", "trace", near=60)
    top = next(y for y, n in enumerate(found["rows"]) if n)
    assert top < 0.3 * found["height"], "the spike reaches to the top of the chart"
    # and it stands at its time
    upper = pixels(page, "volts", "trace", near=60, top=top, bottom=top + 8)
    columns = [x for x, n in enumerate(upper["columns"]) if n]
    share = (sum(columns) / len(columns) - 52) / (found["width"] - 62)
    assert share == pytest.approx(SPIKE_AT_S / DURATION_S, abs=0.01)


def test_numbers_are_drawn_with_their_uncertainty_as_a_band(page: Page, serving: Serving) -> None:
    _open(page, serving)
    script = """() => { const c = document.querySelector("#efficiency canvas"), x = c.getContext("2d");
        const d = x.getImageData(c.width >> 1, 0, 1, c.height).data;
        let n = 0;
        for (let i = 0; i < d.length; i += 4) if (d[i + 3] > 40) n += 1; return n / c.height; }"""
    wait_until(
        lambda: page.evaluate(script) > 0.35, "U of 4.9 % beside a ripple of 2 % to fill much of the chart"
    )


def test_dragging_over_a_chart_zooms_all_and_fetches_again(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    _open(page, serving)
    page.locator("#amps .u-over").scroll_into_view_if_needed()
    box = page.locator("#amps .u-over").bounding_box()
    assert box is not None
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + 0.5 * box["width"], y)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.6 * box["width"], y, steps=4)
    page.mouse.move(box["x"] + 0.75 * box["width"], y, steps=4)
    page.mouse.up()
    start, end = _seen(page, 800, 1000, "a quarter of the run")
    assert (start, end) == pytest.approx((1800, 2700), abs=30)
    wait_until(lambda: _asked(bench), "the stretch to be asked for")
    asked_from, asked_to = _asked(bench)[-1]
    assert asked_from <= start, "a little more than is seen is fetched, so that a small step shows no hole"
    assert asked_to >= end
    names = {name for asked in bench.series_asked for name in asked["channels"].split(",")}
    assert names == {
        "lye_temp",
        "amps",
        "volts",
        "power_w",
        "flow_as_read_lpm",
        "flow_dry_ref_lpm",
        "faradaic_efficiency",
        "mmw_as_read",
        "mmw_dry_ref",
    }
    expect(page.locator("#stretch")).to_contain_text("15\u202fmin of 60\u202fmin")
    page.mouse.dblclick(box["x"] + 20, y)
    expect(page.locator("#stretch")).to_have_text("The whole run, 60\u202fmin")


def test_buttons_and_keys_move_along_the_run(page: Page, bench: FakeBench, serving: Serving) -> None:
    _open(page, serving)
    page.get_by_role("button", name="Nearer").click()
    assert _seen(page, 1799, 1801, "half the run") == (900.0, 2700.0)
    page.get_by_role("button", name="Later").click()
    wait_until(lambda: _stretch(page) == (1800.0, 3600.0), "the second half")
    page.get_by_role("button", name="Later").click()
    assert _stretch(page) == (1800.0, 3600.0), "there is nothing beyond the end"
    page.get_by_role("button", name="Earlier").click()
    wait_until(lambda: _stretch(page) == (900.0, 2700.0), "the middle")
    page.get_by_role("button", name="Farther").click()
    expect(page.locator("#stretch")).to_contain_text("The whole run")

    plot = page.locator("#volts .plot")
    plot.focus()
    plot.press("+")
    _seen(page, 1799, 1801, "half by the plus key")
    plot.press("Shift+ArrowRight")
    wait_until(lambda: _stretch(page) == (1260.0, 3060.0), "a fifth to the right")
    plot.press("-")
    expect(page.locator("#stretch")).to_contain_text("The whole run")
    plot.press("+")
    plot.press("0")
    expect(page.locator("#stretch")).to_contain_text("The whole run")

    def at_the_start() -> bool:
        # the readings of the stretch before stand until those of the whole run have come
        plot.press("Home")
        text = plot.get_attribute("aria-valuetext") or ""
        return re.fullmatch(r"0:0\d: 13\.\d\d to 13\.\d\d\sV", text) is not None

    wait_until(at_the_start, "the first reading of the run")
    wait_until(lambda: len(bench.series_asked) > 2, "what was seen to be fetched")


def test_the_wheel_zooms_with_ctrl_and_else_scrolls_the_page(page: Page, serving: Serving) -> None:
    _open(page, serving)
    page.locator("#lye_temp .u-over").evaluate("e => e.scrollIntoView({block: 'center'})")
    above = page.evaluate("scrollY")
    box = page.locator("#lye_temp .u-over").bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 60)
    page.mouse.wheel(0, 200)
    wait_until(lambda: page.evaluate("scrollY") > above + 50, "the page to scroll")
    assert _stretch(page) == (0.0, DURATION_S)
    page.evaluate("y => scrollTo(0, y)", above)
    page.keyboard.down("Control")
    page.mouse.wheel(0, -200)
    page.keyboard.up("Control")
    start, end = _seen(page, 2900, 3100, "a step nearer")
    assert (start + end) / 2 == pytest.approx(1800, abs=15), "about the place under the pointer"


def test_two_fingers_pinch_and_one_moves(browser: Browser, serving: Serving) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
    page = context.new_page()
    _open(page, serving)
    expect(page.get_by_text("Pinch a chart to zoom")).to_be_visible()
    page.locator("#lye_temp .plot").scroll_into_view_if_needed()
    box = page.locator("#lye_temp .u-over").bounding_box()
    assert box is not None
    y, middle = box["y"] + 40, box["x"] + box["width"] / 2
    session = context.new_cdp_session(page)

    def touch(kind: str, *xs: float) -> None:
        points: list[dict[str, Any]] = [{"x": x, "y": y, "id": i} for i, x in enumerate(xs)]
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
        # the browser gathers moves until its next frame: what is read next must not be of the one before
        page.evaluate("new Promise((seen) => requestAnimationFrame(() => requestAnimationFrame(seen)))")

    touch("touchStart", middle - 40, middle + 40)
    for spread in (50, 60, 70, 80):
        touch("touchMove", middle - spread, middle + spread)
    touch("touchEnd")
    start, end = _seen(page, 1500, 2400, "about half the run after the fingers went twice as far apart")
    touch("touchStart", middle)
    for step in (15, 30, 45, 60):
        touch("touchMove", middle - step)
    touch("touchEnd")
    wait_until(lambda: _stretch(page)[0] > start + 100, "the finger to have moved the run along")
    assert _stretch(page)[1] - _stretch(page)[0] == pytest.approx(end - start, abs=1)


def test_an_address_with_a_stretch_opens_there(page: Page, bench: FakeBench, serving: Serving) -> None:
    _open(page, serving, "#600.00-1200.00")
    expect(page.locator("#stretch")).to_have_text("10:00 to 20:00, 10\u202fmin of 60\u202fmin")
    assert _asked(bench)[0] == (450.0, 1350.0)


def test_marks_and_alarms_stand_on_the_time_axis(page: Page, serving: Serving) -> None:
    _open(page, serving)
    lane = page.locator("#lane")
    buttons = lane.get_by_role("button")
    expect(buttons).to_have_count(4)
    first = lane.get_by_role("button", name="5:00 Topped up 200 mL (Ada)")
    first.click()
    expect(lane.locator(".lane-words")).to_have_text("5:00 Topped up 200 mL (Ada)")
    both = lane.get_by_role("button", name=re.compile("50:00.*Supply cut.*Alarm, critical"))
    expect(both).to_contain_text("2")
    expect(both).to_have_attribute("data-level", "critical")
    rail = lane.locator(".lane-rail").bounding_box()
    place = first.bounding_box()
    assert rail is not None
    assert place is not None
    share = (place["x"] + place["width"] / 2 - rail["x"]) / rail["width"]
    assert share == pytest.approx(300 / DURATION_S, abs=0.01)
    # the alarm's line runs down through the charts at its time
    found = pixels(page, "amps", "high", near=16)
    column = max(range(found["width"]), key=lambda x: found["columns"][x])
    assert found["columns"][column] > 0.4 * found["height"]
    assert (column - 52) / (found["width"] - 62) == pytest.approx(2700 / DURATION_S, abs=0.01)


def test_tables_tell_all_and_a_time_leads_to_the_charts(page: Page, serving: Serving) -> None:
    _open(page, serving)
    alarms = page.locator("#alarm-table")
    expect(alarms.locator("tbody tr")).to_have_count(3)
    for words in (
        "normal → unacknowledged",
        "unacknowledged → acknowledged",
        "60.1\u202f°C",
        "Ada",
        "turned down",
        "Critical",
    ):
        expect(alarms).to_contain_text(words)
    expect(page.locator("#marks")).to_contain_text("Port /dev/ttyUSB0 reopened after 1.2 s")
    page.get_by_role("button", name="Show 50:00 in the charts").first.click()
    start, end = _seen(page, 170, 190, "three minutes about the mark")
    assert (start + end) / 2 == pytest.approx(3000)


def test_the_result_stands_before_the_charts(page: Page, serving: Serving) -> None:
    _open(page, serving)
    result = page.locator("#result")
    for words in (
        "20 % less gas",
        "Gas flow, dry",
        "Hottest lye",
        "65.10 ± 0.60",
        "steady, from 30:00",
        "k = 2",
    ):
        expect(result).to_contain_text(words)
    above, chart = result.bounding_box(), page.locator("#lye_temp").bounding_box()
    assert above is not None
    assert chart is not None
    assert above["y"] + above["height"] < chart["y"]


def test_numbers_states_and_alarms_open_what_they_are(
    page: Page, serving: Serving, console: list[str]
) -> None:
    _open(page, serving)
    text = page.get_by_role("dialog")
    label = page.locator("#result").get_by_role("button", name="MMW, dry")
    label.click()
    for words in ("MMW is millilitres per minute per watt", "What is good", "How it is reckoned"):
        expect(text).to_contain_text(words)
    page.keyboard.press("Escape")
    expect(text).to_be_hidden()
    expect(label).to_be_focused()
    page.locator("#review").get_by_role("button", name="steady").click()
    expect(text).to_contain_text("the temperature of the lye holds")
    text.get_by_role("button", name="Close").click()
    page.locator("#alarm-table").get_by_role("button", name="acknowledged", exact=True).first.click()
    expect(text).to_contain_text("somebody has taken it on")
    text.get_by_role("button", name="Close").click()
    page.locator("#alarm-table").get_by_role("button", name=re.compile("lye temp high")).first.click()
    expect(text).to_contain_text("What to do")
    assert console == []


def test_a_flood_of_alarms_is_one_bar_and_crosses_no_trace(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.flood = True
    _open(page, serving)
    bar = page.locator("#lane .lane-flood")
    expect(bar).to_have_count(1)
    expect(bar).to_have_text("200 alarms")
    assert bar.get_attribute("aria-label") == "16:40 to 23:18: 200 alarms: Gas flow low (200)"
    # at the chart's upper edge the bar spans the flood; below it no line of its colour runs through the trace
    found = pixels(page, "amps", "low", near=16)
    columns = [x for x, n in enumerate(found["columns"]) if n]
    share = [(x - 52) / (found["width"] - 62) for x in (columns[0], columns[-1])]
    assert share == pytest.approx([1000 / DURATION_S, 1398 / DURATION_S], abs=0.01)
    assert max(found["columns"]) < 0.1 * found["height"]


def test_phases_are_shaded_and_named(page: Page, bench: FakeBench, serving: Serving) -> None:
    bench.cooled = True
    _open(page, serving)
    expect(page.locator("#result")).to_contain_text("Gas flow, dry")

    def shaded() -> bool:
        found = pixels(page, "amps", "shade-1", near=4)
        columns = [x for x, n in enumerate(found["columns"]) if n > 0.3 * found["height"]]
        return bool(columns) and (columns[0] - 52) / (found["width"] - 62) == pytest.approx(
            3000 / DURATION_S, abs=0.02
        )

    wait_until(shaded, "the cool-down to be shaded from its beginning")


def test_the_review_names_uncertainty_reference_and_findings(page: Page, serving: Serving) -> None:
    _open(page, serving)
    review = page.locator("#review")
    for words in (
        "60\u202fmin",
        "131.2 ± 2.4\u202fWh",
        "35.2 ± 1.1\u202fL",
        "65.10 ± 0.60\u202f°C at 50:00",
        "all powered",
        "warm-up",
        "steady",
        "gas dry at 0 °C, 101.325 kPa",
        "expanded uncertainty, k = 2",
        "20 % less gas",
        "steady from 30:00, 94 % of it",
        "lye temp above the warning of 50\u202f°C for 42\u202fmin, first at 18:04",
        "1 gap, 1.2\u202fs in all; 12 frames missing from head",
        "gas flow: 4 uncertain, 1 bad",
        "Meter gas factor 1 ± 0.02.",
    ):
        expect(review).to_contain_text(words)
    expect(review.get_by_role("row", name=re.compile("Faradaic efficiency"))).to_contain_text(
        re.compile(r"\d\d\.\d ± 4\.9\s%")
    )


def test_the_review_tells_alarm_rates_and_forecasts_against_what_happened(
    page: Page, serving: Serving
) -> None:
    page.goto(f"{serving.url}/runs/{RUN}")
    rates = page.get_by_role("group", name="Alarm rates")
    expect(rates).to_contain_text("0.33: very likely acceptable")
    expect(rates).to_contain_text("lye_temp.high (1), lye_temp.trip (1)")
    warned = page.get_by_role("group", name="Warnings, and what came of them")
    expect(warned).to_contain_text(re.compile(r"15:00\s*the limit was crossed\s*30\s*min"))
    times = page.get_by_role("group", name="Time to the limit")
    expect(times).to_contain_text(re.compile(r"25:00\s*22\s*min\s*18\s*min to never\s*20\s*min\s*\+10\s*%"))


def test_a_mark_is_added_at_the_time_given(page: Page, bench: FakeBench, serving: Serving) -> None:
    _open(page, serving)
    page.get_by_text("Add a mark").click()
    form = page.get_by_role("form", name="Add a mark")
    form.get_by_label("What happened").fill("fan on")
    form.get_by_label("Your name").fill("Ada")
    form.get_by_label("Elapsed time").fill("soon")
    form.get_by_role("button", name="Add mark").click()
    expect(form).to_contain_text("Write the time as 1:02:09, 12:30 or plain seconds.")
    assert bench.requests == []
    form.get_by_label("Elapsed time").fill("12:30")
    form.get_by_role("button", name="Add mark").click()
    expect(page.locator("#marks")).to_contain_text("fan on")
    assert bench.requests == [
        ("POST", f"/api/runs/{RUN}/marks", {"text": "fan on", "t_s": 750, "who": "Ada"})
    ]
    expect(page.locator("#lane").get_by_role("button", name="12:30 fan on (Ada)")).to_be_visible()


def test_renaming(page: Page, bench: FakeBench, serving: Serving) -> None:
    _open(page, serving)
    page.get_by_text("Rename this run").click()
    form = page.get_by_role("form", name="Rename the run")
    expect(form.get_by_label("Name of the run")).to_have_value("Braze test 11")
    form.get_by_label("Name of the run").fill("Ring 3, new gasket")
    form.get_by_label("Your name").fill("Ada")
    form.get_by_role("button", name="Save").click()
    expect(page.locator("#run-name")).to_have_text("Ring 3, new gasket")
    assert bench.requests == [
        (
            "PATCH",
            f"/api/runs/{RUN}",
            {"name": "Ring 3, new gasket", "build": "A: plates as cut", "who": "Ada"},
        )
    ]


def test_each_chart_has_a_table_of_what_is_in_view(page: Page, serving: Serving) -> None:
    _open(page, serving)
    page.locator("#volts .chart-table summary").click()
    rows = page.locator("#volts tbody tr")
    expect(rows).to_have_count(12)
    # the spike at 2222 s is in the eighth stretch of 300 s
    assert rows.nth(7).locator("td").all_inner_texts()[1] == "19.00"
    assert page.locator("#volts .chart-table thead th").all_inner_texts() == ["From", "lowest", "highest"]


def test_a_run_that_is_not_there_is_said_not_to_be(page: Page, serving: Serving) -> None:
    page.goto(serving.url + "/runs/20200101-000000")
    expect(page.locator("#trouble")).to_have_text(
        "There is no run 20200101-000000 here. The list under Runs has those that are."
    )
    expect(page.locator("#run-name")).to_have_text("No such run")
    # nothing is offered that could not be done
    assert [link.inner_text() for link in page.locator("main a, main button").all() if link.is_visible()] == [
        "All runs"
    ]


def test_a_run_still_recording_grows(page: Page, bench: FakeBench, serving: Serving) -> None:
    row = next(row for row in bench.past if row["id"] == RUN)
    row["state"] = "recording"
    _open(page, serving)
    expect(page.locator("#run-facts")).to_contain_text("recording now")
    row["duration_s"] = DURATION_S + 600
    expect(page.locator("#stretch")).to_have_text("The whole run, 70\u202fmin", timeout=15000)
