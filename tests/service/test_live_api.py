"""The API of what goes on now, against a real reader on a pseudo-terminal."""

from __future__ import annotations

import json
from typing import Any

from starlette.testclient import TestClient

from tests.service.conftest import Rig


def test_without_a_reader_nothing_is_claimed(client: TestClient) -> None:
    state = client.get("/api/state").json()
    assert state["run"] is None
    assert state["supply"]["state"] == "unknown"
    assert state["data"]["words"].startswith("Reader not reachable: ")
    assert state["alarms"]["state"] == "unknown"
    health = client.get("/api/health")
    assert (health.status_code, health.json()["status"]) == (503, "impaired")
    assert "reader not reachable" in health.json()["why"]
    refused = client.post("/api/trip", json={})
    assert refused.status_code == 409
    assert "cut the supply by hand" in refused.json()["error"]["remedy"]


def test_the_state_says_what_is_so(rig: Rig) -> None:
    rig.recording()
    rig.until(lambda: rig.get("/api/state")["links"], "the reader's counters")
    state = rig.get("/api/state")
    assert state["supply"] == {"state": "on", "words": "Supply is on, 8.0 A"}
    assert state["data"]["state"] == "fresh"
    assert state["trip"] is None
    assert state["links"][0]["source"] == "head"
    assert rig.get("/api/health")["status"] == "ok"


def test_numbers_come_with_their_uncertainty_and_reference(rig: Rig) -> None:
    rig.recording()
    # Over a stall of this machine there is nothing to average.
    newest = rig.until(lambda: known_power(rig), "an assessment")
    power = newest["numbers"]["power_w"]
    assert power["unit"] == "W"
    assert abs(power["value"] - 96.0) < 0.5
    # 1.2 % of reading + 0.5 W is a limit of 1.652 W; k = 2 of a rectangle is 2/sqrt(3) of that
    # (JCGM 100:2008, 4.3.7).
    assert 1.8 < power["u95"] < 2.2
    assert newest["reference"] == "0 °C, 101.325 kPa"
    bench = rig.get("/api/bench")
    assert {n["key"] for n in bench["numbers"]} == set(newest["numbers"])


def test_the_stream_carries_samples_and_catches_up(rig: Rig) -> None:
    rig.recording()
    # The hub remembers events, so that a page which was away is given what it missed.
    live = rig.client.app.state.live  # type: ignore[attr-defined]
    rig.until(lambda: len(live.hub._recent) > 10, "events")
    first = next(iter(live.hub._recent)).number
    portal = rig.client.portal
    assert portal is not None

    async def some() -> bytes:
        text = b""
        async for chunk in live.hub.stream(first, live.first_events()):
            text += chunk
            if text.count(b"event: samples") >= 3:
                break
        return text

    text = portal.call(some).decode()
    ids = [int(line[4:]) for line in text.splitlines() if line.startswith("id: ")]
    assert ids == sorted(set(ids))
    assert ids[0] > first
    data = [json.loads(line[6:]) for line in text.splitlines() if line.startswith("data: ")]
    rows = [row for d in data for row in d.get("rows", [])]
    assert rows[0]["source"] == "head"
    assert rows[0]["v"]["volts"] == 12.0


def test_a_trip_from_the_page_and_its_reset(rig: Rig) -> None:
    rig.recording()
    rig.post("/api/trip", {"who": "Ada", "reason": "smell of lye"})
    rig.until(lambda: rig.device.relay == 0.0, "the relay opens")
    rig.until(lambda: rig.get("/api/state")["supply"]["state"] == "tripped", "the page says so")
    trip = rig.get("/api/state")["trip"]
    assert "Ada" in trip["detail"]
    assert rig.post("/api/reset", {"who": "Ada", "reason": "aired"}, status=422)["error"]["place"].endswith(
        "cause_gone"
    )
    rig.post("/api/reset", {"who": "Ada", "reason": "aired, hose refitted", "cause_gone": True})
    rig.until(lambda: rig.device.relay == 1.0, "the relay closes")
    assert rig.get("/api/state")["trip"] is None


def test_a_reset_is_refused_in_words_while_the_cause_stands(rig: Rig) -> None:
    rig.recording()
    rig.fields["temp"] = 70.0
    rig.until(lambda: rig.device.relay == 0.0, "the guard trips")
    refused = rig.post("/api/reset", {"who": "Ada", "reason": "impatient", "cause_gone": True}, status=409)[
        "error"
    ]
    assert "must first fall below" in refused["message"]
    assert rig.device.relay == 0.0


def test_an_alarm_is_raised_acknowledged_and_written_down(rig: Rig) -> None:
    run_id = rig.recording()
    rig.fields["temp"] = 52.0

    def standing() -> dict[str, str]:
        return {a["alarm"]: a["state"] for a in rig.get("/api/state")["standing"]}

    rig.until(lambda: standing().get("lye_temp.warn") == "unacknowledged", "the warning")
    assert rig.get("/api/state")["alarms"]["state"] == "unacknowledged"
    rig.post("/api/alarms/lye_temp.warn/acknowledge", {"who": "Ada", "note": "fan on"})
    assert standing()["lye_temp.warn"] == "acknowledged"
    rig.fields["temp"] = 40.0
    rig.until(lambda: "lye_temp.warn" not in standing(), "the return")

    def kept() -> list[tuple[str, str]]:
        alarms = rig.get(f"/api/runs/{run_id}/alarms")["alarms"]
        return [(a["to"], a["who"]) for a in alarms if a["alarm"] == "lye_temp.warn"]

    rig.until(lambda: len(kept()) >= 3, "all to be written down")
    transitions = kept()
    assert [t for t, _ in transitions] == ["unacknowledged", "acknowledged", "normal"]
    assert transitions[1][1] == "Ada"
    assert (
        rig.post("/api/alarms/no.such/acknowledge", {"who": "Ada"}, status=409)["error"]["place"] == "no.such"
    )


def test_water_that_was_added_counts_back_and_is_marked(rig: Rig) -> None:
    run_id = rig.recording()
    rig.until(lambda: rig.get("/api/recent")["assessments"], "a tick")
    live = rig.client.app.state.live  # type: ignore[attr-defined]
    live.watch.lye.balance.use(0.5, 0.01, 0.0, 0.0)  # half a litre of water split since the start
    live.watch.lye._note(0)
    rig.until(lambda: "water.low" in {a["alarm"] for a in rig.get("/api/state")["standing"]}, "lye low")
    rig.post("/api/top-up", {"who": "Ada", "millilitres": 0}, status=422)
    rig.post("/api/top-up", {"who": "Ada", "millilitres": 450})
    rig.until(lambda: not row_of(rig, "water.low")["active"], "that it is over")
    (mark,) = rig.until(
        lambda: [m for m in rig.get(f"/api/runs/{run_id}/marks")["marks"] if m["kind"] == "top_up"],
        "the mark",
    )
    assert (mark["text"], mark["who"]) == ("Topped up 450 ± 13.5 mL of water", "Ada")
    assert {k: v for k, v in mark["data"].items() if k != "id"} == {"what": "top_up", "millilitres": 450.0}


def known_power(rig: Rig) -> Any:
    """The first assessment with a power."""
    answer = rig.get("/api/recent")["assessments"]
    return next((a for a in answer if a["numbers"]["power_w"]["value"] is not None), None)


def row_of(rig: Rig, alarm: str) -> dict[str, object]:
    return next(a for a in rig.get("/api/alarms")["all"] if a["alarm"] == alarm)
