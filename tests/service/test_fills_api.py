"""Timed fills over a real reader: start, stop, drop, list; and a calibration that new runs use."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from daq.bench import Bench, Calibration
from daq.physics.faraday import faradaic_efficiency, reference_condition
from daq.physics.moist_gas import pressure_from_altitude, psat_water
from daq.quantity import fit_curve
from daq.store import Store
from daq.study.calibration.channel_calibration import keep
from tests.service.conftest import Rig


def test_a_fill_is_averaged_over_its_very_time(rig: Rig) -> None:
    run = rig.recording()
    rig.until(lambda: rig.get("/api/state")["run"]["elapsed_s"] > 2.0, "some seconds")
    assert rig.get("/api/fills") == {"open": None, "fills": [], "series": [], "builds": []}
    started = rig.post("/api/fills/start", {"volume_ml": 20.0, "volume_error_ml": 0.2, "who": "Ada"})
    assert started["open"]["run"] == run
    assert rig.get("/api/state")["fill"] == started["open"]
    refused = rig.post("/api/fills/start", {"volume_ml": 20.0}, status=409)
    assert "has been running since" in refused["error"]["message"]

    rig.fields["watts"] = 192.0  # twice the power from half way on
    first = rig.get("/api/state")["run"]["elapsed_s"]
    rig.until(lambda: rig.get("/api/state")["run"]["elapsed_s"] > first + 1.0, "a second")
    rig.fields["watts"] = 96.0
    rig.until(lambda: rig.get("/api/state")["run"]["elapsed_s"] > first + 2.0, "another second")
    fill = rig.post("/api/fills/stop", {"gas_temp_c": 21.0, "who": "Ada", "note": "first"})["fill"]

    assert rig.get("/api/state")["fill"] is None
    assert (fill["run"], fill["who"], fill["note"]) == (run, "Ada", "first")
    assert fill["seconds"] > 1.5
    numbers = fill["numbers"]
    flow = 20.0 / fill["seconds"] * 0.06
    assert numbers["flow_as_read_lpm"]["value"] == pytest.approx(flow, rel=1e-9)
    kpa = float(pressure_from_altitude(240.0))
    dry = flow * (kpa - float(psat_water(21.0))) / 101.325 * 273.15 / 294.15
    assert numbers["flow_dry_ref_lpm"]["value"] == pytest.approx(dry, rel=1e-6)
    # 8 A all the while, by six cells
    efficiency = float(faradaic_efficiency(dry, 8.0, 6, reference=reference_condition("0C_101.325kPa")))
    assert numbers["faradaic_efficiency"]["value"] == pytest.approx(efficiency, rel=1e-6)
    # the mean of two powers, and not the power of one instant
    watts = 1000.0 * flow / numbers["mmw_as_read"]["value"]
    assert 96.5 < watts < 191.5
    # the meter reads 0.6 L/min at 22 degC; the fill says what it should have been
    meter = 0.6 * (kpa - float(psat_water(22.0))) / 101.325 * 273.15 / 295.15
    assert numbers["meter_factor"]["value"] == pytest.approx(dry / meter, rel=1e-3)
    assert fill["bench_file"][0] == "[gas]"
    written = tomllib.loads(fill["bench_file"][1])["meter_factor"]
    assert written == pytest.approx(dry / meter, abs=0.001)
    assert rig.get("/api/fills")["fills"] == [fill]
    assert rig.get("/api/fills", run=run)["fills"] == [fill]
    assert rig.get("/api/fills", run="other")["fills"] == []

    # a second one, and what the two say together
    rig.post("/api/fills/start", {"volume_ml": 20.0})
    begun = rig.get("/api/state")["run"]["elapsed_s"]
    rig.until(lambda: rig.get("/api/state")["run"]["elapsed_s"] > begun + 0.5, "half a second")
    second = rig.post("/api/fills/stop", {"gas_temp_c": 21.0})["fill"]
    answer = rig.get("/api/fills")
    assert [f["id"] for f in answer["fills"]] == [second["id"], fill["id"]]
    (series,) = answer["series"]
    assert (series["build"], series["fills"]) == (fill["build"], [fill["id"], second["id"]])
    flows = [f["numbers"]["flow_dry_ref_lpm"]["value"] for f in (fill, second)]
    dry_flow = series["numbers"]["flow_dry_ref_lpm"]
    assert dry_flow["value"] == pytest.approx(sum(flows) / 2.0)
    assert dry_flow["repeatability_s"] == pytest.approx(abs(flows[0] - flows[1]) / 2.0**0.5)
    assert dry_flow["unit"] == "L/min"
    # the second was stopped too late: it goes out of the logbook again
    assert rig.post(f"/api/fills/{second['id']}/forget", {"who": "Ada"}) == {"ok": True}
    left = rig.get("/api/fills")
    assert (left["open"], left["fills"], left["series"]) == (None, [fill], [])
    gone = rig.post(f"/api/fills/{second['id']}/forget", {"who": "Ada"}, status=409)
    assert "no such fill" in gone["error"]["message"]


def test_a_stop_that_is_refused_keeps_its_time(rig: Rig) -> None:
    rig.recording()
    rig.until(lambda: rig.get("/api/state")["run"]["elapsed_s"] > 1.0, "some seconds")
    rig.post("/api/fills/start", {"volume_ml": 5.0})
    begun = rig.get("/api/state")["run"]["elapsed_s"]
    rig.until(lambda: rig.get("/api/state")["run"]["elapsed_s"] > begun + 0.5, "half a second")
    refused = rig.post("/api/fills/stop", {"gas_temp_c": 100.0}, status=422)
    assert "all but steam" in refused["error"]["message"]
    stopped = rig.get("/api/fills")["open"]["stopped_t_s"]
    rig.until(lambda: rig.get("/api/state")["run"]["elapsed_s"] > begun + 2.0, "time to go on")
    fill = rig.post("/api/fills/stop", {"gas_temp_c": 20.0})["fill"]
    assert fill["seconds"] == pytest.approx(stopped - fill["t_s"], rel=1e-9)


def test_a_fill_can_be_dropped_and_ends_with_its_run(rig: Rig) -> None:
    rig.recording()
    rig.until(lambda: rig.get("/api/health")["journal_rows"], "data")
    rig.post("/api/fills/start", {"volume_ml": 5.0})
    rig.post("/api/fills/drop", {"who": "Ada"})
    assert rig.get("/api/fills")["open"] is None
    assert "no fill is running" in rig.post("/api/fills/stop", {}, status=409)["error"]["message"]
    rig.post("/api/fills/start", {"volume_ml": 5.0})
    second = rig.post("/api/runs", {"name": "next", "who": "Ada"})["run"]
    rig.until(lambda: (rig.get("/api/state")["run"] or {}).get("id") == second, "the next run")
    assert rig.get("/api/state")["fill"] is None, "there is no run left to average it over"
    assert rig.get("/api/fills")["fills"] == []


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ({}, 422),
        ({"volume_ml": -5}, 422),
        ({"volume_ml": 500, "seal": "oil"}, 422),
        ({"volume_ml": 500, "colour": "red"}, 422),
    ],
)
def test_what_can_not_be_a_fill_is_refused_at_the_start(
    rig: Rig, body: dict[str, object], status: int
) -> None:
    rig.recording()
    rig.post("/api/fills/start", body, status=status)
    assert rig.get("/api/fills")["open"] is None


def test_an_open_fill_outlives_the_service(bench: Bench) -> None:
    from daq.service.live import Live

    before = Live(bench)
    before.keeper.start()
    before.set_fill({"run": "r", "t_s": 1.0})
    before.keeper.close(60.0)
    after = Live(bench)
    after.keeper.start()
    assert after.keeper.wait_open(60.0) is not None
    assert after.open_fill == {"run": "r", "t_s": 1.0}
    after.keeper.close()


def test_a_new_run_uses_the_newest_calibration_and_says_so(rig: Rig, tmp_path: Path) -> None:
    first = rig.recording()
    spec = rig.bench.channels["volts"]
    curve = fit_curve([0.0, 6.0, 12.0, 14.0], [0.1, 6.1, 12.1, 14.1], [0.01] * 4).curve
    with Store(rig.bench.store_folder) as store:
        # made in 2024, due again in 2025
        made = Calibration(
            "volts",
            spec.field,
            "V",
            curve,
            1_717_200_000_000_000_000,
            "Ada",
            "meter 7",
            1_740_787_200_000_000_000,
        )
        keep(store, rig.bench, made)
    second = rig.post("/api/runs", {"name": "calibrated", "who": "Ada"})["run"]
    rig.until(lambda: (rig.get("/api/state")["run"] or {}).get("elapsed_s", 0.0) > 3.0, "the new run")

    def shown_live() -> bool:
        last = rig.get("/api/recent", seconds=10)["assessments"]
        return bool(last) and any("calibration 1 of 2024-06-01" in t for t in last[-1]["assumptions"])

    rig.until(shown_live, "the assumption")
    last = rig.get("/api/recent", seconds=10)["assessments"][-1]
    assert last["numbers"]["volts"]["value"] == pytest.approx(12.1, abs=1e-6)
    assert [f["code"] for f in last["findings"]].count("calibration_overdue") == 1
    review = rig.get(f"/api/runs/{second}/review")
    assert review["calibrations"]["volts"]["reference"] == "meter 7"
    assert review["channels"]["volts"]["mean"] == pytest.approx(12.1, abs=1e-6)
    # worked out again, both ways, and nothing of either is lost
    plain = rig.get(f"/api/runs/{second}/review", calibration="none")
    assert plain["channels"]["volts"]["mean"] == pytest.approx(12.0, abs=1e-6)
    assert plain["calibrations"] == {}
    old = rig.get(f"/api/runs/{first}/review")
    assert old["channels"]["volts"]["mean"] == pytest.approx(12.0, abs=1e-6)
    again = rig.get(f"/api/runs/{first}/review", calibration="newest")
    assert again["channels"]["volts"]["mean"] == pytest.approx(12.1, abs=1e-6)
    assert any("worked out again with calibration 1" in note for note in again["notes"])
    assert rig.get(f"/api/runs/{first}/review")["channels"]["volts"]["mean"] == pytest.approx(12.0, abs=1e-6)


def test_a_fill_is_marked_afterwards_on_the_trend(rig: Rig) -> None:
    run = rig.recording()
    rig.until(lambda: rig.get("/api/state")["run"]["elapsed_s"] > 3.0, "some seconds")
    body = {"volume_ml": 20.0, "volume_error_ml": 0.2, "gas_temp_c": 21.0, "who": "Ada"}
    fill = rig.post(f"/api/runs/{run}/fills", {**body, "from_s": 0.6, "to_s": 2.6})["fill"]
    assert (fill["run"], fill["seconds"], fill["t_s"]) == (run, 2.0, 0.6)
    assert fill["numbers"]["flow_as_read_lpm"]["value"] == pytest.approx(20.0 / 2.0 * 0.06)
    (build,) = rig.get("/api/fills")["builds"]
    assert build["fills"] == [fill["id"]]
    assert build["difference"] is None
    assert rig.get("/api/runs")["runs"][0]["mmw_by_fills"]["fills"] == 1
    backwards = rig.post(f"/api/runs/{run}/fills", {**body, "from_s": 3.0, "to_s": 2.0}, status=422)
    assert "ends before it begins" in backwards["error"]["message"]
    rig.post(f"/api/runs/{run}/fills/edges", {"who": "Ada"}, status=422)


def test_a_mark_after_the_runs_end_is_refused(rig: Rig) -> None:
    run = rig.recording()
    rig.until(lambda: rig.get("/api/state")["run"]["elapsed_s"] > 1.0, "a second")
    body = {"volume_ml": 20.0, "from_s": 9000.0, "to_s": 9002.0}
    refused = rig.post(f"/api/runs/{run}/fills", body, status=422)
    assert "after the run's last sample" in refused["error"]["message"]
