"""What the fake service says of its bench, a jewellery workshop's water torch: computed, nothing random."""

from __future__ import annotations

import math
import statistics
from datetime import UTC, datetime, timedelta
from typing import Any

__all__ = ["BENCH", "CHANNELS", "START", "assessment", "channel_value", "number_value", "stamp"]

START = datetime(2025, 3, 4, 9, 30, 0, tzinfo=UTC)
REFERENCE = "0 °C, 101.325 kPa"

CHANNELS = ("volts", "amps", "lye_temp", "room_temp", "gas_flow", "gas_temp", "relay")
UNITS = {
    "volts": "V",
    "amps": "A",
    "lye_temp": "degC",
    "room_temp": "degC",
    "gas_flow": "L/min",
    "gas_temp": "degC",
    "relay": "1",
}
LIMITS: dict[str, dict[str, float | None]] = {
    "lye_temp": {"warn": 50.0, "high": 60.0, "trip": 65.0, "low_warn": None, "low_trip": None},
    "amps": {"warn": None, "high": 28.0, "trip": None, "low_warn": None, "low_trip": None},
}
NUMBERS = {
    "power_w": ("Power", "W", "True mean power, the mean of volts times amps."),
    "volts": ("Stack voltage", "V", "Mean over the window."),
    "amps": ("Current", "A", "Mean over the window."),
    "cell_volts": ("Volts a cell", "V", "Stack voltage over the number of cells in series."),
    "lye_temp": ("Lye temperature", "degC", "Mean over the window."),
    "flow_as_read_lpm": ("Gas flow as read", "L/min", "What the meter says: wet, at room conditions."),
    "flow_dry_ref_lpm": (
        "Gas flow, dry at reference",
        "L/min",
        "Steam taken out and reduced to the reference.",
    ),
    "mmw_as_read": ("MMW as read", "mL/min/W", "As people quote it; not comparable between benches."),
    "mmw_dry_ref": ("MMW, dry at reference", "mL/min/W", "Comparable between benches."),
    "faradaic_efficiency": ("Faradaic efficiency", "1", "Dry gas over the gas the current could make."),
    "leak_amps": ("Mean leak current", "A", "Current that made no gas."),
    "mmw_ceiling_faraday": (
        "Ceiling at this voltage",
        "mL/min/W",
        "Every electron makes gas at this cell voltage.",
    ),
    "mmw_ceiling_thermoneutral": ("Thermoneutral ceiling", "mL/min/W", "At 1.481 V a cell."),
    "mmw_ceiling_reversible": ("Reversible ceiling", "mL/min/W", "A reading above this is impossible."),
    "heat_w": ("Heat", "W", "Power that became neither gas nor vapour."),
}
OF_GAS = (
    "flow_as_read_lpm",
    "flow_dry_ref_lpm",
    "mmw_as_read",
    "mmw_dry_ref",
    "faradaic_efficiency",
    "leak_amps",
)
"""What is not known without a flow meter."""
BENCH: dict[str, Any] = {
    "name": "water-torch",
    "description": "Soldering torch of a jewellery workshop, bench by the north window",
    "simulated": False,
    "stack": {
        "name": "six-gap dry cell",
        "build": "A: plates as cut",
        "cells": 6,
        "electrolyte": "KOH",
        "mass_fraction": 0.2,
        "litres": 1.1,
        "plate_area_cm2": 150.0,
    },
    "supply": {"mode": "constant_voltage", "volts_set": 13.2, "volts_max": 14.5, "amps_max": 30.0},
    "site": {"altitude_m": 240.0, "room_temp_c": 21.0},
    "channels": [
        {"name": name, "unit": UNITS[name], "source": "head", "limits": LIMITS.get(name)} for name in CHANNELS
    ],
    "numbers": [
        {"key": key, "label": label, "unit": unit, "help": text}
        for key, (label, unit, text) in NUMBERS.items()
    ],
    "reference": REFERENCE,
    "cautions": [
        "The gas is hydrogen and oxygen already mixed: it can detonate from a spark too small to see.",
        "Lye burns skin and blinds eyes: goggles and gloves on, an eye-wash at hand.",
        "The supply can start fires: fuse it, and wire a thermal cut-out in series with it.",
        "This program is one layer of protection and never the only one.",
        "Local codes come first; have a licensed electrician check mains work.",
    ],
}


def stamp(seconds: float) -> str:
    """UTC text `seconds` after the fake run's start."""
    moment = START + timedelta(seconds=seconds)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def channel_value(name: str, t: float) -> float:
    """A channel's value at `t` seconds of the run: warming towards 62 degC, with a small ripple."""
    temp = 62.0 - 40.0 * math.exp(-t / 900.0) + 0.05 * math.sin(t)
    amps = 7.0 + 0.12 * (temp - 22.0) + 0.05 * math.sin(2.1 * t)
    return {
        "lye_temp": temp,
        "amps": amps,
        "volts": 13.2 - 0.02 * amps + 0.01 * math.sin(3.0 * t),
        "room_temp": 21.0 + 0.2 * math.sin(t / 300.0),
        "gas_flow": amps * 0.0627 * 0.9 + 0.01 * math.sin(1.3 * t),
        "gas_temp": 24.0 + 0.1 * (temp - 22.0),
        "relay": 1.0,
    }[name]


