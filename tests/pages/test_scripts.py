"""The pages' modules one by one, run in the browser that will run them."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from playwright.sync_api import Page

from tests.pages.fake_service import Serving

pytestmark = pytest.mark.browser

NARROW, MINUS = "\u202f", "\u2212"


@pytest.fixture
def call(page: Page, serving: Serving) -> Any:
    """Run `expression` with the module's exports as `m` and the argument as `a`."""
    page.goto(serving.url + "/runs")

    def run(module: str, expression: str, argument: Any = None) -> Any:
        body = (
            f"async (a) => {{ const m = await import('/pages/scripts/{module}.js'); return {expression}; }}"
        )
        return page.evaluate(body, argument)

    return run


@pytest.mark.parametrize(
    ("value", "u95", "unit", "shown"),
    [
        # JCGM 100:2008 (GUM), H.1.6: a gauge block of 50.000 838 mm with U = 93 nm, two digits of U
        (50.000838, 0.000093, "mm", f"50.000838 ± 0.000093{NARROW}mm"),
        # JCGM 100:2008, 7.2.2: 100.021 47 g with a standard uncertainty of 0.35 mg
        (100.02147, 0.00035, "g", f"100.02147 ± 0.00035{NARROW}g"),
        (41.5678, 0.5812, "degC", f"41.57 ± 0.58{NARROW}°C"),
        (-0.04, 0.5, "A", f"{MINUS}0.04 ± 0.50{NARROW}A"),
        (-0.001, 0.5, "A", f"0.00 ± 0.50{NARROW}A"),
        (5.0, 0.0996, "V", f"5.00 ± 0.10{NARROW}V"),
        (1234.0, 123.0, "W", f"1230 ± 120{NARROW}W"),
        (1234.0, 12.3, "W", f"1234 ± 12{NARROW}W"),
        (7.056, None, "mL/min/W", f"7.06{NARROW}mL/min/W"),
        (None, 0.1, "W", "–"),
    ],
)
def test_numbers_show_two_digits_of_their_uncertainty(
    call: Any, value: float | None, u95: float | None, unit: str, shown: str
) -> None:
    assert call("format", "m.presentText(a)", {"value": value, "u95": u95, "unit": unit}) == shown


def test_shares_are_shown_in_percent(call: Any) -> None:
    number = {"value": 0.7914, "u95": 0.0492, "unit": "1"}
    assert call("format", "m.presentText(a, 'faradaic_efficiency')", number) == f"79.1 ± 4.9{NARROW}%"


def test_times_and_spans(call: Any) -> None:
    assert call("format", "a.map(m.clock)", [0, 59.9, 247, 3729, 93600, None]) == [
        "0:00",
        "0:59",
        "4:07",
        "1:02:09",
        "26:00:00",
        "–",
    ]
    assert call("format", "a.map(m.span)", [0.42, 48, 720, 12000, 7200]) == [
        f"0.4{NARROW}s",
        f"48{NARROW}s",
        f"12{NARROW}min",
        f"3{NARROW}h 20{NARROW}min",
        f"2{NARROW}h",
    ]
    assert call("run_events", "a.map(m.seconds)", ["1:02:09", "12:30", "90.5", "soon", "1:2:3:4", ""]) == [
        3729,
        750,
        90.5,
        None,
        None,
        None,
    ]


def test_the_gravest_limit_beyond_counts(call: Any) -> None:
    limits = {"warn": 50, "high": 60, "trip": 65, "low_warn": 5, "low_trip": None}
    found = call(
        "limits",
        "a.v.map((v) => m.beyond(m.limitList(a.l), v)?.key ?? null)",
        {"l": limits, "v": [20, 50, 59.9, 60, 70, 5, 4, None]},
    )
    assert found == [None, "warn", "warn", "high", "trip", "low_warn", "low_warn", None]
    assert call("limits", "m.limitList(a)", None) == []


