"""The review of a made run: phases, totals, limits, alarms, gaps, and their words."""

from __future__ import annotations

import itertools
import json
import math
from functools import cache
from typing import Any

import numpy as np
import pytest

from daq.bench import Bench
from daq.forecast import Forecaster
from daq.frame import NO_SEQ, Block, Status
from daq.measure import NUMBERS
from daq.store import AlarmTransition, Mark, RunRecord, TripRecord
from daq.study.review import SCHEMA, Review, review, summary_text
from tests.study.made_run import OFF_S, torch, workshop_run
from tests.watch.workshop import HZ, LPM_PER_AMP, S, bench, run_of

RECORD = RunRecord(
    "20260711-101500", "water-torch", "run", "first light", "A: plates as cut", 1_783_764_900 * S
)


@cache
def reviewed() -> Review:
    return review(
        torch(),
        workshop_run(),
        record=RECORD,
        marks=[Mark(1, RECORD.id, 600 * S, "note", "topped up 100 mL", "Ana")],
        trips=[TripRecord(0, RECORD.id, int(OFF_S * S), "person", "stop pressed", None, "Ana")],
        links={"head": {"good": 71_600, "bad_crc": 2, "malformed": 0}},
    )


def body() -> dict[str, Any]:
    return reviewed().as_dict()


def test_it_is_json_with_a_version() -> None:
    text = json.dumps(body(), allow_nan=False)
    assert json.loads(text)["schema"] == SCHEMA == "lyewatch.review/1"
    keys = (
        "duration_s totals phases numbers channels limits alarms warnings forecasts gaps bad_values links "
        "marks trips findings assumptions reference"
    )
    assert set(keys.split()) <= set(body())


def test_phases_are_told_from_the_data() -> None:
    phases = [(p["phase"], p["from_s"], p["to_s"]) for p in body()["phases"]]
    names = [name for name, _, _ in phases]
    # The one missing window stands between the two halves of the first steady stretch or of the warm-up.
    assert [n for n in names if n not in ("no data", "disturbed")][:2] == ["supply off", "warm-up"]
    at = {name: start for name, start, _ in reversed(phases)}
    assert at["supply off"] == 0.0
    assert at["warm-up"] == pytest.approx(120.0, abs=30.0)
    # 32 K exp(-t/600)/10 per minute falls below 0.1 K/min after 600 ln(32) = 2079 s
    assert at["steady"] == pytest.approx(120.0 + 2079.0, abs=120.0)
    assert at["disturbed"] == pytest.approx(3600.0, abs=60.0)
    assert at["cool-down"] == pytest.approx(OFF_S, abs=30.0)
    spans = [(a[2], b[1]) for a, b in itertools.pairwise(phases)]
    assert all(end == start for end, start in spans)


def test_totals_are_what_went_in_and_came_out() -> None:
    """12 A for 3440 s and 8 A for 1800 s at 13.2 V; water 0.3360874 g/Ah a cell (CIAAW)."""
    totals = body()["totals"]
    charge = (12.0 * (3600.0 - 120.0 - 40.0) + 8.0 * 1800.0) / 3600.0
    assert totals["charge_ah"]["value"] == pytest.approx(charge, rel=1e-3)
    assert totals["energy_wh"]["value"] == pytest.approx(13.2 * charge, rel=1e-3)
    assert totals["gas_as_read_l"]["value"] == pytest.approx(0.93 * LPM_PER_AMP * charge * 60.0, rel=1e-3)
    dry = (101.325 - 2.339) / 101.325 * 273.15 / 293.15  # over water at 20 C, IAPWS-IF97
    assert totals["gas_dry_ref_l"]["value"] == pytest.approx(
        0.93 * LPM_PER_AMP * charge * 60.0 * dry, rel=2e-3
    )
    # by the gas: 2 mol of water in 3 mol of it, 22.414 L a mole (CODATA), 18.015 g a mole
    by_gas = totals["gas_dry_ref_l"]["value"] / 22.41397 * (2.0 / 3.0) * 18.01528 / 0.9982
    assert totals["water_split_ml"]["value"] == pytest.approx(by_gas, rel=1e-3)
    assert totals["water_split_ml"]["by"] == "gas"
    assert totals["water_split_ml"]["value"] < 0.3360874 * 6 * charge / 0.9982
    assert 0.0 < totals["water_vapour_ml"]["value"] < 0.2 * totals["water_split_ml"]["value"]
    # The accuracy of amps, 1 % + 0.05 A rectangular, is one error for the whole run, the time without current
    # too, and does not average down.
    limit = 0.01 * charge + 0.05 * 7160.0 / 3600.0
    assert totals["charge_ah"]["u95"] == pytest.approx(2.0 * limit / np.sqrt(3.0), rel=0.01)


