"""The MQTT source beyond the contract: sessions, logins, TLS, links that drip, hang and break."""

from __future__ import annotations

import json
import random
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from statistics import median
from typing import Any

import pytest

from daq.bench import MqttSpec
from daq.broker.link import login_of, refused
from daq.errors import UsageError
from daq.sources import Command, make_source
from daq.sources.mqtt import MqttSource
from daq.sources.wire import encode_frame
from tests.mosquitto import Mosquitto, Node, mosquitto_program
from tests.relay import Relay
from tests.sources.peers import Listener
from tests.waiting import wait_until

pytestmark = pytest.mark.server
TOPIC = "bench/node"


@pytest.fixture
def broker(tmp_path: Path, free_port: int) -> Iterator[Mosquitto]:
    made = Mosquitto(tmp_path / "broker", free_port)
    made.start()
    yield made
    made.kill()


def spec_of(port: int, **more: Any) -> MqttSpec:
    return MqttSpec.model_validate(
        {"host": "127.0.0.1", "port": port, "topic": TOPIC, "silent_after_s": 30.0, **more}
    )


def started(spec: MqttSpec) -> tuple[MqttSource, Listener]:
    source, listener = MqttSource("node", spec, rng=random.Random(1)), Listener()
    source.start(listener)
    return source, listener


def line(seq: int, ms: int) -> bytes:
    return encode_frame(seq, ms, {"temp": 20.0 + seq})


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_what_came_while_the_link_was_down_comes_afterwards(
    broker: Mosquitto, free_ports: Callable[[], int], version: str
) -> None:
    relay = Relay(free_ports(), broker.port)
    source, listener = started(spec_of(relay.port, format="line", version=version))
    node = Node(broker.port)
    try:
        listener.await_event("opened")
        begin = time.monotonic()
        sent_s: dict[int, float] = {}

        def say(seq: int) -> None:
            sent_s[seq] = time.monotonic()
            node.publish(TOPIC, line(seq, round(1000 * (sent_s[seq] - begin))))

        for seq in range(10):
            say(seq)
            time.sleep(0.02)
        listener.await_frames(10)
        relay.cut()
        listener.await_event("lost")
        for seq in range(10, 20):
            say(seq)
            time.sleep(0.05)
        relay.restore()
        frames = listener.await_frames(20)
        assert [f.seq for f in frames] == list(range(20))
        assert (source.counters.gaps, source.counters.reopened) == (0, 1)
        # The node's own milliseconds put what was kept at the time when it was said, not when it came.
        errors = [abs(f.mono_ns / 1e9 - sent_s[f.seq]) for f in frames[10:20]]
        late = [f.received_ns / 1e9 - sent_s[f.seq] for f in frames[10:20]]
        assert median(errors) < 0.5 * median(late)
    finally:
        node.close()
        assert source.stop()
        relay.cut()


def test_what_came_while_no_reader_ran_comes_afterwards(broker: Mosquitto) -> None:
    node = Node(broker.port)
    first, listener = started(spec_of(broker.port, format="line"))
    listener.await_event("opened")
    assert first.stop()
    node.publish(TOPIC, *[line(seq, 100 * seq) for seq in range(5)])
    # A look in between takes nothing away.
    look, looking = make_source("node", spec_of(broker.port, format="line"), trial=True), Listener()
    look.start(looking)
    looking.await_event("opened")
    node.publish(TOPIC, line(5, 500))
    looking.await_frames(1)
    assert look.stop()
    second, listener = started(spec_of(broker.port, format="line"))
    frames = listener.await_frames(6)
    assert second.stop()
    node.close()
    assert [f.seq for f in frames] == list(range(6))


def test_the_broker_dies_and_comes_back(broker: Mosquitto) -> None:
    source, listener = started(spec_of(broker.port, format="line"))
    listener.await_event("opened")
    broker.kill()
    assert "127.0.0.1" in listener.await_event("lost").text
    broker.start()
    listener.await_event("reopened")
    node = Node(broker.port)
    node.publish(TOPIC, line(1, 100))
    listener.await_frames(1)
    node.close()
    assert source.stop()


def test_packets_that_come_byte_by_byte(broker: Mosquitto, free_ports: Callable[[], int]) -> None:
    relay = Relay(free_ports(), broker.port)
    relay.drip = True
    source, listener = started(spec_of(relay.port, format="line"))
    node = Node(broker.port)
    listener.await_event("opened")
    node.publish(TOPIC, *[line(seq, 100 * seq) for seq in range(20)])
    assert [f.seq for f in listener.await_frames(20)] == list(range(20))
    assert source.counters.malformed == 0
    node.close()
    assert source.stop()
    relay.cut()


def test_a_link_that_hangs_is_noticed(broker: Mosquitto, free_ports: Callable[[], int]) -> None:
    relay = Relay(free_ports(), broker.port)
    source, listener = started(spec_of(relay.port, keepalive_s=2))
    listener.await_event("opened")
    relay.hang = True
    listener.await_event("lost")
    relay.hang = False
    listener.await_event("reopened")
    assert source.stop()
    relay.cut()


def test_whatever_listens_there_is_no_broker(free_port: int) -> None:
    with socket.create_server(("127.0.0.1", free_port)) as mute:
        mute.listen()
        source, listener = started(spec_of(free_port))
        lost = listener.await_event("lost")
        assert "TLS" in lost.text
        assert source.stop(20)


