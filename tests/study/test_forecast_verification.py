"""Forecasts held against what happened, on runs whose course is given by a formula.

The lye follows the lumped step response ``T = T0 + (Tend - T0)(1 - exp(-t/tau))`` (Incropera and DeWitt,
Fundamentals of Heat and Mass Transfer, lumped capacitance), so the instant at which it crosses a limit, and
where it settles, are known in closed form.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from daq.bench import Bench
from daq.forecast import Forecaster
from daq.study.review import html_report, review
from daq.study.review.summary import summary_text
from tests.study.made_run import torch
from tests.watch.workshop import HZ, run_of

T0, TAU = 22.0, 900.0


class Seer:
    """Says what is given, with a stated error; warns at `warns_s`."""

    def __init__(
        self, end_c: float, limit_c: float, share: float, off_k: float, warns_s: float | None
    ) -> None:
        self.end_c, self.limit_c, self.share, self.off_k, self.warns_s = end_c, limit_c, share, off_k, warns_s
        self.t_s = 0.0
        self.warnings: list[dict[str, Any]] = []
        self.weaknesses: dict[str, str] = {}

    def set_lye(self, mass_fraction: float, litres: float) -> None:
        pass

    def update(self, t_s: float, *_: float | None) -> None:
        self.t_s = t_s
        if self.warns_s is not None and t_s == self.warns_s:
            self.warnings.append(
                {"raised_s": t_s, "cleared_s": None, "reason": "does not settle", "numbers": {}}
            )

    def forecast(self) -> dict[str, Any] | None:
        crosses = crossing_s(self.end_c, self.limit_c)
        left = None if crosses is None else (1.0 + self.share) * (crosses - self.t_s)
        return {
            "limit_c": self.limit_c,
            "time_to_limit_s": left,
            "time_to_limit_low_s": None if left is None else 0.8 * left,
            "time_to_limit_high_s": None,
            "steady_state_c": self.end_c + self.off_k,
            "steady_state_low_c": self.end_c - 2.0,
            "steady_state_high_c": self.end_c + 2.0,
        }


def crossing_s(end_c: float, limit_c: float) -> float | None:
    return -TAU * math.log(1.0 - (limit_c - T0) / (end_c - T0)) if end_c > limit_c else None


def course(end_c: float, seconds: float) -> Any:
    t = (np.arange(round(seconds * HZ)) + 1) / HZ
    return T0 + (end_c - T0) * (1.0 - np.exp(-t / TAU))


def reviewed(end_c: float, seconds: float, seer: Seer, amps: Any = 10.0) -> Any:
    def make(_: Bench) -> Forecaster:
        return seer

    lye = course(end_c, seconds)
    blocks = [run_of(seconds, lye=lye, amps=amps, extra={"room_temp": np.full(lye.size, 20.0)})]
    return review(torch(), blocks, forecaster=make), blocks


def test_the_time_that_was_said_is_held_against_the_time_there_was() -> None:
    end_c, limit_c = 80.0, 60.0
    true_s = crossing_s(end_c, limit_c)
    assert true_s is not None
    made, blocks = reviewed(end_c, 1500.0, Seer(end_c, limit_c, 0.10, 0.0, 420.0))
    verification = made.as_dict()["hindsight"]
    (stretch,) = verification["stretches"]
    assert stretch["outcome"] == "crossed"
    # between two means over 30 s, in which the curve bends
    assert stretch["crossed_at_s"] == pytest.approx(true_s, abs=1.0)
    assert [x["left_s"] for x in stretch["said"]] == [600.0, 300.0]
    for x in stretch["said"]:
        assert x["true_s"] == pytest.approx(true_s - x["at_s"], abs=1.0)
        assert x["error"] == pytest.approx(0.10, abs=0.01)
        assert x["high_s"] is None
    (warning,) = verification["warnings"]
    assert (warning["outcome"], warning["words"]) == ("crossed", "the limit was crossed")
    assert warning["lead_s"] == pytest.approx(true_s - 420.0, abs=1.0)
    assert verification["missed"] == []
    page, text = html_report(made, blocks), summary_text(made)
    for words in ("Forecasts against what happened", "+10 %", " to never", "Alarm rates by EEMUA 191"):
        assert words in page
    assert "it came to: the limit was crossed" in text
    assert "in ten minutes on average" in text
    # both tellings go by one and the same crossing
    checked = made.as_dict()["forecasts_checked"]
    assert checked["list"]
    for f in checked["list"]:
        assert f["at_s"] + f["came_s"] == pytest.approx(stretch["crossed_at_s"], abs=0.5)
    assert page.count("Forecasts against what happened") == 1
    assert f"{checked['held']} of them what came lay in the band" in page
    assert f"In {checked['held']} of {checked['checked']} forecasts" in text


def test_a_crossing_without_a_warning_is_missed_and_said() -> None:
    made, blocks = reviewed(80.0, 1500.0, Seer(80.0, 60.0, 0.0, 0.0, None))
    (at,) = made.as_dict()["hindsight"]["missed"]
    assert at == pytest.approx(crossing_s(80.0, 60.0), abs=1.0)
    assert "No warning stood before the limit was crossed" in html_report(made, blocks)


def test_where_it_settles_is_held_against_what_was_said_on_the_way() -> None:
    end_c = 52.0
    made, blocks = reviewed(end_c, 7200.0, Seer(end_c, 60.0, 0.0, 3.0, 600.0))
    (stretch,) = made.as_dict()["hindsight"]["stretches"]
    assert (stretch["outcome"], stretch["crossed_at_s"]) == ("settled", None)
    assert stretch["settled_c"] == pytest.approx(end_c, abs=0.1)
    assert [x["share"] for x in stretch["settling"]] == [0.3, 0.5]
    for x in stretch["settling"]:
        # 30 % of the rise is reached at tau ln(1/0.7), 50 % at tau ln 2
        assert x["at_s"] == pytest.approx(-TAU * math.log(1.0 - x["share"]), abs=95.0)
        assert x["error_c"] == pytest.approx(3.0, abs=0.1)
    (warning,) = made.as_dict()["hindsight"]["warnings"]
    assert warning["outcome"] == "settled"
    assert "it settled at 52.0 °C, below the limit" in html_report(made, blocks)


def test_a_forecast_is_not_blamed_for_what_a_person_changed() -> None:
    amps = np.full(1500 * HZ, 10.0)
    amps[600 * HZ :] = 5.0
    made, blocks = reviewed(80.0, 1500.0, Seer(80.0, 75.0, 0.0, 0.0, 300.0), amps=amps)
    verification = made.as_dict()["hindsight"]
    assert verification["stretches"][0]["outcome"] == "disturbed"
    (warning,) = verification["warnings"]
    assert (warning["outcome"], warning["lead_s"]) == ("changed", None)
    assert "then: disturbed" in warning["words"]
    assert all(s["said"] == [] for s in verification["stretches"])
    assert "then: disturbed" in html_report(made, blocks)


def test_without_forecasts_nothing_is_said() -> None:
    blocks = [run_of(300.0)]
    made = review(torch(), blocks)
    assert made.as_dict()["hindsight"] == {"stretches": [], "warnings": [], "missed": []}
    assert "Forecasts against" not in html_report(made, blocks)
