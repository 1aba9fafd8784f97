"""The page of a run: self-contained, readable by machines and people, drawn right, in a real browser too."""

from __future__ import annotations

import re
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser

from daq.store import Mark, RunRecord
from daq.study.render.charts import Event, Line, Panel, Span, draw, nice_ticks, time_ticks
from daq.study.review import html_report, review
from tests.study.made_run import torch, workshop_run
from tests.watch.workshop import S, run_of
from tests.watch.workshop import bench as any_bench

RECORD = RunRecord("20260711-101500", "water-torch", "run", '<first> & "light"', "A: plates", 0)


@cache
def page() -> str:
    made = review(
        torch(), workshop_run(), record=RECORD, marks=[Mark(1, "", 600 * S, "note", "<b>top</b> up", "Ana")]
    )
    return html_report(made, workshop_run())


class Reader(HTMLParser):
    """Every tag with its attributes, and whether each is closed."""

    VOID = ("meta", "line", "rect", "path", "br")

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_it_stands_alone_and_is_well_formed() -> None:
    reader = Reader()
    reader.feed(page())
    assert reader.open == []
    names = {tag for tag, _ in reader.tags}
    assert not names & {"script", "link", "img", "iframe", "object"}
    assert not re.search(r"(?:https?:)?//(?!www\.w3\.org)\w", page())
    assert not any(k.startswith("on") for _, attrs in reader.tags for k in attrs)


def test_what_people_wrote_is_text() -> None:
    assert "&lt;first&gt; &amp; &quot;light&quot;" in page()
    assert "&lt;b&gt;top&lt;/b&gt; up" in page()
    assert "<b>top" not in page()


def test_it_says_what_there_is_to_say() -> None:
    wanted = (
        "Peak lye temperature|61.00 ± 0.58 °C|Time beyond limits|warm-up|steady|Faradaic efficiency|"
        "can detonate|trip 65 °C|Source head is silent|0 °C, 101.325 kPa|k = 2"
    )
    for words in wanted.split("|"):
        assert words in page(), words
    text = re.sub(r"<style>.*?</style>", "", page(), flags=re.DOTALL)
    assert not re.search(r"\bnan\b", text, flags=re.IGNORECASE)
    assert "None" not in page()


def test_it_is_small() -> None:
    assert len(page().encode()) < 400_000


def test_a_run_without_samples_has_a_page_too() -> None:
    empty = review(torch(), [])
    assert "No samples to draw." in html_report(empty, [])


# -- drawing -------------------------------------------------------------------------------------------------


def test_one_sample_of_a_day_is_drawn_to_its_full_height() -> None:
    n = 864_000
    values = np.full(n, 40.0)
    values[456_789] = 90.0
    t_ns = (np.arange(n, dtype=np.int64) + 1) * S // 10
    svg = draw([Panel("T", "°C", [Line("lye", t_ns, values, samples=True)], height=100.0)], 0.0, 86_400.0)
    spread = re.search(r'<path class="spread one" d="([^"]*)"', svg)
    assert spread is not None
    heights = [float(y) for y in re.findall(r"[ML]?[\d.]+ ([\d.]+)", spread[1])]
    # The panel spans 40 to 90 with six percent to either side.
    assert min(heights) == pytest.approx(20.0 + 100.0 * 0.06 / 1.12, abs=0.2)
    assert max(heights) == pytest.approx(20.0 + 100.0 * 1.06 / 1.12, abs=0.2)


def test_a_gap_is_left_open() -> None:
    t_ns = np.concatenate([np.arange(100), np.arange(200, 300)]).astype(np.int64) * S
    svg = draw([Panel("I", "A", [Line("amps", t_ns, np.full(200, 10.0))])], 0.0, 300.0)
    (path,) = re.findall(r'<path class="line one" d="([^"]*)"', svg)
    assert path.count("M") == 2


def test_missing_values_open_a_line_and_hide_nothing() -> None:
    values = np.full(300, 10.0)
    values[100:150] = np.nan
    values[200] = 20.0
    svg = draw([Panel("I", "A", [Line("amps", np.arange(300, dtype=np.int64) * S, values)])], 0.0, 300.0)
    (path,) = re.findall(r'<path class="line one" d="([^"]*)"', svg)
    assert path.count("M") == 2
    assert "20 A" in svg  # the description tells the range