@pytest.mark.parametrize("spacing", [4.0, 10.0, 14.0, 20.0, 40.0])
def test_the_names_of_limits_lie_on_no_other_line_where_there_is_room(call: Any, spacing: float) -> None:
    ys = [60.0, 60.0 + spacing, 60.0 + 3.0 * spacing]
    lines = [{"y": y, "width": 80} for y in ys]
    places = call("limits", "m.placeLabels(a.lines, 500, 224)", {"lines": lines})
    boxes = [(500 - p["right"] - p["width"], p["top"], 500 - p["right"], p["top"] + 13) for p in places]
    for i, one in enumerate(boxes):
        for other in boxes[i + 1 :]:
            apart = one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]
            assert apart, "no name lies on another"
        if spacing >= 20.0:
            crossing = [y for k, y in enumerate(ys) if k != i and one[1] <= y <= one[3]]
            assert crossing == [], "no name lies on another's line"


def test_the_marks_of_the_time_axis_are_round_and_in_view(call: Any) -> None:
    for from_s, to_s, width, step in (
        (7.0, 307.0, 480, 60),
        (1003.0, 1063.0, 480, 15),
        (0.0, 1800.0, 300, 600),
    ):
        ticks = call(
            "chart", "m.timeTicks(a.from, a.to, a.width)", {"from": from_s, "to": to_s, "width": width}
        )
        assert all(from_s <= t <= to_s and t % step == 0 for t in ticks)
        assert {b - a for a, b in itertools.pairwise(ticks)} <= {step}
        assert len(ticks) >= 2


def test_limits_that_are_passed_are_not_ahead(call: Any) -> None:
    forecast = {
        "limits": {
            "warn": {"limit_c": 50, "time_s": 0},
            "high": {"limit_c": 60, "time_s": 30},
            "trip": {"limit_c": 65, "time_s": 200},
        }
    }

    def ahead(temp: float, since: float) -> list[tuple[str, float]]:
        still_ahead = call(
            "forecast", "m.limitsAhead(a.f, a.temp, a.since)", {"f": forecast, "temp": temp, "since": since}
        )
        return [(limit["name"], limit["left_s"]) for limit in still_ahead]

    assert ahead(55.0, 10.0) == [("high", 20), ("trip", 190)]
    assert ahead(60.2, 10.0) == [("trip", 190)]
    assert ahead(66.0, 10.0) == []


def test_tables_sum_up_without_losing_extremes(call: Any) -> None:
    t = list(range(100))
    low = [float(i % 7) for i in t]
    low[42] = -50.0
    low[77] = None  # type: ignore[call-overload]
    rows = call("table", "m.summarise(a.t, [{low: a.v, high: a.v, mean: a.v}], 0, 99, 4)", {"t": t, "v": low})
    assert len(rows) == 4
    assert min(row["cells"][0]["low"] for row in rows) == -50.0
    assert sum(row["cells"][0]["n"] for row in rows) == 99, "the value that is missing is not counted"
    whole = [v for v in low if v is not None]
    assert sum(row["cells"][0]["sum"] for row in rows) == pytest.approx(sum(whole))
    empty = call("table", "m.summarise([], [{low: [], high: []}], 0, 10, 2)")
    assert [row["cells"][0]["low"] for row in empty] == [None, None]


_STRETCH = (
    """a.steps.reduce((s, [what, ...args]) => { s[what](...args); return s; }, new m.Stretch(a.length))"""
)