def test_means_of_a_phase_are_its_gas_over_its_energy() -> None:
    (steady, *_) = [p for p in body()["phases"] if p["phase"] == "steady"]
    numbers = steady["numbers"]
    assert list(numbers) == [n.key for n in NUMBERS]
    assert numbers["amps"]["value"] == pytest.approx(12.0, abs=0.01)
    assert numbers["mmw_as_read"]["value"] == pytest.approx(1000.0 * 0.93 * LPM_PER_AMP / 13.2, rel=1e-3)
    overall = body()["numbers"]["mmw_as_read"]["value"]
    totals = body()["totals"]
    by_totals = 1000.0 * totals["gas_as_read_l"]["value"] / 60.0 / totals["energy_wh"]["value"]
    assert overall == pytest.approx(by_totals, rel=2e-3)


def test_peak_and_time_beyond_limits() -> None:
    temp = body()["channels"]["lye_temp"]
    assert temp["max"] == 61.0
    assert temp["max_at_s"] == pytest.approx(1800.1)
    # the bench file's ± 0.5 K, rectangular, k = 2
    assert temp["max_u95"] == pytest.approx(2.0 * 0.5 / math.sqrt(3.0), rel=0.01)
    limits = {(x["channel"], x["level"]): x for x in body()["limits"]}
    assert limits["lye_temp", "high"]["samples_beyond"] == 1
    assert limits["lye_temp", "high"]["seconds_beyond"] == pytest.approx(0.1)
    assert limits["lye_temp", "trip"]["first_at_s"] is None
    # 52 - 32 exp(-t/600) passes 50 after 600 ln(16) = 1664 s; 44 + 8 exp(-t/600) falls below it after
    # 600 ln(8/6) = 173 s
    warm = limits["lye_temp", "warn"]
    assert warm["first_at_s"] == pytest.approx(120.0 + 1664.0, abs=30.0)
    assert warm["seconds_beyond"] == pytest.approx(3600.0 - 1784.0 + 173.0 - 40.0, abs=40.0)


def test_gaps_and_frames_that_never_came() -> None:
    gaps = body()["gaps"]
    assert gaps["count"] == 1
    assert gaps["list"] == [
        {"source": "head", "from_s": pytest.approx(3000.0), "seconds": pytest.approx(40.1)}
    ]
    assert gaps["missing_frames"] == {"head": 400}


def test_alarms_are_computed_when_the_logbook_has_none() -> None:
    assert body()["alarms_recomputed"]
    seen = {(t["alarm"], t["state_to"]) for t in body()["alarms"]}
    assert ("lye_temp.high", "unacknowledged") in seen
    assert ("head.lost", "returned") in seen
    load = body()["alarm_load"]
    assert load["raised"] == sum(1 for t in body()["alarms"] if t["state_to"] == "unacknowledged")


def test_recorded_alarms_are_taken_as_they_are() -> None:
    recorded = [
        AlarmTransition(
            RECORD.id, 5 * S, "lye_temp.high", "normal", "unacknowledged", "61 °C", 61.0, "", "", "high"
        )
    ]
    again = review(torch(), workshop_run(), record=RECORD, alarms=recorded).as_dict()
    assert not again["alarms_recomputed"]
    assert [(t["alarm"], t["t_s"], t["value"]) for t in again["alarms"]] == [("lye_temp.high", 5.0, 61.0)]


def test_bad_values_are_counted_by_channel() -> None:
    whole = run_of(60.0)
    codes = np.zeros(600, dtype=np.uint8)
    codes[10:13], codes[20] = Status.BAD, Status.UNCERTAIN
    lye = np.where(codes == Status.BAD, np.nan, whole.values["lye_temp"])
    made = Block("head", whole.t_ns, whole.seq, {**whole.values, "lye_temp": lye}, {"lye_temp": codes})
    result = review(bench(dict.fromkeys(whole.values, "head")), [made]).as_dict()
    assert result["bad_values"] == {"lye_temp": {"uncertain": 1, "bad": 3, "missing": 0}}


