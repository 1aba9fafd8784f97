"""The live trends, by their pixels, their tables and their readings."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.pages import bench_facts as facts
from tests.pages.canvas import canvas_text, pixels, rows_of_colour
from tests.pages.fake_service import FakeBench, Serving
from tests.waiting import wait_until

pytestmark = pytest.mark.browser

STRIPS = ("lye_temp", "amps", "volts", "power", "flow", "efficiency", "mmw")


def _ready(page: Page) -> None:
    for strip in STRIPS:
        expect(page.locator(f"#{strip} .plot")).to_have_attribute("data-drawn", "yes")
        wait_until(lambda s=strip: pixels(page, s, "trace")["count"] > 150, f"a line in {strip}")  # type: ignore[misc]


def test_every_trend_moves_as_data_come(page: Page, serving: Serving) -> None:
    page.goto(serving.url)
    page.get_by_label("1 min", exact=True).check()
    _ready(page)
    for strip in STRIPS:
        before = canvas_text(page, strip)
        wait_until(lambda s=strip, b=before: canvas_text(page, s) != b, f"{strip} to move")  # type: ignore[misc]


def test_no_pixel_moves_when_nothing_comes(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.goto(serving.url)
    _ready(page)
    bench.silent = True
    expect(page.locator("#band-data")).to_contain_text("stale")
    before = canvas_text(page, "amps")
    seen = bench.ticks
    wait_until(lambda: bench.ticks > seen + 10, "a second of silence")
    assert canvas_text(page, "amps") == before


def test_limits_are_drawn_as_lines_where_they_belong(page: Page, serving: Serving) -> None:
    page.goto(serving.url)
    _ready(page)
    rows = wait_until(lambda: rows_of_colour(page, "lye_temp", "limit"), "limit lines")
    lines = [y for i, y in enumerate(rows) if i == 0 or y - rows[i - 1] > 2]
    assert len(lines) == 3, "cut 65, high 60, warning 50"
    cut, high, warning = lines
    # 5 K between the first two and 10 K between the others: so they stand at their values
    assert (warning - high) / (high - cut) == pytest.approx(2.0, abs=0.12)
    assert rows_of_colour(page, "volts", "limit") == [], "volts have no limits on this bench"


def test_the_line_takes_colour_only_beyond_a_limit(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.goto(serving.url)
    _ready(page)
    for level in ("medium", "high", "critical"):
        assert pixels(page, "lye_temp", level, near=12)["count"] == 0, level
    bench.extra_temp = 26.0
    wait_until(
        lambda: pixels(page, "lye_temp", "critical", near=40)["count"] > 0, "the line beyond the cut limit"
    )


def test_windows_choose_how_much_is_shown(page: Page, serving: Serving) -> None:
    page.goto(serving.url)
    _ready(page)
    page.get_by_label("30 min", exact=True).check()

    # Ten minutes of data in a window of thirty fill the right third.
    def left_edge() -> float:
        columns = pixels(page, "volts", "trace")["columns"]
        return next((x for x, n in enumerate(columns) if n and x > 60), 0) / max(1, len(columns))

    wait_until(lambda: 0.6 < left_edge() < 0.75, "the data to fill the right third")
    page.get_by_label("1 min", exact=True).check()
    wait_until(lambda: left_edge() < 0.15, "the data to fill the window")
    page.reload()
    expect(page.get_by_label("1 min")).to_be_checked()


def test_each_chart_has_a_table_of_its_data(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.goto(serving.url)
    _ready(page)
    begun = bench.now()
    page.locator("#lye_temp .chart-table summary").click()
    expect(page.locator("#lye_temp tbody tr")).to_have_count(12)
    took = bench.now() - begun
    for strip in STRIPS[1:]:
        page.locator(f"#{strip} .chart-table summary").click()
        expect(page.locator(f"#{strip} tbody tr")).to_have_count(12)
    cells = page.locator("#lye_temp tbody tr").nth(5).locator("td").all_inner_texts()
    low, mean, high = map(float, cells)
    assert low <= mean <= high
    # row 6 of 12 of a five-minute window lies 150 to 175 s back
    back = [facts.channel_value("lye_temp", begun - s) for s in (140 - took, 190)]
    assert min(back) - 0.2 < mean < max(back) + 0.2
    assert page.locator("#flow thead th").all_inner_texts()[1:4] == [
        "as read, lowest",
        "as read, mean",
        "as read, highest",
    ]


def test_keys_read_a_chart_aloud(page: Page, serving: Serving) -> None:
    page.goto(serving.url)
    _ready(page)
    plot = page.locator("#lye_temp .plot")
    plot.focus()
    expect(plot).to_have_attribute("role", "slider")
    expect(plot).to_have_attribute("aria-label", "Lye temperature, place in time")
    plot.press("ArrowLeft")
    expect(plot).to_have_attribute("aria-valuetext", re.compile(r"^\d\d:\d\d:\d\d\s+4\d\.\d\s°C$"))
    plot.press("Home")
    expect(plot).to_have_attribute("aria-valuenow", "0")
    expect(plot).to_have_attribute("aria-valuetext", re.compile(r"3\d\.\d\s°C$"))
    expect(page.locator("#lye_temp .reading")).to_contain_text("°C")


def test_a_gap_is_drawn_as_a_gap(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.goto(serving.url)
    page.get_by_label("1 min", exact=True).check()
    _ready(page)
    bench.t0 += 20.0

    def hole() -> int:
        columns = pixels(page, "volts", "trace", near=40)["columns"][60:-12]
        longest = run = 0
        for n in columns:
            run = 0 if n else run + 1
            longest = max(longest, run)
        return longest

    wait_until(lambda: hole() > 100, "a hole of twenty of sixty seconds")


def test_dark_and_light_redraw_the_charts(browser: Browser, serving: Serving) -> None:
    page = browser.new_page(color_scheme="light")
    page.goto(serving.url)
    wait_until(lambda: pixels(page, "volts", "trace")["count"] > 150, "a dark line on light")
    page.emulate_media(color_scheme="dark")
    wait_until(lambda: pixels(page, "volts", "trace")["count"] > 150, "a light line on dark")


def test_without_the_chart_library_the_numbers_and_tables_remain(page: Page, serving: Serving) -> None:
    page.route("**/uPlot.iife.min.js", lambda route: route.abort())
    page.goto(serving.url)
    expect(page.locator("#lye_temp .value")).to_have_text(re.compile(r"4\d\.\d"))
    expect(page.locator("#lye_temp")).to_contain_text("The chart library is missing")
    page.locator("#lye_temp .chart-table summary").click()
    expect(page.locator("#lye_temp tbody tr")).to_have_count(12)
