"""What becomes of an alarm: put aside, kept over restarts and runs, cutting the supply, told to people.

All over a real reader on a pseudo-terminal.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from starlette.testclient import TestClient

from daq.bench import Bench
from daq.reader import ChannelAddress, ChannelClient
from daq.service import create_app
from tests.documented import DocumentedClient
from tests.reader.device import PtyDevice
from tests.service.conftest import Rig
from tests.service.receiver import LoopbackReceiver
from tests.waiting import wait_until


@pytest.fixture
def tables() -> str:
    return """
        [alarms.rules.lye_temp.high]
        cuts = true

        [alarms.rules.head.lost]
        cuts = true

        [alarms.rules.lye_temp.warn]
        shelve_at_most_s = 1800.0

        [alarms.rules.volts.under]
        in_service = false

        [notify]
        minimum_priority = "high"
        retry_for_s = 0.0
    """


@contextmanager
def with_receiver(
    bench: Bench, receiver: LoopbackReceiver, monkeypatch: pytest.MonkeyPatch
) -> Iterator[TestClient]:
    """The service with a receiver of messages."""
    monkeypatch.setenv("LYEWATCH_NOTIFY_URLS", receiver.address())
    with DocumentedClient(create_app(bench), base_url="http://127.0.0.1:8737") as client:
        yield client


@contextmanager
def asking(bench: Bench) -> Iterator[ChannelClient]:
    """Another that follows the reader, as the command line does."""
    client = ChannelClient(ChannelAddress.of(bench), lambda message: None)
    client.start()
    wait_until(lambda: client.connected, "the connection")
    try:
        yield client
    finally:
        client.close()


@pytest.fixture
def receiver() -> Iterator[LoopbackReceiver]:
    with LoopbackReceiver() as opened:
        yield opened


def standing(rig: Rig) -> dict[str, str]:
    return {a["alarm"]: a["state"] for a in rig.get("/api/state")["standing"]}


def row(rig: Rig, alarm: str) -> dict[str, Any]:
    (found,) = [a for a in rig.get("/api/alarms")["all"] if a["alarm"] == alarm]
    return dict(found)


def warned(rig: Rig) -> None:
    """Bring about the warning at 50 degC."""
    rig.recording()
    rig.fields["temp"] = 52.0
    rig.until(lambda: standing(rig).get("lye_temp.warn") == "unacknowledged", "the warning")


# -- put aside ---------------------------------------------------------------------------------------------


def test_shelving_needs_a_person_a_reason_and_a_time_that_is_allowed(rig: Rig) -> None:
    warned(rig)
    shelve = "/api/alarms/lye_temp.warn/shelve"
    rig.post(shelve, {"who": "Ada", "minutes": 5}, status=422)
    rig.post(shelve, {"who": " ", "note": "known", "minutes": 5}, status=422)
    refused = rig.post(shelve, {"who": "Ada", "note": "known", "minutes": 31}, status=409)["error"]
    assert refused["place"] == "lye_temp.warn"
    assert "at most 1800 s" in refused["remedy"]
    assert standing(rig)["lye_temp.warn"] == "unacknowledged"

    rig.post(shelve, {"who": "Ada", "note": "known, fan on order", "minutes": 5})
    found = row(rig, "lye_temp.warn")
    assert (found["state"], found["by"], found["why"]) == ("shelved", "Ada", "known, fan on order")
    assert found["shelved_until_utc"] > found["since_utc"]
    alarms = rig.get("/api/state")["alarms"]
    assert (alarms["state"], alarms["aside"], alarms["words"]) == ("clear", 2, "No alarms (2 put aside)")

    rig.post("/api/alarms/lye_temp.warn/unshelve", {"who": "Bo", "note": "looked again"})
    assert standing(rig)["lye_temp.warn"] == "unacknowledged"
    rig.post("/api/alarms/lye_temp.warn/unshelve", {"who": "Bo"}, status=409)


def test_shelving_runs_out_by_itself(rig: Rig) -> None:
    warned(rig)
    rig.post("/api/alarms/lye_temp.warn/shelve", {"who": "Ada", "note": "known", "minutes": 0.03})
    assert standing(rig)["lye_temp.warn"] == "shelved"
    rig.until(lambda: standing(rig).get("lye_temp.warn") == "unacknowledged", "the end of the shelving")


def test_out_of_service_and_back_is_written_down(rig: Rig) -> None:
    run_id = rig.recording()
    assert standing(rig)["volts.under"] == "out_of_service", "as the bench file says"
    # Until a current is seen the supply counts as off, and some alarms are suppressed by design.
    rig.until(
        lambda: all(a["state"] != "suppressed" for a in rig.get("/api/alarms")["all"]), "current to flow"
    )
    rig.post("/api/alarms/volts.under/into-service", {"who": "Ada", "note": "leads renewed"})
    assert "volts.under" not in standing(rig)
    out = "/api/alarms/lye_temp.warn/out-of-service"
    rig.post(out, {"who": "Ada"}, status=422)
    rig.post(out, {"who": "Ada", "note": "sensor lent"})
    rig.post(out, {"who": "Ada", "note": "sensor lent"}, status=409)
    rig.post("/api/alarms/lye_temp.warn/shelve", {"who": "Ada", "note": "x", "minutes": 1}, status=409)
    rig.fields["temp"] = 52.0
    rig.until(lambda: row(rig, "lye_temp.warn")["active"], "its condition is followed")
    assert standing(rig)["lye_temp.warn"] == "out_of_service"
    rig.post("/api/alarms/lye_temp.warn/into-service", {"who": "Bo"})
    assert standing(rig)["lye_temp.warn"] == "unacknowledged"

    def made() -> list[tuple[str, str, str, str]]:
        alarms = rig.get(f"/api/runs/{run_id}/alarms")["alarms"]
        ours = [a for a in alarms if a["alarm"] in ("lye_temp.warn", "volts.under")]
        return [(a["alarm"], a["to"], a["who"], a["note"]) for a in ours]

    rig.until(lambda: len(made()) >= 3, "all to be written down")
    assert made() == [
        ("volts.under", "normal", "Ada", "leads renewed"),
        ("lye_temp.warn", "out_of_service", "Ada", "sensor lent"),
        ("lye_temp.warn", "unacknowledged", "Bo", ""),
    ]


# -- restarts and runs -------------------------------------------------------------------------------------


def test_every_state_outlives_a_restart_of_the_service(rig: Rig) -> None:
    rig.recording()
    rig.fields["temp"] = 66.0
    rig.until(lambda: rig.device.relay == 0.0, "the guard trips")
    rig.until(lambda: standing(rig).get("lye_temp.trip") == "unacknowledged", "the alarm of the trip")
    rig.fields["temp"] = 40.0
    rig.until(lambda: standing(rig).get("lye_temp.trip") == "latched_unack", "it is latched")
    rig.until(lambda: standing(rig).get("lye_temp.warn") == "returned", "the warning returns")
    rig.post("/api/alarms/lye_temp.trip/acknowledge", {"who": "Ada", "note": "fan mended"})
    rig.post("/api/alarms/lye_temp.high/shelve", {"who": "Ada", "note": "known", "minutes": 60})
    rig.post("/api/alarms/amps.high/out-of-service", {"who": "Bo", "note": "shunt lent"})
    rig.post("/api/alarms/volts.under/into-service", {"who": "Bo"})
    rig.post("/api/alarms/supply.tripped/acknowledge", {"who": "Ada"})
    before = {a["alarm"]: a for a in rig.get("/api/alarms")["all"]}
    assert set(standing(rig).values()) == {
        "latched_ack",
        "shelved",
        "out_of_service",
        "acknowledged",
        "returned",
    }

    rig.restart()
    rig.recording()
    after = {a["alarm"]: a for a in rig.get("/api/alarms")["all"]}
    for alarm, was in before.items():
        for key in ("state", "since_utc", "by", "why", "shelved_until_utc"):
            assert after[alarm][key] == was[key], (alarm, key)
    rig.post("/api/alarms/lye_temp.trip/reset", {"who": "Ada"})
    assert "lye_temp.trip" not in standing(rig)


def test_what_changed_while_no_service_ran_is_taken_up(rig: Rig) -> None:
    warned(rig)
    rig.post("/api/trip", {"who": "Ada", "reason": "lunch"})
    rig.until(lambda: standing(rig).get("supply.tripped") == "unacknowledged", "the trip's alarm")
    with rig.away():
        rig.fields["temp"] = 40.0
        with asking(rig.bench) as reader:
            assert reader.ask("reset", {"reason": "back again"}, "Ada").result(30.0).ok
    rig.recording()
    rig.until(lambda: standing(rig).get("lye_temp.warn") == "returned", "the warning returned meanwhile")
    rig.until(lambda: standing(rig).get("supply.tripped") == "returned", "so did the trip")


def test_another_run_changes_nothing_about_an_alarm(rig: Rig) -> None:
    warned(rig)
    rig.post("/api/alarms/lye_temp.warn/acknowledge", {"who": "Ada", "note": "fan on"})
    rig.post("/api/alarms/amps.high/shelve", {"who": "Ada", "note": "known", "minutes": 60})
    before = {a: row(rig, a) for a in ("lye_temp.warn", "amps.high", "volts.under")}
    rig.post("/api/runs", {"name": "ring solder", "build": "B", "who": "Ada"})
    rig.until(lambda: rig.get("/api/state")["run"]["name"] == "ring solder", "the new run")
    run_id = rig.recording()
    rig.until(lambda: rig.get("/api/recent")["assessments"], "a tick")
    for alarm, was in before.items():
        now = row(rig, alarm)
        assert [now[k] for k in ("state", "by", "why")] == [was[k] for k in ("state", "by", "why")]

    def made() -> dict[str, tuple[float, str, str]]:
        kept = rig.get(f"/api/runs/{run_id}/alarms")["alarms"]
        return {a["alarm"]: (a["t_s"], a["to"], a["who"]) for a in kept}

    rig.until(lambda: len(made()) >= 3, "all to be written down")
    assert made() == {
        "lye_temp.warn": (0.0, "acknowledged", "Ada"),
        "amps.high": (0.0, "shelved", "Ada"),
        "volts.under": (0.0, "out_of_service", ""),
    }


# -- cutting -----------------------------------------------------------------------------------------------


def test_an_alarm_that_the_bench_file_lets_cut_cuts_and_holds_the_reset(rig: Rig) -> None:
    rig.recording()
    rig.fields["temp"] = 61.0
    rig.until(lambda: rig.device.relay == 0.0, "the relay opens below the hard limit")
    rig.until(lambda: rig.get("/api/state")["trip"], "the trip")
    trip = rig.get("/api/state")["trip"]
    assert (trip["cause"], trip["by"], trip["value"]) == ("lye_temp.high", "watch", 61.0)
    assert trip["detail"] == "Lye temperature high: 61 °C, limit 60 °C"
    assert trip["later"] == []
    reset = {"who": "Ada", "reason": "impatient", "cause_gone": True}
    refused = rig.post("/api/reset", reset, status=409)["error"]
    assert "the alarm stands: Lye temperature high: 61 °C, limit 60 °C" in refused["message"]
    assert rig.device.relay == 0.0

    rig.fields["temp"] = 66.0
    rig.until(lambda: rig.get("/api/state")["trip"]["later"], "a later cause")
    trip = rig.get("/api/state")["trip"]
    assert trip["cause"] == "lye_temp.high", "the first cause is kept"
    assert [t["cause"] for t in trip["later"]] == ["lye_temp.trip"]

    rig.fields["temp"] = 40.0
    rig.until(lambda: standing(rig)["lye_temp.high"] == "returned", "the alarm returns")
    rig.until(lambda: rig.client.post("/api/reset", json=reset).status_code == 200, "the reset")
    rig.until(lambda: rig.device.relay == 1.0, "the relay closes")
    assert rig.get("/api/state")["trip"] is None
    run_id = rig.recording()
    (kept,) = rig.get(f"/api/runs/{run_id}/review")["trips"]
    assert (kept["cause"], [t["cause"] for t in kept["later"]]) == ("lye_temp.high", ["lye_temp.trip"])


@pytest.mark.parametrize("act", ["shelve", "out-of-service"])
def test_put_aside_it_does_not_cut_and_back_again_it_does(rig: Rig, act: str) -> None:
    rig.recording()
    body: dict[str, Any] = {"who": "Ada", "note": "sensor reads high"}
    rig.post(f"/api/alarms/lye_temp.high/{act}", body | ({"minutes": 10} if act == "shelve" else {}))
    rig.fields["temp"] = 61.0
    rig.until(lambda: row(rig, "lye_temp.high")["active"], "the condition")
    ticks = len(rig.get("/api/recent")["assessments"])
    rig.until(lambda: len(rig.get("/api/recent")["assessments"]) >= ticks + 2, "two more ticks")
    assert rig.device.relay == 1.0
    back = {"shelve": "unshelve", "out-of-service": "into-service"}[act]
    rig.post(f"/api/alarms/lye_temp.high/{back}", {"who": "Ada"})
    rig.until(lambda: rig.device.relay == 0.0, "the relay opens")


def test_a_restarted_service_does_not_cut_for_what_has_gone(rig: Rig) -> None:
    rig.recording()
    with rig.away():
        rig.fields["temp"] = 61.0
        newest = rig.device.seq + 10
        rig.until(lambda: rig.device.seq > newest, "some hot frames")
        rig.fields["temp"] = 40.0
        newest = rig.device.seq + 10
        rig.until(lambda: rig.device.seq > newest, "some cool frames")
        # What is not kept yet has not gone: a service that starts on rows that end hot is right to cut.
        rig.until(lambda: rig.last_kept("lye_temp") < 50.0, "the cool frames to be kept")
    rig.recording()
    rig.until(lambda: standing(rig).get("lye_temp.high") == "returned", "it is known that it was hot")
    ticks = len(rig.get("/api/recent")["assessments"])
    rig.until(lambda: len(rig.get("/api/recent")["assessments"]) > ticks, "another tick")
    assert rig.device.relay == 1.0
    assert rig.get("/api/state")["trip"] is None


def test_a_restarted_service_cuts_for_what_stands(rig: Rig) -> None:
    rig.recording()
    with rig.away():
        rig.fields["temp"] = 61.0
        newest = rig.device.seq + 10
        rig.until(lambda: rig.device.seq > newest, "some hot frames")
        assert rig.device.relay == 1.0
    rig.until(lambda: rig.device.relay == 0.0, "the relay opens")


def test_a_reader_that_has_died_is_no_lost_source(rig: Rig) -> None:
    rig.recording()
    rig.stop_reader()
    rig.until(lambda: standing(rig).get("reader.lost") == "unacknowledged", "the lost reader")
    found = row(rig, "reader.lost")
    assert found["priority"] == "critical"
    assert "own switch" in found["do"]
    assert "head.lost" not in standing(rig)
    assert rig.get("/api/state")["data"]["words"].startswith("Reader not reachable: ")


# -- telling people ----------------------------------------------------------------------------------------


def test_people_are_told_of_what_is_grave_enough(
    bench: Bench, device: PtyDevice, receiver: LoopbackReceiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    with with_receiver(bench, receiver, monkeypatch) as client:
        rig = Rig(bench, device, client)
        try:
            rig.recording()
            rig.fields["temp"] = 61.0
            rig.until(lambda: "water-torch: Supply was cut (high)" in receiver.titles, "the news of the cut")
        finally:
            rig.close()
    titles = receiver.titles
    assert "water-torch: Lye temperature high (high)" in titles
    assert not any("near its limit" in t for t in titles), "a medium alarm stays at the page"
    body = receiver.received[titles.index("water-torch: Lye temperature high (high)")]["message"]
    lines = body.splitlines()
    assert lines[0] == "Lye temperature high: 61 °C, limit 60 °C"
    assert lines[1].startswith("It means: ")
    assert lines[2].startswith("Do: ")
    assert "The supply is being cut" in body
    assert "UTC" in lines[-1]


def test_a_message_that_does_not_get_through_is_an_alarm_until_one_does(
    bench: Bench, device: PtyDevice, receiver: LoopbackReceiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    receiver.status = 500
    with with_receiver(bench, receiver, monkeypatch) as client:
        rig = Rig(bench, device, client)
        try:
            rig.recording()
            rig.fields["temp"] = 61.0
            rig.until(lambda: standing(rig).get("notify.failed") == "unacknowledged", "the alarm of it")
            run_id = rig.recording()

            def kept() -> list[str]:
                alarms = rig.get(f"/api/runs/{run_id}/alarms")["alarms"]
                return [a["cause"] for a in alarms if a["alarm"] == "notify.failed"]

            causes = rig.until(kept, "it to be written down")
            assert "receiver 1 (json) took no message" in causes[0]
            receiver.status = 200
            rig.fields["amps"] = 31.0
            rig.until(lambda: standing(rig).get("notify.failed") == "returned", "the next one got through")
        finally:
            rig.close()
    assert not any("hunter2" in c or "s3cret" in c for c in causes)


def test_a_receiver_that_hangs_delays_neither_cut_nor_watch(
    bench: Bench, device: PtyDevice, receiver: LoopbackReceiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    receiver.held.clear()
    with with_receiver(bench, receiver, monkeypatch) as client:
        rig = Rig(bench, device, client)
        try:
            rig.recording()
            rig.fields["temp"] = 61.0
            rig.until(lambda: receiver.asked, "a message is under way and hangs")
            rig.until(lambda: rig.device.relay == 0.0, "the relay opens all the same")
            ticks = len(rig.get("/api/recent")["assessments"])
            rig.until(lambda: len(rig.get("/api/recent")["assessments"]) >= ticks + 3, "the watch goes on")
            assert receiver.received == []
            rig.until(lambda: rig.health()["watch_lag_s"] < 1.0, "the watch to keep up")
        finally:
            rig.close()


def test_a_restart_repeats_no_message(
    bench: Bench, device: PtyDevice, receiver: LoopbackReceiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    with with_receiver(bench, receiver, monkeypatch) as client:
        rig = Rig(bench, device, client)
        try:
            rig.recording()
            rig.fields["amps"] = 31.0
            rig.until(lambda: len(receiver.received) >= 2, "both alarms of the current")
            rig.restart()
            rig.recording()
            ticks = len(rig.get("/api/recent")["assessments"])
            rig.until(lambda: len(rig.get("/api/recent")["assessments"]) > ticks, "a tick after it")
            titles = sorted(receiver.titles)
        finally:
            rig.close()
    assert titles == [
        "water-torch: Current above the supply's rating (high)",
        "water-torch: Current high (high)",
    ]
