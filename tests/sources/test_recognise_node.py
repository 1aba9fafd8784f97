"""Nodes on a real broker, recognised by what they publish; and a look that changes nothing there."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from daq.bench import BrokerAddress
from daq.broker.look import look
from daq.errors import PortError
from daq.sources.recognise_node import hear_nodes
from daq.sources.wire import encode_frame
from tests.mosquitto import Mosquitto, Node

pytestmark = pytest.mark.server


@pytest.fixture
def broker(tmp_path: Path, free_port: int) -> Iterator[Mosquitto]:
    made = Mosquitto(tmp_path / "broker", free_port)
    made.start()
    yield made
    made.kill()


def pack(n: int) -> bytes:
    # RFC 8428, section 5.1.2's form: a base name, and records with units of section 12.1.
    return json.dumps(
        [
            {"bn": "urn:dev:mac:0024befffe804ff1:", "n": "seq", "v": n},
            {"n": "room", "u": "Cel", "v": 21.5},
            {"n": "volts", "u": "V", "v": 120.1},
            {"n": "label", "vs": "north window"},
        ]
    ).encode()


@contextmanager
def publishing(port: int) -> Iterator[None]:
    """Two nodes that publish five times a second, one retained message, and what is no node's."""
    node, ending = Node(port), threading.Event()
    node.publish("bench/old", pack(0), retain=True)

    def say() -> None:
        n = 0
        while not ending.wait(0.2):
            n += 1
            node.publish("bench/shed", pack(n))
            node.publish("bench/torch", encode_frame(n, 200 * n, {"amps": 8.1, "relay": 1.0}))
            node.publish("house/door", b"open")

    thread = threading.Thread(target=say)
    thread.start()
    try:
        yield
    finally:
        ending.set()
        thread.join(20)
        node.close()


def test_both_formats_are_recognised_and_what_is_neither_is_left(broker: Mosquitto) -> None:
    with publishing(broker.port):
        shed, torch = hear_nodes(f"mqtt://127.0.0.1:{broker.port}", 3.0)
    assert shed.keys == {
        "host": "127.0.0.1", "port": broker.port, "topic": "bench/shed", "format": "senml",
    }  # fmt: skip
    assert shed.values == {"room": 21.5, "volts": 120.1}
    assert shed.units == {"room": "degC", "volts": "V"}
    assert torch.keys["format"] == "line"
    assert torch.values == {"amps": 8.1, "relay": 1.0}
    assert {shed.kind, torch.kind} == {"mqtt"}
    # On a loaded machine a node may speak more rarely than it wishes.
    assert 0.5 < shed.rate_hz < 6.0


def test_one_topic_alone(broker: Mosquitto) -> None:
    with publishing(broker.port):
        (only,) = hear_nodes(f"mqtt://127.0.0.1:{broker.port}/bench/torch", 2.0)
    assert only.keys["topic"] == "bench/torch"


def test_a_look_leaves_no_session_and_says_nothing(broker: Mosquitto) -> None:
    watcher = Node(broker.port)
    watcher.subscribe("#")
    assert look(BrokerAddress(host="127.0.0.1", port=broker.port)) == []
    watcher.publish("end", b"1")
    watcher.close()
    assert [topic for topic, _, _ in watcher.got if topic != "end"] == []


@pytest.mark.parametrize("address", ["mqtt://", "mqtt://host:99999", "mqtt://user@host", "tcp://host"])
def test_an_address_that_is_none_is_said(address: str) -> None:
    with pytest.raises(PortError, match="no broker's address"):
        hear_nodes(address, 0.1)


def test_a_broker_that_is_away_is_said(free_ports: Callable[[], int]) -> None:
    with pytest.raises(PortError, match="see that the broker runs there"):
        hear_nodes(f"mqtt://127.0.0.1:{free_ports()}/bench", 0.1)


def test_who_is_not_let_in_is_told_so(tmp_path: Path, free_port: int) -> None:
    made = Mosquitto(tmp_path / "broker", free_port, "allow_anonymous false\n")
    made.start()
    try:
        with pytest.raises(PortError, match="LYEWATCH_MQTT_USER"):
            look(BrokerAddress(host="127.0.0.1", port=free_port))
    finally:
        made.kill()
