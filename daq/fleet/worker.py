"""One gather worker: takes batches from the broker, writes them to the server, and only then acknowledges
them.

Workers share one subscription (MQTT 5), so that each batch goes to one of them. A worker that is killed has
acknowledged nothing that is not stored: the broker keeps its share in its session, and gives it to the worker
of the same name that comes next. A batch that comes again writes the same points again, which changes
nothing.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from daq.broker import MAX_BATCH_BYTES, Batch, Topics, decode_batch, parse_topic
from daq.broker.link import login_of, tls_context
from daq.errors import FrameError, LyewatchError, StoreError
from daq.fleet.digest import Digest, digest_topic
from daq.fleet.settings import Fleet
from daq.store.influxdb import InfluxPlace, InfluxServer, Refused, ServerAway, live_lines

__all__ = ["Worker"]

log = logging.getLogger(__name__)

_TAKE: Final = 400  # batches written with one request
_PACE_S: Final = 0.1  # so many seconds of batches go to the server together
_AGAIN_S: Final = (0.2, 5.0)


class Worker:
    """A worker.

    Parameters
    ----------
    fleet : Fleet
    name : str
        Which of the workers it is; two of the same name can not run at once.
    say : callable
        Takes lines for people.
    """

    def __init__(self, fleet: Fleet, name: str, *, say: Callable[[str], None] = log.info) -> None:
        self.fleet = fleet
        self.name = name
        self.stored = 0
        self.spoilt = 0
        self.refused = 0
        self._say = say
        self._server = InfluxServer(
            InfluxPlace(fleet.influxdb.url, fleet.influxdb.bucket, fleet.influxdb.org)
        )
        self._taken: queue.Queue[mqtt.MQTTMessage] = queue.Queue()
        self._away = False
        self._client = self._new_client()

    def run(self, stop: threading.Event) -> None:
        """Work until told to stop. What is not yet stored then is not acknowledged, and comes again."""
        broker = self.fleet.broker
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = self.fleet.gather.session_s
        properties.ReceiveMaximum = self.fleet.gather.in_flight
        properties.MaximumPacketSize = MAX_BATCH_BYTES + 2048
        self._client.connect_async(
            broker.host, broker.number, keepalive=broker.keepalive_s, clean_start=False, properties=properties
        )
        self._client.loop_start()
        try:
            while not stop.is_set():
                taken = self._take()
                if taken:
                    self._work(taken, stop)
        finally:
            self._client.disconnect()
            self._client.loop_stop()
            self._server.close()

    # -- broker ------------------------------------------------------------------------------------

    def _new_client(self) -> mqtt.Client:
        spec, gather = self.fleet.broker, self.fleet.gather
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"lyewatch-{gather.group}-{self.name}",
            protocol=mqtt.MQTTv5,
            manual_ack=True,
        )
        user, password = login_of(spec)
        if user is not None:
            client.username_pw_set(user, password)
        if spec.tls:
            client.tls_set_context(tls_context(spec))
        client.reconnect_delay_set(1, 10)
        client.on_connect = self._on_connect
        client.on_message = lambda _client, _data, message: self._taken.put(message)
        client.on_disconnect = lambda _client, _data, _flags, reason, _properties: self._say(
            f"worker {self.name}: the link to the broker is gone: {reason}"
        )
        return client

    def _on_connect(
        self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any
    ) -> None:
        if reason.is_failure:
            self._say(f"worker {self.name}: the broker refuses: {reason}")
            return
        # What came by the link that is gone can not be acknowledged any more; the broker sends it again.
        while not self._taken.empty():
            self._taken.get_nowait()
        client.subscribe(
            Topics.every_bench("samples", self.fleet.broker.prefix, group=self.fleet.gather.group), qos=1
        )
        self._say(f"worker {self.name}: gathers from {self.fleet.broker.host}:{self.fleet.broker.number}")

    def _take(self) -> list[mqtt.MQTTMessage]:
        try:
            taken = [self._taken.get(timeout=0.1)]
        except queue.Empty:
            return []
        until = time.monotonic() + _PACE_S
        while len(taken) < _TAKE and (left := until - time.monotonic()) > 0:
            try:
                taken.append(self._taken.get(timeout=left))
            except queue.Empty:
                break
        return taken

    # -- server ------------------------------------------------------------------------------------

    def _work(self, taken: list[mqtt.MQTTMessage], stop: threading.Event) -> None:
        batches: list[Batch] = []
        lines: list[bytes] = []
        for message in taken:
            batch = self._decoded(message)
            if batch is not None:
                batches.append(batch)
                for block in batch.blocks:
                    lines += live_lines(batch.bench, batch.run, batch.start_utc_ns, block)
        refused = self._written(lines, stop)
        if refused is None:
            return
        if refused:
            self.refused += len(refused)
            self._say(f"worker {self.name}: the server refused {len(refused)} points: {refused[0].reason}")
        digest = Digest()
        for batch in batches:
            self.stored += batch.rows
            digest.add(batch)
        payload = digest.take()
        if payload is not None:
            # Before the acknowledgements, by the same link: what the broker counts as done has been told.
            self._client.publish(digest_topic(self.fleet.broker.prefix, self.name), payload, qos=0)
        for message in taken:
            self._client.ack(message.mid, message.qos)

    def _decoded(self, message: mqtt.MQTTMessage) -> Batch | None:
        """What a message holds; None, counted, for what is no batch: sending it again would not mend it."""
        try:
            where = parse_topic(message.topic, self.fleet.broker.prefix)
            if where is None:
                raise FrameError("is of no bench", place=message.topic)
            return decode_batch(bytes(message.payload), bench=where[0])
        except FrameError as exc:
            self.spoilt += 1
            self._say(f"worker {self.name}: {message.topic}: {exc}")
            return None

    def _written(self, lines: list[bytes], stop: threading.Event) -> list[Refused] | None:
        """Write until the server has answered; None when told to stop before."""
        wait = _AGAIN_S[0]
        while not stop.is_set():
            try:
                refused = self._server.write(lines)
                if self._away:
                    self._say(f"worker {self.name}: the server answers again")
                self._away = False
                return refused
            except (ServerAway, StoreError) as exc:
                if not self._away:
                    self._say(f"worker {self.name}: {exc}")
                self._away = True
                stop.wait(wait)
                wait = min(wait * 2, _AGAIN_S[1])
        return None


def run_worker(fleet: Fleet, name: str, stop: Any, say: Callable[[str], None]) -> None:
    """Run a worker in a process of its own; an error of ours is said and ends it.

    Parameters
    ----------
    fleet : Fleet
    name : str
        Which of the workers it is.
    stop : event of multiprocessing
        Ends it once set.
    say : callable
        Takes lines for people.
    """
    try:
        Worker(fleet, name, say=say).run(stop)
    except LyewatchError as exc:
        say(f"worker {name}: {exc}")
        raise SystemExit(exc.exit_code) from None
