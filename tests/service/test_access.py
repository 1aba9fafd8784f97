"""Who is let in: this computer's own names and pages, and beyond it only with the token."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from daq.bench import Bench
from daq.errors import UsageError
from daq.service import create_app
from daq.service.access import is_loopback
from tests.documented import DocumentedClient


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "::1", "127.8.8.8"])
def test_this_computer(host: str) -> None:
    assert is_loopback(host)


@pytest.mark.parametrize("host", ["0.0.0.0", "192.168.1.5", "::", "bench.local", ""])
def test_not_only_this_computer(host: str) -> None:
    assert not is_loopback(host)


def test_another_sites_name_for_this_computer_is_refused(client: TestClient) -> None:
    answer = client.get("/api/bench", headers={"Host": "evil.example"})
    assert answer.status_code == 403
    assert answer.json()["error"]["place"] == "Host"


@pytest.mark.parametrize(
    ("headers", "status", "place"),
    [
        ({"Origin": "http://evil.example"}, 403, "Origin"),
        ({"Content-Type": "text/plain"}, 415, "Content-Type"),
        ({"Content-Type": "application/x-www-form-urlencoded"}, 415, "Content-Type"),
    ],
)
def test_another_sites_page_can_not_write(
    client: TestClient, headers: dict[str, str], status: int, place: str
) -> None:
    whole = {"Content-Type": "application/json", **headers}
    answer = client.post("/api/trip", content=b"{}", headers=whole)
    assert answer.status_code == status
    assert answer.json()["error"]["place"] == place


def test_pages_carry_a_strict_policy(client: TestClient) -> None:
    for path in ("/", "/runs", "/runs/20260101-000000"):
        answer = client.get(path)
        assert answer.status_code == 200
        policy = answer.headers["content-security-policy"]
        assert "default-src 'self'" in policy
        assert "unsafe" not in policy


def test_beyond_this_computer_a_token_is_needed(bench: Bench) -> None:
    with pytest.raises(UsageError, match="LYEWATCH_TOKEN"):
        create_app(bench, host="0.0.0.0", token="")
    with DocumentedClient(
        create_app(bench, host="0.0.0.0", token="s3cret"), base_url="http://127.0.0.1:8737"
    ) as client:
        assert client.get("/api/bench").status_code == 401
        assert client.get("/api/bench", headers={"Authorization": "Bearer wrong"}).status_code == 401
        assert client.get("/api/bench", headers={"Authorization": "Bearer s3cret"}).status_code == 200
        opened = client.get("/?token=s3cret")
        assert opened.status_code == 200
        assert "token" not in str(opened.url)
        assert client.get("/api/bench").status_code == 200, "the cookie carries it from then on"
