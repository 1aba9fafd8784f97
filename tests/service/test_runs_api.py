"""The API of runs: start, stop, marks, series, export, documentation."""

from __future__ import annotations

import csv
import io
from typing import Any

from starlette.testclient import TestClient

from tests.service.conftest import Rig


def test_a_run_is_started_named_marked_and_stopped(rig: Rig) -> None:
    first = rig.recording()
    second = rig.post("/api/runs", {"name": "ports sealed", "build": "B", "who": "Ada"})["run"]
    assert second != first
    rig.until(lambda: (rig.get("/api/state")["run"] or {}).get("id") == second, "the new run is live")
    marked = rig.post(f"/api/runs/{second}/marks", {"text": "topped up 200 mL", "who": "Ada"})
    assert marked["t_s"] >= 0
    rig.post(f"/api/runs/{second}/marks", {"text": "earlier", "t_s": 0.5})

    def texts() -> set[str]:
        return {m["text"] for m in rig.get(f"/api/runs/{second}/marks")["marks"]}

    rig.until(lambda: {"topped up 200 mL", "earlier"} <= texts(), "both marks to be written down")
    renamed = rig.client.patch(f"/api/runs/{second}", json={"name": "ports sealed, second day"}).json()
    assert renamed["name"] == "ports sealed, second day"
    # A run that is stopped before its first sample has no peak.
    rig.until(lambda: rig.get("/api/state")["run"]["elapsed_s"] > 0.1, "samples of the new run")
    assert rig.post("/api/runs/current/stop", {"who": "Ada"})["run"] == second

    def listed() -> dict[str, Any]:
        return {r["id"]: r for r in rig.get("/api/runs")["runs"]}

    # The reader writes down what it has done, after it has done it.
    rig.until(lambda: {r["state"] for r in listed().values()} == {"ended"}, "both to be ended")
    assert listed()[second]["peak_lye_temp"] == 40.0
    assert set(listed()) == {first, second}, "the standby between runs is not a run"
    rig.until(lambda: rig.get("/api/state")["run"] is None, "nothing is recorded")
    rig.until(lambda: rig.get("/api/state")["data"]["state"] == "fresh", "the bench is still watched")


def test_what_is_measured_of_the_lye_counts_live_and_afterwards(rig: Rig) -> None:
    run_id = rig.recording()
    rig.until(lambda: rig.get("/api/recent")["assessments"], "a tick")
    answer = rig.post(f"/api/runs/{run_id}/lye", {"what": "strength", "mass_fraction": 0.3, "who": "Ada"})
    assert answer["message"] == "Lye measured: 30 % ± 1 % by mass"

    def percent() -> float:
        reply = rig.get("/api/recent")["assessments"][-1]
        assert reply["lye"]["percent"]["u95"] > 0.0
        return float(reply["numbers"]["lye_percent"]["value"])

    rig.until(lambda: percent() > 26.0, "that it is believed")
    before = percent()
    # another program writes into the logbook: the service hears of it, once
    store = rig.client.app.state.live.store  # type: ignore[attr-defined]
    entry = {"what": "top_up", "millilitres": 100.0}
    store.logbook.add_mark(run_id, 0, "top_up", "", "Bob", {"id": "b", **entry})
    rig.until(lambda: percent() < before - 1.0, "that water came in")
    refused = rig.post(
        f"/api/runs/{run_id}/lye", {"what": "density", "density_kg_m3": 990, "temp_c": 20}, status=422
    )
    assert "no KOH of a published strength" in refused["error"]["message"]
    rig.post(f"/api/runs/{run_id}/lye", {"what": "top_up"}, status=422)
    rig.post("/api/runs/current/stop", {"who": "Ada"})
    rig.until(lambda: rig.get("/api/state")["run"] is None, "that it has ended")
    rig.until(lambda: rig.get(f"/api/runs/{run_id}")["state"] == "ended", "that the logbook has it")
    rig.post(f"/api/runs/{run_id}/lye", {"what": "level", "litres": 1.0}, status=409)
    later = rig.post(f"/api/runs/{run_id}/lye", {"what": "level", "litres": 1.0, "t_s": 1.0})
    assert later["t_s"] == 1.0
    words = [e["words"] for e in rig.get(f"/api/runs/{run_id}/review")["lye"]["entries"]]
    assert {"Lye measured: 30 % ± 1 % by mass", "Lye level: 1 ± 0.02 L in all"} <= set(words)


def test_series_of_channels_and_numbers(rig: Rig) -> None:
    run_id = rig.recording()
    rig.until(lambda: rig.get("/api/state")["run"]["elapsed_s"] > 4, "some seconds")
    got = rig.get(f"/api/runs/{run_id}/series", channels="volts,lye_temp,power_w", points=100)["channels"]
    assert set(got) == {"volts", "lye_temp", "power_w"}
    assert got["volts"]["unit"] == "V"
    assert set(got["volts"]["lo"]) == {12.0}
    assert len(got["power_w"]["t"]) == len(got["power_w"]["lo"]) == len(got["power_w"]["u95"])
    refused = rig.client.get(f"/api/runs/{run_id}/series", params={"channels": "volts,watt"})
    assert refused.status_code == 422
    assert refused.json()["error"]["value"] == "watt"


def test_export_is_a_table_of_what_was_recorded(rig: Rig) -> None:
    run_id = rig.recording()
    rig.until(lambda: rig.get("/api/state")["run"]["elapsed_s"] > 2, "some seconds")
    answer = rig.client.get(f"/api/runs/{run_id}/export.csv")
    assert answer.status_code == 200
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert rows[0].keys() >= {"elapsed_s", "time", "volts", "lye_temp"}
    assert {row["volts"] for row in rows} == {"12"}
    assert rig.client.get(f"/api/runs/{run_id}/export.xls").status_code == 422


def test_what_is_not_there_is_said(client: TestClient) -> None:
    for path in ("", "/series?channels=volts", "/marks", "/alarms", "/review", "/report.html", "/export.csv"):
        answer = client.get(f"/api/runs/20200101-000000{path}")
        assert answer.status_code == 404, path
        assert "20200101-000000" in answer.json()["error"]["place"]


def test_the_documentation_needs_no_internet(client: TestClient) -> None:
    page = client.get("/docs").text
    assert "POST /api/trip" in page
    assert "<script" not in page
    assert "http://" not in page.replace("http://127.0.0.1", "")
    schema = client.get("/openapi.json").json()
    assert "/api/runs/{run_id}/series" in schema["paths"]
