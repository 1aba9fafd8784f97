"""What a container's health check says of a reader and of a service."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from daq.bench import load_bench
from daq.examples import example_text
from daq.store import Store
from tests.house.source_files import ROOT

TOKEN = "a-token-of-this-test"


def health(*arguments: str, token: str = "") -> tuple[int, str]:
    """Exit status and complaint of the check."""
    done = subprocess.run(
        [sys.executable, str(ROOT / "docker" / "health.py"), *arguments],
        env={**os.environ, "LYEWATCH_TOKEN": token},
        capture_output=True,
        text=True,
        check=False,
    )
    return done.returncode, done.stderr.strip()


@pytest.fixture
def bench_file(tmp_path: Path) -> Path:
    """A worked example, with its store beside it."""
    path = tmp_path / "bench.toml"
    path.write_text(example_text("water_torch"), encoding="utf-8")
    return path


def beat(bench_file: Path, age_s: float, pid: int | None) -> None:
    """Leave a heartbeat as the reader does."""
    with Store(load_bench(bench_file).store_folder) as store:
        store.logbook.put_state("reader", {"utc_ns": time.time_ns() - int(age_s * 1e9), "pid": pid})


@pytest.mark.parametrize(
    ("age_s", "pid", "status", "complaint"),
    [(0.5, 1, 0, ""), (60.0, 1, 1, "heartbeat is 6"), (0.5, None, 1, "no heartbeat")],
)
def test_a_reader_is_judged_by_its_heartbeat(
    bench_file: Path, age_s: float, pid: int | None, status: int, complaint: str
) -> None:
    beat(bench_file, age_s, pid)
    found, said = health("reader", str(bench_file))
    assert found == status, said
    assert complaint in said


def test_a_reader_that_never_ran_is_ill(bench_file: Path) -> None:
    assert health("reader", str(bench_file)) == (1, "the reader has written no heartbeat")


class _Service(BaseHTTPRequestHandler):
    """Answers as the service does: to whoever brings the token."""

    def do_GET(self) -> None:
        known = self.headers.get("Authorization") == f"Bearer {TOKEN}" and self.path == "/api/health"
        self.send_response(200 if known else 401)
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base class's name
        """Say nothing."""


@pytest.fixture
def service_port() -> Iterator[int]:
    """The port of a service that wants the token."""
    with ThreadingHTTPServer(("127.0.0.1", 0), _Service) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield server.server_address[1]
        server.shutdown()
        thread.join()


def test_a_service_is_asked_with_the_token(service_port: int) -> None:
    assert health("service", str(service_port), token=TOKEN) == (0, "")
    status, said = health("service", str(service_port))
    assert status == 1
    assert "401" in said


def test_a_service_that_does_not_answer_is_ill(free_port: int) -> None:
    status, said = health("service", str(free_port))
    assert status == 1
    assert said.startswith("the service does not answer")


def test_bad_use_is_shown_how() -> None:
    status, said = health("writer", "x")
    assert status == 2
    assert "reader BENCH" in said