def test_sequence_numbers_that_wrap_or_start_again_are_no_holes() -> None:
    whole = run_of(60.0)
    wraps = np.arange(600) + 2**32 - 100
    wraps[300:] += 5
    seq = wraps % 2**32
    seq[500:] = np.arange(100)  # the device restarted
    made = Block("head", whole.t_ns, seq, whole.values)
    assert review(bench(), [made]).as_dict()["gaps"]["missing_frames"] == {"head": 5}
    none = Block("head", whole.t_ns, np.full(600, NO_SEQ), whole.values)
    assert review(bench(), [none]).as_dict()["gaps"]["missing_frames"] == {}


def test_findings_are_told_with_their_phase() -> None:
    n = 1200 * HZ
    flow = np.full(n, 1.4 * LPM_PER_AMP * 10.0)
    result = review(bench(), [run_of(1200.0, flow=flow)]).as_dict()
    (above,) = [f for f in result["findings"] if f["code"] == "faradaic_above_one"]
    assert above["phases"][0]["share"] > 0.9
    assert above["causes"]


def test_a_run_without_samples_is_reviewed_too() -> None:
    result = review(torch(), [], record=RECORD)
    assert result.as_dict()["duration_s"] == 0.0
    json.dumps(result.as_dict(), allow_nan=False)
    assert "none" in summary_text(result)


def test_one_sample_is_enough() -> None:
    one = run_of(0.1)
    json.dumps(review(bench(), [one]).as_dict(), allow_nan=False)


def test_the_summary_reads() -> None:
    text = summary_text(reviewed())
    wanted = (
        "20260711-101500|first light|Duration 2 h 00 min|Peak lye temperature|warm-up|steady|MMW dry|"
        "Faradaic efficiency|stop pressed|topped up 100 mL|Source head is silent|Frames that never came|"
        "0 °C, 101.325 kPa|meter gas factor assumed 1"
    )
    for words in wanted.split("|"):
        assert words in text, words
    assert max(len(line) for line in text.splitlines()) <= 130
    assert "nan" not in text
    assert "None" not in text


class Minutes:
    """Foresees what time it is."""

    def __init__(self) -> None:
        self.t_s = 0.0
        self.warnings: list[dict[str, Any]] = []
        self.weaknesses: dict[str, str] = {}

    def set_lye(self, mass_fraction: float, litres: float) -> None:
        pass

    def update(self, t_s: float, *_: float | None) -> None:
        self.t_s = t_s
        if t_s == 300.0:
            self.warnings.append({"raised_s": t_s, "cleared_s": None, "reason": "five minutes are over"})

    def forecast(self) -> dict[str, Any] | None:
        return {"time_to_limit_s": 7200.0 - self.t_s}


def _minutes(_: Bench) -> Forecaster:
    return Minutes()


def test_forecasts_come_one_a_minute_and_warnings_with_their_reason() -> None:
    result = review(bench(), [run_of(600.0)], forecaster=_minutes).as_dict()
    assert [f["at_s"] for f in result["forecasts"]] == [60.0 * k for k in range(1, 11)]
    assert result["forecasts"][4]["time_to_limit_s"] == 6900.0
    assert result["warnings"] == [{"raised_s": 300.0, "cleared_s": None, "reason": "five minutes are over"}]


def test_a_slow_log_gets_windows_that_hold_samples() -> None:
    """A row a minute: windows of 30 s would be half empty."""
    whole = workshop_run(gap=False)[0]
    rows = np.arange(599, len(whole), 600)
    slow = Block("head", whole.t_ns[rows], whole.seq[rows], {c: v[rows] for c, v in whole.values.items()})
    result = review(torch(), [slow]).as_dict()
    assert result["notes"]
    assert {"warm-up", "steady"} <= {p["phase"] for p in result["phases"]}
    assert result["totals"]["charge_ah"]["value"] == pytest.approx(
        (12.0 * 3480.0 + 8.0 * 1800.0) / 3600.0, rel=0.02
    )