def test_the_stretch_in_view_never_leaves_the_run(call: Any) -> None:
    def after(*steps: list[Any], length: float = 1000.0) -> tuple[float, float]:
        got = call("navigate", f"(({_STRETCH}))", {"length": length, "steps": list(steps)})
        return got["from"], got["to"]

    assert after(["zoom", 0.5, 250]) == (125.0, 625.0), "the place under the pointer stays"
    assert after(["zoom", 0.5], ["pan", 5]) == (500.0, 1000.0)
    assert after(["zoom", 0.5], ["pan", -5]) == (0.0, 500.0)
    assert after(["zoom", 1e-9, 400]) == pytest.approx((399.6, 400.6))
    assert after(["set", 400, 420], ["zoom", 1e9]) == (0.0, 1000.0)
    assert after(["grow", 1200]) == (0.0, 1200.0), "the whole stays the whole"
    assert after(["set", 100, 200], ["grow", 1200]) == (100.0, 200.0)


_EVENTS = """(() => { const t = new m.Traces(["power_w"]);
  for (const [kind, data] of a) t[kind](data);
  const latest = Object.fromEntries(t.latest);
  return { volts: t.channel("volts"), power: t.number(["power_w"]), latest, run: t.run }; })()"""


def _samples(run: str, start: str, *rows: tuple[float, float | None], status: int = 0) -> list[Any]:
    made = [
        {"source": "head", "t": t, "v": {"volts": v}, "s": {"volts": status} if status else {}}
        for t, v in rows
    ]
    return ["samples", {"run": run, "start_utc": start, "rows": made}]


def _assessment(run: str, t: float, watts: float) -> list[Any]:
    return [
        "assess",
        {"run": run, "t": t, "window_s": 30, "numbers": {"power_w": {"value": watts, "u95": 1, "unit": "W"}}},
    ]


A, B = "2025-03-04T09:00:00Z", "2025-03-04T09:10:00Z"
A0, B0 = 1741078800.0, 1741079400.0


def test_what_comes_twice_is_kept_once(call: Any) -> None:
    one = _samples("r", A, (1.0, 13.0), (1.1, 13.1))
    got = call(
        "traces",
        _EVENTS,
        [
            one,
            one,
            _samples("r", A, (1.1, 13.1), (1.2, 13.2)),
            _assessment("r", 1, 100),
            _assessment("r", 1, 100),
        ],
    )
    assert got["volts"] == [pytest.approx([A0 + 1.0, A0 + 1.1, A0 + 1.2]), [13.0, 13.1, 13.2]]
    assert got["power"] == [[A0 + 1], [100]]


def test_silence_becomes_a_hole_and_a_bad_value_too(call: Any) -> None:
    steady = [(i / 10, 13.0) for i in range(20)]
    got = call(
        "traces", _EVENTS, [_samples("r", A, *steady, (9.0, 13.5)), _samples("r", A, (9.1, None), status=2)]
    )
    assert got["volts"][1] == [13.0] * 20 + [None, 13.5, None]
    assert got["latest"]["volts"] == {"t": pytest.approx(A0 + 9.1), "value": None, "status": 2}


def test_assessments_that_overlap_make_one_line(call: Any) -> None:
    # At thirty times real speed one assessment of half a minute comes each half minute: nothing is missing.
    slow = [_assessment("r", t, t) for t in (1.0, 2.0, 3.0, 33.0, 63.0, 153.0)]
    got = call("traces", _EVENTS, [_samples("r", A, (0.0, 13.0)), *slow])
    assert got["power"][1] == [1, 2, 3, 33, 63, None, 153]


def test_a_later_run_goes_on_and_an_earlier_clock_starts_afresh(call: Any) -> None:
    got = call("traces", _EVENTS, [_samples("a", A, (1.0, 13.0)), _samples("b", B, (0.0, 12.0))])
    assert [v for v in got["volts"][1] if v is not None] == [13.0, 12.0]
    # the virtual bench at speed 30 runs ahead of the wall clock: the next run seems to begin earlier
    got = call("traces", _EVENTS, [_samples("a", A, (900.0, 13.0)), _samples("b", B, (0.0, 12.0))])
    assert got["volts"] == [[B0], [12.0]]


