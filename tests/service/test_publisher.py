"""The service publishes over a real broker that is killed, refuses, and is not there at all."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daq.broker import Batch, Continuity, decode_batch, parse_topic
from daq.frame import Block
from tests.mosquitto import Mosquitto, Node
from tests.relay import Relay
from tests.service.conftest import Rig

pytestmark = pytest.mark.server
OURS = "lyewatch/v1/torch-1/"


@pytest.fixture
def broker(tmp_path: Path, free_port: int) -> Iterator[Mosquitto]:
    made = Mosquitto(tmp_path / "broker", free_port)
    yield made
    made.kill()


@pytest.fixture
def relay(free_ports: Callable[[], int], broker: Mosquitto) -> Iterator[Relay]:
    made = Relay(free_ports(), broker.port)
    yield made
    made.cut()


@pytest.fixture
def tables(relay: Relay) -> str:
    return (
        f'[broker]\nhost = "127.0.0.1"\nport = {relay.port}\nbench_id = "torch-1"\n'
        "batch_s = 0.2\nkeepalive_s = 2"
    )


@pytest.fixture
def connect(broker: Mosquitto) -> Iterator[Callable[[], Node]]:
    """A function that gives a client of the broker; all are closed in the end."""
    nodes: list[Node] = []

    def one() -> Node:
        nodes.append(Node(broker.port))
        return nodes[-1]

    yield one
    for node in nodes:
        node.close()


class Gathered:
    """What came of samples, over any number of subscriptions."""

    def __init__(self) -> None:
        self.count = Continuity()
        self.batches: list[Batch] = []
        self._looked = 0

    def take(self, node: Node) -> None:
        """Take in what a node has got since the last time."""
        fresh = node.got[self._looked :]
        self._looked += len(fresh)
        for topic, payload, _ in fresh:
            bench, stream = parse_topic(topic) or ("", "")
            if stream == "samples":
                batch = decode_batch(payload, bench=bench)
                if self.count.see(batch.epoch, batch.n) == "new":
                    self.batches.append(batch)

    def another(self) -> None:
        """The next node begins."""
        self._looked = 0

    def seqs(self, run: str) -> list[int]:
        """The device's numbers of all rows of a run."""
        return [int(n) for b in self.batches if b.run == run for block in b.blocks for n in block.seq]


def latest(node: Node, stream: str) -> dict[str, Any]:
    """The newest message of a retained stream."""
    return dict(json.loads([p for t, p, _ in node.got if t == OURS + stream][-1]))


def has(node: Node, stream: str, true: Callable[[dict[str, Any]], object] = bool) -> bool:
    """Whether the newest message of a retained stream is as it should be."""
    return any(t == OURS + stream for t, _, _ in node.got) and bool(true(latest(node, stream)))


def _recording(state: dict[str, Any]) -> bool:
    return bool(state["recording"])


def _all_acknowledged_came(rig: Rig, gathered: Gathered, node: Node) -> bool:
    gathered.take(node)
    return len(gathered.batches) >= int(rig.health()["publishing"]["sent"])


def _offline(state: dict[str, Any]) -> bool:
    return bool(state["words"] == "recorder offline")


def test_samples_and_what_stands(rig: Rig, broker: Mosquitto, connect: Callable[[], Node]) -> None:
    run = rig.recording()  # the broker is not even there yet
    broker.start()
    node = connect()
    node.subscribe("lyewatch/#")
    gathered = Gathered()

    def enough() -> bool:
        gathered.take(node)
        return len(gathered.seqs(run)) > 60

    rig.until(enough, "samples over the broker")
    for stream in ("about", "recorder", "assessment", "alarms"):
        rig.until(lambda s=stream: has(node, s), stream)  # type: ignore[misc]
    rig.until(
        lambda: has(node, "recorder", lambda r: r["recording"] and r["run"] == run), "the recorder online"
    )
    about = latest(node, "about")
    assert about["channels"]["lye_temp"] == {"unit": "degC", "source": "head"}
    assert latest(node, "assessment")["run"] == run
    assert gathered.count.missing == 0
    assert_as_stored(rig, gathered, run)
    # A cable that comes out is an alarm, and stands for whoever subscribes later.
    rig.post("/api/trip", {"reason": "a try", "who": "test"})
    rig.until(lambda: has(node, "alarms", lambda a: a["alarms"]), "an alarm that stands")
    late = connect()
    late.subscribe(OURS + "alarms")
    rig.until(lambda: has(late, "alarms", lambda a: a["alarms"][0]["state"]), "the retained alarm")
    assert late.got[0][2], "retained"
    status = rig.health()["publishing"]
    assert (status["state"], status["given_up"], status["missed_rows"]) == ("open", 0, 0)
    rig.restart()  # which says good-bye, counts on, and misses nothing
    rig.until(lambda: has(node, "recorder", lambda r: r["state"] == "online"), "the recorder online again")
    words = [json.loads(p)["state"] for t, p, _ in node.got if t == OURS + "recorder"]
    assert "offline" in words
    rig.stop_reader()
    rig.until(lambda: has(node, "recorder", lambda r: r["words"] == "recorder offline"), "the reader's end")

    def all_came() -> bool:
        gathered.take(node)
        return len(gathered.seqs(run)) >= len(rig.store.read(run)["head"])

    rig.until(all_came, "every sample")
    assert gathered.count.missing == 0
    assert len({b.epoch for b in gathered.batches}) == 1
    assert_as_stored(rig, gathered, run)