def test_a_flood_of_alarms_is_one_bar_and_phases_have_their_names() -> None:
    t_ns = np.arange(1000, dtype=np.int64) * S
    flood = [Event(300.0 + 2.0 * n, "low") for n in range(100)]
    lone = [Event(50.0, "critical"), Event(60.0, "high"), Event(800.0, "note")]
    svg = draw(
        [Panel("I", "A", [Line("amps", t_ns, np.full(1000, 10.0))])],
        0.0,
        1000.0,
        [Span(0.0, 700.0, "bare", "warm-up"), Span(700.0, 705.0, "odd", "disturbed")],
        [*flood, *lone],
    )
    bars = re.findall(r'<rect class="alarm (\w+)" x="([\d.]+)" y="14" width="([\d.]+)"', svg)
    assert [kind for kind, *_ in bars] == ["critical", "high", "low"]
    # 926 units for 1000 s
    assert float(bars[2][2]) == pytest.approx(198.0 * 0.926, abs=0.2)
    assert ">100 alarms</text>" in svg
    assert svg.count('class="note"') == 1
    assert ">warm-up</text>" in svg
    assert ">disturbed</text>" not in svg, "it would not fit"
    assert "102 alarms raised, 1 marks" in svg


@pytest.mark.parametrize(
    ("low", "high"), [(0.0, 1.0), (19.8, 63.2), (-0.03, 0.41), (0.0, 1234.0), (5.0, 5.0)]
)
def test_ticks_are_round_and_inside(low: float, high: float) -> None:
    ticks = nice_ticks(low, high)
    assert 1 <= len(ticks) <= 6
    assert all(low - 1e-9 <= t <= high + 1e-9 for t in ticks)
    for tick in ticks:
        assert float(f"{tick:.6g}") == pytest.approx(tick, abs=1e-9)


@pytest.mark.parametrize("span", [8.0, 59.0, 600.0, 5400.0, 86_400.0, 864_000.0])
def test_ticks_of_time_are_few_and_say_their_unit(span: float) -> None:
    ticks = time_ticks(0.0, span)
    assert 2 <= len(ticks) <= 11
    assert all(text.endswith((" s", " min", " h")) for _, text in ticks)


# -- on screen and paper -------------------------------------------------------------------------------------


@pytest.mark.browser
def test_in_a_browser(browser: Browser, tmp_path: Path) -> None:
    """No request, no message, nothing wider than the screen; text and lines stand out; A4 holds it."""
    file = tmp_path / "report.html"
    file.write_text(page(), encoding="utf-8")
    collected: list[str] = []
    view = browser.new_page(viewport={"width": 390, "height": 800})
    view.on("console", lambda message: collected.append(message.text))
    view.on("request", lambda request: collected.append(request.url))
    view.goto(file.as_uri())
    assert collected == [file.as_uri()]
    assert view.evaluate("document.documentElement.scrollWidth") == 390
    view.set_viewport_size({"width": 1100, "height": 900})
    poor = view.evaluate(_CONTRAST)
    assert poor == []
    drawn = view.evaluate("document.querySelector('svg.trends').getBoundingClientRect().height")
    assert drawn > 600
    view.emulate_media(media="print")
    # 182 mm are left between the margins of A4, 188 mm of Letter
    view.set_viewport_size({"width": 688, "height": 1000})
    assert view.evaluate("document.documentElement.scrollWidth") == 688
    for paper in ("A4", "Letter"):
        pdf = view.pdf(format=paper)
        assert pdf.startswith(b"%PDF")
        assert 2 <= len(re.findall(rb"/Type\s*/Page[^s]", pdf)) <= 8
    view.close()


_CONTRAST = """() => {
  const channel = c => { c /= 255; return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; };
  const light = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
  const rgb = text => (text.match(/[\\d.]+/g) || []).map(Number);
  const ratio = (a, b) => {
    const [x, y] = [light(a), light(b)].sort((p, q) => q - p);
    return (x + 0.05) / (y + 0.05);
  };
  const ground = e => { for (; e; e = e.parentElement) { const c = rgb(getComputedStyle(e).backgroundColor);
    if (c.length === 3 || c[3] > 0.99) return c; } return [255, 255, 255]; };
  const poor = [];
  for (const e of document.querySelectorAll('main *')) {
    const style = getComputedStyle(e), svg = e.namespaceURI.includes('svg');
    if (svg && ['text'].includes(e.tagName)) {
      const r = ratio(rgb(style.fill), [255, 255, 255]);
      if (r < 4.5) poor.push(e.textContent + ' ' + r);
    } else if (svg && (e.getAttribute('class') || '').match(/^(line|warn|high|trip)/)) {
      const r = ratio(rgb(style.stroke), [255, 255, 255]);
      if (r < 3) poor.push(e.getAttribute('class') + ' ' + r);
    } else if (!svg && [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim())) {
      const r = ratio(rgb(style.color), ground(e));
      if (r < 4.5) poor.push(e.textContent.slice(0, 30) + ' ' + r);
    }
  }
  return poor;
}"""


def test_a_run_of_another_bench_has_only_its_own_panels() -> None:
    made = any_bench({"amps": "head"})
    blocks = [run_of(60.0)]
    text = html_report(review(made, blocks), blocks)
    assert "Current [A]" in text
    assert "MMW [" not in text
