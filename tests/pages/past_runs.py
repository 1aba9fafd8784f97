"""Runs, marks, alarm transitions, series and reviews of the fake service: the same at every call."""

from __future__ import annotations

import math
from typing import Any

from tests.pages import bench_facts as facts

__all__ = [
    "DURATION_S",
    "SPIKE_AT_S",
    "alarms_of",
    "builds_of",
    "flood_of",
    "listing",
    "marks_of",
    "result_of",
    "review_of",
    "series_of",
    "whole_build",
]

DURATION_S = 3600.0
SPIKE_AT_S = 2222.0
"""One sample of volts reads 19 V here; no zoom may hide it."""


def listing() -> list[dict[str, Any]]:
    """Twelve runs, newest first; the newest is recording and one is an import."""
    runs = []
    for i in range(12):
        runs.append(
            {
                "id": f"202503{4 + i:02d}-093000",
                "name": f"Braze test {i + 1}" if i % 3 else f"Leak hunt {i + 1}",
                "build": "B: ports moved" if i % 2 else "A: plates as cut",
                "kind": "import" if i == 3 else "run",
                "bench": "water-torch",
                "start_utc": f"2025-03-{4 + i:02d}T09:30:00Z",
                "duration_s": DURATION_S,
                "state": "recording" if i == 11 else "ended",
                "peak_lye_temp": 58.0 + i if i != 5 else None,
                "alarm_count": i % 4,
                "mmw_by_fills": None,
                "fill_count": 0,
                "cut": i == 7,
                "note": "new gasket between plates 3 and 4" if i == 2 else "",
                "result": None if i >= 9 else result_of(i),
            }
        )
    return runs[::-1]


def result_of(i: int) -> dict[str, Any]:
    """What the i-th run came to."""

    def number(value: float, u95: float, unit: str) -> dict[str, Any]:
        return {"value": value, "u95": u95, "unit": unit}

    return {
        "phase": "steady",
        "duration_s": 1800.0,
        "reference": facts.REFERENCE,
        "numbers": {
            "mmw_dry_ref": number(4.1 + 0.05 * i, 0.21, "mL/min/W"),
            "flow_dry_ref_lpm": number(0.61 + 0.01 * i, 0.03, "L/min"),
            "faradaic_efficiency": number(0.93, 0.05, "1"),
        },
        "findings": ["The stack makes 20 % less gas than its current could."] if i == 3 else [],
    }