def test_retained_messages_are_of_nobody_knows_when(broker: Mosquitto) -> None:
    node = Node(broker.port)
    node.publish(TOPIC, line(1, 100), retain=True)
    for version in ("5", "3.1.1"):
        source, listener = started(spec_of(broker.port, format="line", version=version))
        listener.await_event("opened")
        node.publish(TOPIC, line(2, 200))
        assert [f.seq for f in listener.await_frames(1)] == [2]
        assert source.counters.late == (1 if version == "3.1.1" else 0)
        assert source.stop()
    node.close()


def test_packs_without_a_count_are_known_by_their_time(broker: Mosquitto) -> None:
    source, listener = started(spec_of(broker.port))
    listener.await_event("opened")
    node = Node(broker.port)
    packs = [
        json.dumps([{"bn": "n:", "n": "temp", "bt": 1.7e9 + k / 10, "v": 20}]).encode() for k in range(5)
    ]
    node.publish(TOPIC, *[p for p in packs for _ in range(2)])
    node.publish(TOPIC, *[b'[{"n":"temp","v":20}]'] * 3)  # without a time each may be another reading
    assert len(listener.await_frames(8)) == 8
    assert source.counters.duplicates == 5
    steps = [b.mono_ns - a.mono_ns for a, b in zip(listener.frames[:5], listener.frames[1:5], strict=False)]
    assert all(0 < step < 20e9 for step in steps)
    node.close()
    assert source.stop()


def test_commands_are_refused_and_counted(broker: Mosquitto) -> None:
    source, listener = started(spec_of(broker.port))
    listener.await_event("opened")
    assert source.send(Command("beat")) == 0
    source.send(Command("reset"))
    wait_until(lambda: source.counters.last_error, "the refusal")
    assert source.counters.commands_sent == 0
    assert source.stop()


# -- logins and TLS ------------------------------------------------------------------------------------------


@pytest.fixture
def locked(tmp_path: Path, free_port: int) -> Iterator[Mosquitto]:
    """A broker with TLS, passwords and an access list, as docs/broker.md sets one up."""
    folder = tmp_path / "locked"
    folder.mkdir()
    openssl = mosquitto_program("openssl")
    subprocess.run(
        f"{openssl} req -x509 -newkey rsa:2048 -nodes -days 2 -keyout key.pem -out cert.pem "
        "-subj /CN=localhost -addext subjectAltName=IP:127.0.0.1".split(),
        cwd=folder,
        check=True,
        capture_output=True,
    )
    (folder / "passwords").write_text("", encoding="utf-8")
    for user in ("reader", "node"):
        subprocess.run(
            [mosquitto_program("mosquitto_passwd"), "-b", str(folder / "passwords"), user, f"{user}-secret"],
            check=True,
            capture_output=True,
        )
    (folder / "access").write_text(
        f"user reader\ntopic read {TOPIC}\nuser node\ntopic write {TOPIC}\n", encoding="utf-8"
    )
    made = Mosquitto(
        folder,
        free_port,
        "allow_anonymous false\nmax_queued_messages 0\n"
        f"password_file {folder}/passwords\nacl_file {folder}/access\n"
        f"cafile {folder}/cert.pem\ncertfile {folder}/cert.pem\nkeyfile {folder}/key.pem\n",
    )
    made.start()
    yield made
    made.kill()


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_tls_and_password(locked: Mosquitto, monkeypatch: pytest.MonkeyPatch, version: str) -> None:
    trusted = str(locked.file.parent / "cert.pem")
    spec = spec_of(locked.port, tls=True, ca_file=trusted, format="line", version=version)
    monkeypatch.setenv("LYEWATCH_MQTT_USER", "reader")
    monkeypatch.setenv("LYEWATCH_MQTT_PASSWORD", "guessed")
    source, listener = started(spec)
    lost = listener.await_event("lost")
    assert "LYEWATCH_MQTT_PASSWORD" in lost.text
    assert "guessed" not in lost.text
    monkeypatch.setenv("LYEWATCH_MQTT_PASSWORD", "reader-secret")
    assert source.stop()
    source, listener = started(spec)
    listener.await_event("opened")
    node = Node(locked.port, user="node", password="node-secret", ca_file=trusted)
    node.publish(TOPIC, line(1, 100))
    listener.await_frames(1)
    node.close()
    assert source.stop()


def test_a_certificate_that_nobody_vouches_for(locked: Mosquitto) -> None:
    source, listener = started(spec_of(locked.port, tls=True))
    assert "certificate" in listener.await_event("lost").text
    assert source.stop()


def test_logins_come_from_the_environment() -> None:
    spec = spec_of(1883, login="SHED")
    assert login_of(spec, {}) == (None, None)
    assert login_of(spec, {"SHED_USER": "a", "SHED_PASSWORD": "b"}) == ("a", "b")
    with pytest.raises(UsageError, match="SHED_USER"):
        login_of(spec, {"SHED_PASSWORD": "b"})


def test_a_subscription_that_is_refused() -> None:
    assert refused((1,)) is None
    assert refused((128,)) == "refused"
    assert refused(()) == "refused"
