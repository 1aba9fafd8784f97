"""What a report says of alarms: each that was raised, how many there were to answer, what was foreseen."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

from daq.study.html_parts import table
from daq.study.summary import clock_words, duration_words

__all__ = ["alarm_part", "forecast_part", "forecast_words", "load_rows"]


def alarm_part(body: Mapping[str, Any]) -> str:
    """The alarms of a review, and their rates."""
    rows = [
        [
            clock_words(line["first_at_s"]),
            line["priority"],
            line["cause"],
            duration_words(line["standing_s"]),
            str(line["raised"]),
            line["state"].replace("_", " "),
        ]
        for line in body["alarm_summary"]
    ]
    caption = "Alarms" + (", computed from the samples" if body["alarms_recomputed"] else "")
    if not rows:
        return f"<section><h2>{caption}</h2><p>None.</p></section>"
    headings = ["First at", "Priority", "Cause", "Stood for", "Raised", "At the end"]
    out = table(headings, rows, caption, numeric=3)
    return out + table(
        ["Measure", "This run", "Aim"], load_rows(body["alarm_load"]), "Alarm rates by EEMUA 191"
    )


def load_rows(load: Mapping[str, Any]) -> list[list[str]]:
    """Measure, this run's, and what EEMUA 191 and ANSI/ISA-18.2 aim at."""
    rate = "shorter than ten minutes"
    if load["per_10_min"] is not None:
        rate = f"{load['per_10_min']:.2g}: {load['rating']}"
    shares = load["priority_share"]
    split = " / ".join(f"{100 * shares.get(p, 0.0):.0f}" for p in ("low", "medium", "high", "critical"))
    loudest = ", ".join(f"{x['alarm']} ({x['raised']})" for x in load["loudest"][:5])
    return [
        ["Raised in ten minutes, on average", rate, "1 very likely acceptable, 2 manageable at most"],
        ["Most in any ten minutes", str(load["most_in_10_min"]), "10; more are a flood"],
        ["Time in flood", percent_words(load["flood_share"]), "below 1 %"],
        ["Chattering: three or more in a minute", ", ".join(load["chattering"]) or "none", "none"],
        ["Standing for more than a day", ", ".join(load["stale"]) or "none", "fewer than 5"],
        ["Low / medium / high / critical, %", split, "about 80 / 15 / 5, high and critical together"],
        ["Most frequent", loudest, "ten together below 5 %; a bench of few alarms can not reach it"],
    ]


def percent_words(share: float) -> str:
    """A share in percent, to two digits and never as a power of ten: ``0.85 %``, ``12 %``, ``100 %``."""
    percent = 100.0 * share
    return f"{percent:.0f} %" if percent >= 9.95 else f"{percent:.2g} %"


def forecast_part(body: Mapping[str, Any]) -> str:
    """What was foreseen against what happened: did the bands hold, did warnings come, how far off it was."""
    told = body["hindsight"]
    if not told["stretches"]:
        return ""
    lead = (
        "A forecast speaks of present conditions, so it is judged only for as long as nobody changed them. "
        "Bands are the 5 and 95 % points."
    )
    bands = forecast_words(body["forecasts_checked"])
    out = [
        f"<section><h2>Forecasts against what happened</h2><p>{lead}</p><p>{escape(bands)}</p></section>",
        table(
            ["Warned at", "What came of it", "Lead"], _warning_rows(told["warnings"]), "Warnings", numeric=1
        ),
    ]
    if told["missed"]:
        at = ", ".join(clock_words(t) for t in told["missed"])
        out.append(f"<p><strong>No warning stood before the limit was crossed at {escape(at)}.</strong></p>")
    times, ends = _stretch_rows(told["stretches"])
    headings = ["At", "Time to the limit, said", "Band", "It was", "Error"]
    out.append(table(headings, times, "Time to the limit", numeric=4))
    headings = ["At", "Of the rise", "Settles at, said", "Band", "It settled at", "Error"]
    out.append(table(headings, ends, "Settling temperature", numeric=5))
    if not (times or ends or told["warnings"]):
        out.append("<p>In no stretch of it did the lye cross its limit or settle.</p>")
    return "".join(out)


def forecast_words(checked: Mapping[str, Any]) -> str:
    """How often the bands of all forecasts held."""
    if not checked["made"]:
        return ""
    if not checked["checked"]:
        return f"Of {checked['made']} forecasts none could be checked: something was changed before."
    return (
        f"Of {checked['made']} forecasts of the time to the limit {checked['checked']} could be checked; in "
        f"{checked['held']} of them what came lay in the band, which should hold {100 * checked['band']:.0f} "
        "of a hundred."
    )


def _warning_rows(warnings: list[Mapping[str, Any]]) -> list[list[str]]:
    return [
        [clock_words(w["raised_s"]), w["words"], "–" if w["lead_s"] is None else duration_words(w["lead_s"])]
        for w in warnings
    ]


def _stretch_rows(stretches: list[Mapping[str, Any]]) -> tuple[list[list[str]], list[list[str]]]:
    times: list[list[str]] = []
    ends: list[list[str]] = []
    for stretch in stretches:
        for x in stretch["said"]:
            known = x["said_s"] is not None
            times.append(
                [
                    clock_words(x["at_s"]),
                    duration_words(x["said_s"]) if known else "not reached",
                    _band(x["low_s"], x["high_s"], duration_words, "never"),
                    duration_words(x["true_s"]),
                    f"{100 * x['error']:+.0f} %" if known else "–",
                ]
            )
        for x in stretch["settling"]:
            known = x["said_c"] is not None
            ends.append(
                [
                    clock_words(x["at_s"]),
                    f"{100 * x['share']:.0f} %",
                    f"{x['said_c']:.1f} °C" if known else "does not settle",
                    _band(x["low_c"], x["high_c"], lambda v: f"{v:.1f} °C", "beyond"),
                    f"{stretch['settled_c']:.1f} °C",
                    f"{x['error_c']:+.1f} K" if known else "–",
                ]
            )
    return times, ends


def _band(low: float | None, high: float | None, words: Any, without: str) -> str:
    if low is None:
        return "–"
    return f"{words(low)} to {without if high is None else words(high)}"
