"""What a container's health check says of a reader and of a service."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import orjson
import pytest

from daq.bench import load_bench
from daq.examples import example_text
from daq.reader.channel import ChannelAddress, ChannelServer, Subscriber
from tests.house.source_files import ROOT

TOKEN = "a-token-of-this-test"


def health(*arguments: str, token: str = "") -> tuple[int, str]:
    """Exit status and complaint of the check."""
    done = subprocess.run(
        [sys.executable, str(ROOT / "docker" / "health.py"), *arguments],
        env={**os.environ, "LYEWATCH_TOKEN": token, "PYTHONPATH": str(ROOT)},
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


def test_a_reader_that_answers_on_its_channel_is_well(bench_file: Path) -> None:
    state = {"type": "state", "recording": {"impaired": "the disk is full"}}

    def joined(subscriber: Subscriber) -> None:
        subscriber.send(orjson.dumps({"type": "hello", "version": 1, "pid": 1, "bench": "b"}))
        subscriber.send(orjson.dumps(state))

    server = ChannelServer(
        ChannelAddress.of(load_bench(bench_file)), joined, lambda subscriber, message: None
    )
    try:
        assert health("reader", str(bench_file)) == (0, "")
    finally:
        server.close()


def test_a_reader_that_says_nothing_is_ill(bench_file: Path) -> None:
    address = ChannelAddress.of(load_bench(bench_file))
    server = ChannelServer(address, lambda subscriber: None, lambda subscriber, message: None)
    try:
        assert health("reader", str(bench_file)) == (1, "the reader is not heard: it does not answer")
    finally:
        server.close()


def test_a_reader_that_does_not_run_is_ill(bench_file: Path) -> None:
    assert health("reader", str(bench_file)) == (
        1,
        "the reader is not heard: no reader runs for this bench",
    )


class _Service(BaseHTTPRequestHandler):
    """Answers as the service does: to whoever brings the token."""

    def do_GET(self) -> None:
        known = self.headers.get("Authorization") == f"Bearer {TOKEN}" and self.path == "/api/health"
        report = self.server.report  # type: ignore[attr-defined]
        self.send_response((200 if report["status"] == "ok" else 503) if known else 401)
        self.end_headers()
        self.wfile.write(json.dumps(report).encode())

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base class's name
        """Say nothing."""


@pytest.fixture
def report() -> dict[str, str | None]:
    """What the service says of its health."""
    return {"status": "ok", "why": None}


@pytest.fixture
def service_port(report: dict[str, str | None]) -> Iterator[int]:
    """The port of a service that wants the token."""
    with ThreadingHTTPServer(("127.0.0.1", 0), _Service) as server:
        server.report = report  # type: ignore[attr-defined]
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield server.server_address[1]
        server.shutdown()
        thread.join()


def test_a_service_is_asked_with_the_token(service_port: int) -> None:
    assert health("service", str(service_port), token=TOKEN) == (0, "")
    status, report = health("service", str(service_port))
    assert status == 1
    assert "401" in report


def test_a_service_whose_bench_is_ill_is_well_and_one_that_failed_is_not(
    service_port: int, report: dict[str, str | None]
) -> None:
    report |= {"status": "impaired", "why": "reader not reachable"}
    assert health("service", str(service_port), token=TOKEN) == (0, "")
    report |= {"status": "failed", "why": "the live side died"}
    assert health("service", str(service_port), token=TOKEN) == (
        1,
        "the service has failed: the live side died",
    )


def test_a_service_that_does_not_answer_is_ill(free_port: int) -> None:
    status, report = health("service", str(free_port))
    assert status == 1
    assert report.startswith("the service does not answer")


def test_bad_use_is_shown_how() -> None:
    status, report = health("writer", "x")
    assert status == 2
    assert "reader BENCH" in report