def number_value(key: str, t: float) -> tuple[float, float]:
    """A computed number and its expanded uncertainty at `t` seconds."""
    volts, amps, flow = (channel_value(name, t) for name in ("volts", "amps", "gas_flow"))
    power = volts * amps
    dry = flow * 0.885
    values = {
        "power_w": (power, 0.02 * power),
        "volts": (volts, 0.086),
        "amps": (amps, 0.13),
        "cell_volts": (volts / 6, 0.015),
        "lye_temp": (channel_value("lye_temp", t), 0.58),
        "flow_as_read_lpm": (flow, 0.032),
        "flow_dry_ref_lpm": (dry, 0.041),
        "mmw_as_read": (1000 * flow / power, 0.17),
        "mmw_dry_ref": (1000 * dry / power, 0.2),
        "faradaic_efficiency": (dry / (amps * 0.0627), 0.049),
        "leak_amps": (amps * (1 - dry / (amps * 0.0627)), 0.41),
        "mmw_ceiling_faraday": (10.449 / (volts / 6), 0.02),
        "mmw_ceiling_thermoneutral": (7.056, 0.001),
        "mmw_ceiling_reversible": (8.51, 0.001),
        "heat_w": (power * 0.42, 9.0),
    }
    return values[key]


def assessment(run: str, t: float) -> dict[str, Any]:
    """The assessment event at `t` seconds."""
    numbers: dict[str, dict[str, Any]] = {}
    for key, (_label, unit, _help) in NUMBERS.items():
        value, u95 = number_value(key, t)
        numbers[key] = {"value": round(value, 6), "u95": u95, "unit": unit}
    return {
        "run": run,
        "t": round(t, 3),
        "utc": stamp(t),
        "window_s": 30,
        "reference": REFERENCE,
        "numbers": numbers,
        "findings": [
            {
                "code": "gas_missing",
                "text": "The stack makes 20 % less gas than its current could.",
                "causes": [
                    "current leaks past the plates through ports and slots",
                    "a gas leak before the meter",
                    "the meter reads low",
                ],
            }
        ],
        "assumptions": [
            "No channel room_pressure: pressure taken from the altitude, 240 m.",
            "Meter gas factor 1 ± 0.02.",
        ],
        "forecast": None,
    }


def fill(number: int, volume_ml: float, seconds: float) -> dict[str, Any]:
    """A kept fill as the API gives it."""
    flow = 0.06 * volume_ml / seconds
    numbers = {
        "flow_as_read_lpm": (flow, 0.018 * flow, "L/min", "Gas flow as read"),
        "flow_dry_ref_lpm": (0.877 * flow, 0.0175 * flow, "L/min", "Dry gas flow"),
        "mmw_as_read": (1000 * flow / 231.0, 0.13, "mL/min/W", "MMW as read"),
        "mmw_dry_ref": (877 * flow / 231.0, 0.12, "mL/min/W", "MMW dry"),
        "faradaic_efficiency": (0.877 * flow / 1.2544, 0.021, "1", "Faradaic efficiency"),
        "leak_amps": (1.52, 0.43, "A", "Leak current"),
        "meter_factor": (0.972, 0.025, "1", "Meter factor"),
    }
    return {
        "id": number,
        "stopped_utc": stamp(600.0 + 60.0 * number),
        "run": "20250304-093000",
        "t_s": 600.0,
        "build": "A: plates as cut",
        "who": "Ada",
        "note": "",
        "volume_ml": volume_ml,
        "seconds": seconds,
        "numbers": {
            key: {"value": value, "u95": u95, "unit": unit, "label": label}
            for key, (value, u95, unit, label) in numbers.items()
        },
        "reference": REFERENCE,
        "findings": [],
        "assumptions": ["levels inside and outside taken as equal at the stop, within 20 mm"],
        "bench_file": ["[gas]", "meter_factor = 0.972     # by a timed fill: 0.972 ± 0.025"],
    }


def series_of(fills: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What several fills say together, as the API gives it."""
    if len(fills) < 2:
        return []
    numbers = {}
    for key, one in fills[0]["numbers"].items():
        values = [f["numbers"][key]["value"] for f in fills]
        spread = statistics.stdev(values)
        numbers[key] = {**one, "n": len(values), "value": statistics.mean(values), "repeatability_s": spread}
    return [{"build": fills[0]["build"], "fills": [f["id"] for f in fills], "numbers": numbers}]


def builds_of(fills: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Builds side by side, as the API gives them."""
    out: list[dict[str, Any]] = []
    for build in dict.fromkeys(f["build"] for f in fills):
        own = [f for f in fills if f["build"] == build]
        means = {
            key: {**own[0]["numbers"][key], "n": len(own), "repeatability_s": None, "student_t": None}
            for key in own[0]["numbers"]
        }
        words = "-4.0 ± 3.1 % against A: one day each can not tell the build from the day"
        out.append(
            {
                "build": build,
                "fills": [f["id"] for f in own],
                "days": 1,
                "means": means,
                "difference": {"from": "A", "value": -0.04, "u95": 0.031, "told": False, "words": words}
                if out
                else None,
            }
        )
    return out
