"""The API of runs and builds as the pages list them: results, notes, deleting and undoing, builds, logs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from starlette.testclient import TestClient

from daq.bench import load_bench
from daq.service import create_app
from daq.store import LookRecord, Store
from tests.documented import DocumentedClient
from tests.study.stored_runs import bench_text, sent, store_run

LOG = "elapsed_s,volts,amps,lye_temp\n" + "".join(f"{n},12.0,10.5,{40.0 + n / 60:.2f}\n" for n in range(240))


@pytest.fixture
def client(tmp_path: Any) -> Iterator[TestClient]:
    """A service over a store with a run of each of two builds; nobody records."""
    text = bench_text()
    (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
    bench = load_bench(tmp_path / "bench.toml")
    with Store(bench.store_folder, writer=True) as store:
        for day, build in enumerate(("A", "B/2: sealed, 3 mm")):
            _, block = sent(text, seconds=700, seed=day)
            store_run(store, text, block, build=build, day=day)
    with DocumentedClient(create_app(bench), base_url="http://127.0.0.1:8737") as made:
        yield made


def got(client: TestClient, path: str, **params: Any) -> Any:
    answer = client.get(path, params=params or None)
    assert answer.status_code == 200, answer.text
    return answer.json()


def posted(client: TestClient, path: str, body: dict[str, Any], status: int = 200) -> Any:
    answer = client.post(path, json=body)
    assert answer.status_code == status, answer.text
    return answer.json()


def test_a_result_is_worked_out_once_and_then_stands_in_the_list(client: TestClient) -> None:
    newest = got(client, "/api/runs")["runs"][0]
    assert newest["result"] is None
    run = newest["id"]
    made = got(client, f"/api/runs/{run}/result")
    review = got(client, f"/api/runs/{run}/review")
    assert made["numbers"]["mmw_dry_ref"] == pytest.approx(
        {k: review["headline"]["numbers"]["mmw_dry_ref"][k] for k in ("value", "u95", "unit")}
    )
    assert made["phase"] == review["headline"]["phase"]
    assert got(client, "/api/runs")["runs"][0]["result"] == made
    # what it rests on has changed: it is to be worked out again
    posted(client, f"/api/runs/{run}/marks", {"text": "looked at it", "t_s": 5, "who": "Ada"})
    assert got(client, "/api/runs")["runs"][0]["result"] is None
    assert client.get("/api/runs/20200101-000000/result").status_code == 404


def test_a_run_is_noted_deleted_and_had_back(client: TestClient) -> None:
    run = got(client, "/api/runs")["runs"][0]["id"]
    noted = client.patch(f"/api/runs/{run}", json={"note": "gas smelt of nothing", "who": "Ada"}).json()
    assert noted["note"] == "gas smelt of nothing"
    assert client.patch(f"/api/runs/{run}", json={"note": "", "who": "Ada"}).json()["note"] == ""
    posted(client, f"/api/runs/{run}/delete", {"who": "Ada"})
    assert run not in [r["id"] for r in got(client, "/api/runs")["runs"]]
    assert [r["id"] for r in got(client, "/api/runs", deleted="true")["runs"]] == [run]
    build = {"build": "B/2: sealed, 3 mm"}
    assert client.get("/api/builds/one", params=build).status_code == 404, "it had no other run"
    # nothing that was recorded is lost
    assert got(client, f"/api/runs/{run}/series", channels="volts")["channels"]["volts"]["t"]
    posted(client, f"/api/runs/{run}/restore", {"who": "Ada"})
    assert run in [r["id"] for r in got(client, "/api/runs")["runs"]]
    assert len(got(client, "/api/builds/one", **build)["runs"]) == 1
    posted(client, "/api/runs/20200101-000000/delete", {"who": "Ada"}, status=404)


def test_a_run_that_is_being_recorded_is_not_deleted(client: TestClient) -> None:
    store = client.app.state.live.store  # type: ignore[attr-defined]
    open_run = store.logbook.create_run(bench="water-torch-demo", name="now", build="A").id
    assert "stop the run first" in str(
        posted(client, f"/api/runs/{open_run}/delete", {"who": "Ada"}, status=409)
    )
    assert "no result yet" in client.get(f"/api/runs/{open_run}/result").text


def test_builds_have_their_runs_description_and_standing_comparisons(client: TestClient) -> None:
    listed = {b["build"]: b for b in got(client, "/api/builds")["builds"]}
    assert listed["A"]["runs"] == listed["B/2: sealed, 3 mm"]["runs"] == 1
    assert listed["A"]["newest"]["name"] == "A on day 0"
    body = {"build": "B/2: sealed, 3 mm", "description": "ports sealed with paste", "who": "Ada"}
    posted(client, "/api/builds/describe", body)
    store = client.app.state.live.store  # type: ignore[attr-defined]
    look = LookRecord("water-torch-demo", "A", body["build"], "mmw_dry_ref", (("x", 3),), 10**18, "day")
    store.logbook.looks.add(look)
    whole = got(client, "/api/builds/one", build=body["build"])
    assert whole["description"] == "ports sealed with paste"
    assert whole["described_by"] == "Ada"
    assert [run["name"] for run in whole["runs"]] == ["B/2: sealed, 3 mm on day 1"]
    assert [(c["first"], c["second"], c["kind"]) for c in whole["comparisons"]] == [
        ("A", body["build"], "day")
    ]
    assert client.get("/api/builds/one", params={"build": "Z"}).status_code == 404


def test_two_builds_stand_for_all_their_runs(client: TestClient) -> None:
    query = "build=A&build=B%2F2%3A+sealed%2C+3+mm"
    by_build = got(client, f"/api/compare?{query}")["comparisons"][0]
    assert (by_build["first"], by_build["second"]) == ("A", "B/2: sealed, 3 mm")
    refused = client.get("/api/compare?build=A&build=Z")
    assert refused.status_code == 404
    assert refused.json()["error"]["value"] == "Z"
    assert client.get("/api/compare").status_code == 422


def test_a_log_becomes_a_run_and_a_wrong_one_says_where_and_what_to_do(client: TestClient) -> None:
    def sent_log(text: str, **params: str) -> Any:
        return client.post("/api/import", params=params, content=text, headers={"content-type": "text/csv"})

    answer = sent_log(LOG, file="old bench.csv", build="C")
    assert answer.status_code == 200, answer.text
    made = answer.json()
    assert made["rows"] == 240
    run = got(client, f"/api/runs/{made['run']}")
    assert (run["name"], run["build"], run["kind"]) == ("old bench", "C", "import")
    wrong = sent_log(LOG.replace("\n100,12.0,", "\n10,12.0,", 1), file="wrong.csv")
    assert wrong.status_code == 422
    error = wrong.json()["error"]
    assert error["place"] == "wrong.csv: row 102: elapsed_s", "and not where the service put it meanwhile"
    assert error["message"] == "goes back in time"
    assert error["value"].startswith("-89.000 s")
    assert "sort the rows by time" in error["remedy"]
    before = len(got(client, "/api/runs")["runs"])
    assert sent_log("", file="empty.csv").status_code == 422
    assert len(got(client, "/api/runs")["runs"]) == before
    # a page of another site can send plain text without being asked for leave: it is not taken
    other = client.post("/api/import", content=LOG, headers={"content-type": "text/plain"})
    assert other.status_code == 415
    assert client.post("/api/runs", content="{}", headers={"content-type": "text/csv"}).status_code == 415