def test_the_past_is_put_before_what_the_stream_has_brought(call: Any) -> None:
    past = [
        "recent",
        {
            "run": "r",
            "start_utc": A,
            "t": {"volts": [0.0, 0.1, 0.2, 0.3]},
            "v": {"volts": [1, 2, 3, 4]},
            "assessments": [_assessment("r", 0.1, 50)[1]],
        },
    ]
    got = call("traces", _EVENTS, [_samples("r", A, (0.3, 4.0), (0.4, 5.0)), _assessment("r", 1.1, 60), past])
    assert got["volts"] == [pytest.approx([A0 + i / 10 for i in range(5)]), [1, 2, 3, 4, 5]]
    assert got["power"][1] == [50, 60]
    other = call("traces", _EVENTS, [_samples("new", B, (0.3, 4.0)), past])
    assert other["run"] == "new", "the past of another run is not mixed in"


def test_half_an_hour_is_kept_and_no_more(call: Any) -> None:
    got = call(
        "traces",
        "(() => { const t = new m.Traces([]); for (let i = 0; i < 40000; i += 1) t.samples({run: 'r', "
        "start_utc: a, rows: [{source: 'h', t: i / 10, v: {volts: 1}, s: {}}]}); "
        "const [s] = t.channel('volts'); return [s.at(-1) - s[0], s.length]; })()",
        A,
    )
    assert 1800 <= got[0] <= 2100
    assert got[1] <= 21000


def test_a_refusal_becomes_one_sentence(call: Any, page: Page) -> None:
    error = {"place": "reset", "message": "the cause stands", "value": 66.1, "remedy": "let it cool"}
    page.route("**/api/refused", lambda route: route.fulfill(status=409, json={"error": error}))
    script = "m.get('/api/refused').catch((e) => [e.name, e.status, e.message])"
    assert call("api", script) == ["Refused", 409, "reset: the cause stands (found 66.1); let it cool."]
    page.route("**/api/broken", lambda route: route.fulfill(status=500, body="<p>"))
    assert call("api", "m.get('/api/broken').catch((e) => e.message)") == (
        "The service answered 500; look at its own window for the reason."
    )
    assert call("api", "m.path`/api/runs/${a}/marks`", "a/b?c") == "/api/runs/a%2Fb%3Fc/marks"


def test_no_answer_in_time_and_no_service_are_told_apart(call: Any, page: Page) -> None:
    page.route("**/api/slow", lambda route: None)
    page.route("**/api/gone", lambda route: route.abort())
    script = "m.get('/api/slow', {waitMs: 600}).catch((e) => e.message)"
    assert call("api", script) == "The service did not answer within 1 s."
    assert call("api", "m.get('/api/gone').catch((e) => e.message)") == "The service cannot be reached."
    given_up = """(async () => { const c = new AbortController(); setTimeout(() => c.abort(), 20);
      return m.get("/api/slow", { signal: c.signal }).catch((e) => e.name); })()"""
    assert call("api", given_up) == "AbortError", "what the page itself gave up is no failure to tell"


def test_a_forecast_is_one_sentence(call: Any) -> None:
    forecasts = [
        None,
        {"words": "Crosses 60 °C in about 48 min."},
        {"time_to_limit_s": {"value": 2880, "low": 2400, "high": 3600}, "steady_state_c": None},
        {"time_to_limit_s": None, "steady_state_c": [58.2, 56.9, 59.5]},
        {
            "time_to_limit_s": None,
            "steady_state_c": None,
            "reason": "the data changed regime; learning again",
        },
    ]
    assert call("forecast", "a.map(m.forecastWords)", forecasts) == [
        "",
        "Crosses 60 °C in about 48 min.",
        f"As it stands, it crosses the limit in about 48{NARROW}min (40{NARROW}min to 60{NARROW}min)",
        f"As it stands, it settles at about 58.2{NARROW}°C (56.9{NARROW}°C to 59.5{NARROW}°C)",
        "the data changed regime; learning again",
    ]
