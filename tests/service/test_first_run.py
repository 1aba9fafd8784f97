"""The first run: no bench file is there; one is checked, kept, and the real thing begins."""

from __future__ import annotations

import json
import threading
import urllib.request
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from daq.cli.up import first_run
from daq.errors import BenchFileError, RequestRefused
from daq.examples import example_text
from daq.service.first_run import create_first_run_app, keep_bench_file
from tests.documented import DocumentedClient
from tests.waiting import wait_until

TEXT = example_text("water_torch")


@pytest.fixture
def client(tmp_path: Path) -> TestClient:
    return DocumentedClient(create_first_run_app(tmp_path / "bench.toml"), base_url="http://127.0.0.1:8737")


def test_every_page_is_the_first_runs_and_it_has_an_example(client: TestClient, tmp_path: Path) -> None:
    for path in ("/", "/runs", "/builds", "/fills"):
        assert "No bench is described yet" in client.get(path).text
    answer = client.get("/api/first-run").json()
    assert answer["file"] == str(tmp_path / "bench.toml")
    keep_bench_file(tmp_path / "other.toml", answer["example"])


def test_a_wrong_file_is_named_by_place_value_and_remedy_and_not_kept(
    client: TestClient, tmp_path: Path
) -> None:
    wrong = TEXT.replace("mass_fraction = 0.20", "mass_fraction = 20", 1)
    assert wrong != TEXT
    answer = client.post("/api/first-run", json={"text": wrong})
    assert answer.status_code == 422
    error = answer.json()["error"]
    assert error["place"].startswith("bench.toml: stack.mass_fraction")
    assert error["value"] == "20"
    assert str(tmp_path) not in json.dumps(error)
    assert list(tmp_path.iterdir()) == []
    assert client.post("/api/first-run", json={"text": "= nonsense"}).status_code == 422


def test_a_right_one_is_kept_once_and_never_replaced(client: TestClient, tmp_path: Path) -> None:
    assert client.post("/api/first-run", json={"text": TEXT}).json()["bench"] == "water-torch"
    file = tmp_path / "bench.toml"
    assert file.read_text(encoding="utf-8") == TEXT
    assert client.app.state.done.is_set()  # type: ignore[attr-defined]
    assert client.post("/api/first-run", json={"text": TEXT + "\n"}).status_code == 409
    assert file.read_text(encoding="utf-8") == TEXT
    with pytest.raises(RequestRefused):
        keep_bench_file(file, TEXT)
    with pytest.raises(BenchFileError):
        keep_bench_file(tmp_path / "b.toml", "x")


def test_another_sites_page_can_not_write_it(client: TestClient, tmp_path: Path) -> None:
    refused = client.post("/api/first-run", json={"text": TEXT}, headers={"origin": "http://evil.example"})
    assert refused.status_code == 403
    assert client.get("/", headers={"host": "evil.example"}).status_code == 403
    assert list(tmp_path.iterdir()) == []


def test_up_goes_on_once_the_file_is_there(
    tmp_path: Path, free_port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "bench.toml"

    def sent() -> None:
        def send() -> bool:
            request = urllib.request.Request(
                f"http://127.0.0.1:{free_port}/api/first-run",
                data=json.dumps({"text": TEXT}).encode(),
                headers={"Content-Type": "application/json"},
            )
            try:
                with urllib.request.urlopen(request, timeout=10) as answer:
                    return bool(json.loads(answer.read())["ok"])
            except OSError:
                return False

        wait_until(send, "the page to take the file")

    sending = threading.Thread(target=sent)
    sending.start()
    assert first_run(file, free_port)
    sending.join()
    assert file.read_text(encoding="utf-8") == TEXT