def builds_of(past: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The builds of these runs, as the list of builds has them."""
    names = dict.fromkeys(run["build"] for run in past)
    return [
        {
            "build": name,
            "description": "Laser-cut 316L, 3 mm gap" if name.startswith("A") else "",
            "runs": sum(run["build"] == name for run in past),
            "fills": 0,
            "first_utc": past[-1]["start_utc"],
            "last_utc": past[0]["start_utc"],
            "newest": next(run for run in past if run["build"] == name),
        }
        for name in names
    ]


def whole_build(name: str, past: list[dict[str, Any]], fills: list[dict[str, Any]]) -> dict[str, Any]:
    """All of a build."""
    other = next(run["build"] for run in past if run["build"] != name)
    return {
        "build": name,
        "bench": "water-torch",
        "description": "Laser-cut 316L, 3 mm gap" if name.startswith("A") else "",
        "described_by": "Ada" if name.startswith("A") else "",
        "described_utc": "2025-03-04T09:00:00Z" if name.startswith("A") else None,
        "runs": [run for run in past if run["build"] == name],
        "fills": [fill for fill in fills if fill["build"] == name],
        "calibrations": [
            {
                "channel": "lye_temp",
                "calibration": 3,
                "utc": "2025-02-01T09:00:00Z",
                "reference": "ice and boiling water",
                "who": "Ada",
                "due_utc": "2026-02-01T09:00:00Z",
            }
        ],
        "comparisons": [
            {
                "first": other,
                "second": name,
                "metric": "mmw_dry_ref",
                "kind": "better",
                "low": 0.012,
                "high": 0.061,
                "utc": "2025-03-16T09:00:00Z",
                "runs": 12,
            }
        ],
    }


def marks_of() -> list[dict[str, Any]]:
    """Marks of the fake run."""
    return [
        {"t_s": 300.0, "kind": "note", "text": "Topped up 200 mL", "who": "Ada"},
        {"t_s": 1800.0, "kind": "reopened", "text": "Port /dev/ttyUSB0 reopened after 1.2 s", "who": ""},
        {"t_s": 3000.0, "kind": "trip", "text": "Supply cut: lye_temp above 65 °C", "who": "guard"},
    ]


def alarms_of() -> list[dict[str, Any]]:
    """Alarm transitions of the fake run."""
    cause = "Lye temperature high: 60.10 °C, limit 60 °C"
    row = {"alarm": "lye_temp.high", "priority": "high", "cause": cause}
    return [
        {
            **row,
            "t_s": 2700.0,
            "from": "normal",
            "to": "unacknowledged",
            "value": 60.1,
            "who": "",
            "note": "",
        },
        {
            **row,
            "t_s": 2760.0,
            "from": "unacknowledged",
            "to": "acknowledged",
            "value": 60.9,
            "who": "Ada",
            "note": "turned down",
        },
        {
            **row,
            "alarm": "lye_temp.trip",
            "priority": "critical",
            "t_s": 3000.0,
            "from": "normal",
            "to": "unacknowledged",
            "value": 65.1,
            "who": "",
            "note": "",
        },
    ]


def flood_of() -> list[dict[str, Any]]:
    """An alarm that is raised two hundred times, every other second from 1000 s on."""
    row = {"alarm": "gas_flow.low", "priority": "low", "cause": "Gas flow low", "who": "", "note": ""}
    out = []
    for n in range(200):
        for at, before, after in ((0.0, "normal", "unacknowledged"), (1.0, "unacknowledged", "normal")):
            out.append({**row, "t_s": 1000.0 + 2.0 * n + at, "from": before, "to": after, "value": 0.1})
    return out


def series_of(run: str, asked: dict[str, str]) -> dict[str, Any]:
    """Lowest and highest of each bucket, exact for the spike."""
    points = int(asked.get("points", "2000"))
    start, end = float(asked.get("from_s") or 0), float(asked.get("to_s") or DURATION_S)
    step = (end - start) / points
    channels: dict[str, Any] = {}
    for name in asked["channels"].split(","):
        if name not in facts.CHANNELS:
            channels[name] = _number_series(name, [start + (i + 0.5) * step for i in range(points)])
            continue
        t, lo, hi = [], [], []
        for i in range(points):
            at = start + (i + 0.5) * step
            value, spread = facts.channel_value(name, at), 0.03 + 0.02 * math.sin(at / 7)
            top = 19.0 if name == "volts" and abs(at - SPIKE_AT_S) <= step / 2 else value + spread
            t.append(round(at, 4))
            lo.append(round(value - spread, 5))
            hi.append(round(top, 5))
        channels[name] = {"unit": facts.UNITS[name], "t": t, "lo": lo, "hi": hi}
    return {"run": run, "from_s": start, "to_s": end, "channels": channels}


def _number_series(name: str, times: list[float]) -> dict[str, Any]:
    pairs = [facts.number_value(name, at) for at in times]
    values, u95 = [round(v, 5) for v, _u in pairs], [u for _v, u in pairs]
    return {"unit": facts.NUMBERS[name][1], "t": times, "lo": values, "hi": values, "u95": u95}


def review_of(run: str, *, cooled: bool = False) -> dict[str, Any]:
    """A review with two phases, or with a cool-down too, in the shape of `lyewatch review --json`."""

    def phase(name: str, start: float, end: float) -> dict[str, Any]:
        middle = facts.assessment(run, (start + end) / 2)
        return {
            "phase": name,
            "from_s": start,
            "to_s": end,
            "duration_s": end - start,
            "numbers": middle["numbers"],
        }

    def total(value: float, u95: float, unit: str) -> dict[str, Any]:
        return {"value": value, "u95": u95, "unit": unit}

    assessment = facts.assessment(run, DURATION_S)
    finding = {**assessment["findings"][0], "phases": [{"phase": "steady", "from_s": 1800.0, "share": 0.94}]}
    return {
        "schema": "lyewatch.review/1",
        "run": {"id": run, "name": "Braze test"},
        "duration_s": DURATION_S,
        "powered_s": DURATION_S,
        "reference": facts.REFERENCE,
        "totals": {
            "energy_wh": total(131.2, 2.4, "Wh"),
            "gas_as_read_l": total(39.8, 0.9, "L"),
            "gas_dry_ref_l": total(35.2, 1.1, "L"),
            "water_split_ml": total(23.4, 0.3, "mL"),
        },
        "numbers": facts.assessment(run, DURATION_S / 2)["numbers"],
        "phases": [
            phase("warm-up", 0, 1800),
            phase("steady", 1800, 3000 if cooled else DURATION_S),
            *([phase("cool-down", 3000, DURATION_S)] if cooled else []),
        ],
        "channels": {
            "lye_temp": {
                "unit": "degC",
                "min": 22.0,
                "max": 65.1,
                "max_u95": 0.6,
                "max_at_s": 3000.0,
                "mean": 51.0,
            }
        },
        "limits": [
            {
                "channel": "lye_temp",
                "level": "warn",
                "limit": 50.0,
                "unit": "degC",
                "seconds_beyond": 2516.0,
                "first_at_s": 1084.0,
            },
            {
                "channel": "amps",
                "level": "high",
                "limit": 28.0,
                "unit": "A",
                "seconds_beyond": 0.0,
                "first_at_s": None,
            },
        ],
        "alarm_load": {
            "raised": 2,
            "per_10_min": 0.333,
            "rating": "very likely acceptable",
            "most_in_10_min": 2,
            "flood_share": 0.0,
            "chattering": [],
            "stale": [],
            "by_priority": {"high": 1, "critical": 1},
            "priority_share": {"high": 0.5, "critical": 0.5},
            "loudest": [{"alarm": "lye_temp.high", "raised": 1}, {"alarm": "lye_temp.trip", "raised": 1}],
            "loudest_share": 1.0,
        },
        "forecasts_checked": {"made": 60, "checked": 25, "held": 23, "band": 0.9, "list": []},
        "hindsight": {
            "stretches": [
                {
                    "outcome": "crossed",
                    "crossed_at_s": 2700.0,
                    "settled_c": None,
                    "said": [
                        {
                            "left_s": 1200.0,
                            "at_s": 1500.0,
                            "true_s": 1200.0,
                            "said_s": 1320.0,
                            "low_s": 1080.0,
                            "high_s": None,
                            "error": 0.1,
                        }
                    ],
                    "settling": [],
                }
            ],
            "warnings": [
                {
                    "raised_s": 900.0,
                    "outcome": "crossed",
                    "lead_s": 1800.0,
                    "crossed_at_s": 2700.0,
                    "words": "the limit was crossed",
                }
            ],
            "missed": [],
        },
        "gaps": {
            "count": 1,
            "seconds": 1.2,
            "list": [{"source": "head", "from_s": 1798.8, "seconds": 1.2}],
            "missing_frames": {"head": 12},
        },
        "bad_values": {"gas_flow": {"uncertain": 4, "bad": 1, "missing": 0}},
        "findings": [finding],
        "assumptions": assessment["assumptions"],
        "notes": [],
    }
