"""The API of studies: card, comparison, polarisation, leak, plan: JSON to its schema, and a page."""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from starlette.testclient import TestClient

from daq.bench import load_bench
from daq.service import create_app
from daq.store import Store
from daq.study.schemas import NAMES, schema_of
from tests.documented import DocumentedClient
from tests.study.made_sweep import made_sweep, sweep_text
from tests.study.stored_runs import sent, store_run


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[TestClient, list[str]]]:
    """A service over a store with a run of each of two builds, and a sweep; nobody records."""
    folder = tmp_path_factory.mktemp("studies")
    text = sweep_text()
    (folder / "bench.toml").write_text(text, encoding="utf-8")
    bench = load_bench(folder / "bench.toml")
    ids = []
    with Store(bench.store_folder, writer=True) as store:
        for day, (build, leak) in enumerate([("A", 0.5), ("B: sealed", 0.25)]):
            _, block = sent(text, seconds=1200, seed=day, leak_siemens=leak)
            ids.append(store_run(store, text, block, build=build, day=day))
        _, block = made_sweep(levels=(2.0, 3.5, 6.0, 10.0, 16.0), hold_s=70)
        ids.append(store_run(store, text, block, build="A", day=2, name="sweep"))
    with DocumentedClient(create_app(bench), base_url="http://127.0.0.1:8737") as client:
        yield client, ids


def body(client: TestClient, path: str, study: str) -> Any:
    answer = client.get(path)
    assert answer.status_code == 200, answer.text
    errors = list(Draft202012Validator(schema_of(study)).iter_errors(answer.json()))
    assert not errors, [f"{list(e.absolute_path)}: {e.message}" for e in errors[:5]]
    return answer.json()


def test_each_study_answers_to_its_schema_and_as_a_page(served: tuple[TestClient, list[str]]) -> None:
    client, (first, second, sweep) = served
    found = body(client, f"/api/compare?runs={first},{second}", "compare")
    assert found["comparisons"][0]["second"] == "B: sealed"
    assert found["comparisons"][0]["looks"]["count"] == 1
    stated = body(client, f"/api/compare?runs={first},{second}&day_sd=0.05", "compare")["comparisons"][0]
    # the sweep is another run of build A, which was thus run twice
    assert stated["differences"][0]["days"]["stated_share"] == 0.05
    assert stated["looks"]["count"] == 1, "the same data are the same look"
    assert client.get(f"/api/compare?runs={first},{second}&day_sd=5").status_code == 422
    swept = body(client, f"/api/polarisation?runs={sweep}", "polarisation")
    assert swept["builds"][0]["parts"]["ohmic_ohm_cm2"]["u95"] > 0.0
    assert body(client, f"/api/runs/{first}/leak", "leak")["estimates"]
    assert body(client, "/api/plan?detect=0.03", "plan")["runs_looked_at"] >= 2
    against = body(client, f"/api/runs/{second}/review?against={first}", "review")["against"]
    assert against["run"] == first
    for path in (
        f"compare.html?runs={first},{second}",
        f"polarisation.html?runs={sweep}",
        f"runs/{first}/leak.html",
        "plan.html?detect=0.03",
    ):
        answer = client.get(f"/api/{path}")
        assert answer.status_code == 200, path
        assert "can detonate" in answer.text, path
        assert "<script" not in answer.text, path
        assert "default-src 'none'" in answer.headers["Content-Security-Policy"], path


def test_a_study_has_ways_back_and_follows_the_dark(served: tuple[TestClient, list[str]]) -> None:
    client, (first, second, _) = served
    for path, there in (
        (f"compare.html?runs={first},{second}", "/runs"),
        (f"runs/{first}/leak.html", f"/runs/{first}"),
        (f"runs/{first}/report.html", f"/runs/{first}"),
        ("plan.html?detect=0.03", "/fills"),
    ):
        text = client.get(f"/api/{path}").text
        assert f'<a href="{there}">' in text, path
        assert "prefers-color-scheme: dark" in text, path
        # what is drawn takes its colours from the style sheet, whichever scheme that is in
        drawn = "".join(re.findall(r"<svg.*?</svg>", text, flags=re.DOTALL))
        assert not re.findall(r'style="[^"]*#[0-9a-f]{6}', drawn), path


def test_an_error_is_words_to_a_person_and_json_to_a_program(served: tuple[TestClient, list[str]]) -> None:
    client, (first, *_) = served
    seen = {"accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
    for path, status, words in (
        ("runs/20200101-000000/report.html", 404, "no such run"),
        (f"compare.html?runs={first}", 422, "2 to 200 runs are needed"),
        ("plan.html?detect=7", 422, "less than or equal to 1"),
    ):
        page = client.get(f"/api/{path}", headers=seen)
        assert page.status_code == client.get(f"/api/{path}").status_code == status, path
        assert page.headers["Content-Type"].startswith("text/html"), path
        assert words in page.text, path
        assert '<a href="/runs">' in page.text, path
        assert "What helps" in page.text, path
        assert "error" in client.get(f"/api/{path}").json(), path


def test_the_card_is_a_picture(served: tuple[TestClient, list[str]]) -> None:
    client, (first, *_) = served
    answer = client.get(f"/api/runs/{first}/card.png")
    assert answer.headers["Content-Type"] == "image/png"
    assert struct.unpack(">II", answer.content[16:24]) == (1200, 630)


def test_schemas_are_served(served: tuple[TestClient, list[str]]) -> None:
    client, _ = served
    for name in NAMES:
        assert client.get(f"/api/schemas/{name}").json() == schema_of(name)
    assert client.get("/api/schemas/weather").status_code == 422


def test_what_can_not_be_studied_is_said(served: tuple[TestClient, list[str]]) -> None:
    client, (first, *_) = served
    assert "2 to" in client.get(f"/api/compare?runs={first}").json()["error"]["message"]
    assert client.get("/api/compare?runs=20200101-000000,x").status_code == 404
    assert client.get("/api/runs/20200101-000000/card.png").status_code == 404
    assert client.get("/api/plan?detect=3").status_code == 422