def assert_as_stored(rig: Rig, gathered: Gathered, run: str) -> None:
    """What came over the broker is, to the last bit, what the store holds at those times."""
    parts = [block for b in gathered.batches if b.run == run for block in b.blocks]
    stored: Block = rig.store.read(run)["head"]
    t_ns = np.concatenate([p.t_ns for p in parts])
    at = np.searchsorted(stored.t_ns, t_ns)
    assert np.array_equal(stored.t_ns[at], t_ns)
    assert np.unique(t_ns).size == t_ns.size
    for channel, values in stored.values.items():
        came = np.concatenate([p.values[channel] for p in parts])
        assert np.array_equal(values[at], came, equal_nan=True)


def test_a_link_that_breaks_and_a_broker_that_is_killed(
    rig: Rig, broker: Mosquitto, relay: Relay, connect: Callable[[], Node]
) -> None:
    run = rig.recording()
    gathered, first = Gathered(), 0
    relay.cut()
    for outage in range(2):
        broker.start()
        node = connect()
        node.subscribe("lyewatch/v1/+/samples")
        node.subscribe(OURS + "recorder")
        relay.restore()
        before = len(gathered.batches)

        def more(node: Node = node, before: int = before) -> bool:
            gathered.take(node)
            return len(gathered.batches) >= before + 5

        rig.until(more, "batches after the outage")
        if outage:
            # With batches on their way to it. What it has acknowledged is its own to lose, and a reset
            # connection may lose what lies unread: so its subscriber has that first.
            relay.hang = True
            rig.until(partial(_all_acknowledged_came, rig, gathered, node), "what was acknowledged")
            broker.kill()
            relay.cut()  # so that the next subscription is there before the sender
            relay.hang = False
        else:
            rig.until(partial(has, node, "recorder", _recording), "the recorder online")
            relay.cut()  # as when this computer loses its power: the broker says the last will
            rig.until(partial(has, node, "recorder", _offline), "the will")
            broker.kill()
        gathered.take(node)
        first = max(gathered.seqs(run))
        recorded = len(rig.store.read(run)["head"])
        rig.until(lambda n=recorded: len(rig.store.read(run)["head"]) > n + 10, "recording to go on")  # type: ignore[misc]
        assert rig.health()["publishing"]["waiting"] > 0
        node.close()
        gathered.take(node)
        gathered.another()
    broker.start()
    node = connect()
    node.subscribe("lyewatch/v1/+/samples")
    relay.restore()
    rig.stop_reader()

    def caught_up() -> bool:
        gathered.take(node)
        last = int(rig.store.read(run)["head"].seq[-1])
        return rig.health()["publishing"]["waiting"] == 0 and last in gathered.seqs(run)

    rig.until(caught_up, "the last sample, and the outbox to be empty")
    assert max(gathered.seqs(run)) > first
    stored = rig.store.read(run)["head"].seq.tolist()
    assert stored == list(range(stored[0], stored[0] + len(stored))), "recording is untouched"
    came = gathered.seqs(run)
    assert sorted(came) == list(range(min(came), max(came) + 1)), "every sample once"
    assert gathered.count.missing == 0
    status = rig.health()["publishing"]
    assert status["reconnects"] >= 2
    assert status["given_up"] == status["missed_rows"] == 0
    print(f"\n{len(gathered.batches)} batches of {len(came)} samples, {gathered.count.duplicates} twice")


def test_a_broker_that_refuses_what_is_published(rig: Rig, tmp_path: Path, broker: Mosquitto) -> None:
    access = tmp_path / "broker" / "access"
    access.write_text("topic read lyewatch/#\n", encoding="utf-8")
    with broker.file.open("a", encoding="utf-8") as file:
        file.write(f"acl_file {access}\n")
    rig.recording()
    broker.start()

    def refused() -> bool:
        status = rig.health()["publishing"]
        return "refuse" in (status["last_error"] or "")

    rig.until(refused, "the refusal to be said")
    status = rig.health()["publishing"]
    assert status["sent"] == 0
    assert status["waiting"] > 0
