"""The overview's own link to the broker: digests of all workers, and what benches keep there."""

from __future__ import annotations

import logging
import uuid
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from daq.broker import Topics
from daq.broker.link import login_of, tls_context
from daq.fleet.digest import digest_topic
from daq.fleet.overview import Overview
from daq.fleet.settings import Fleet

__all__ = ["Listener"]

log = logging.getLogger(__name__)

_RETAINED = ("about", "recorder", "assessment", "alarms")


class Listener:
    """Feeds an overview from the broker, in a thread of its own, and connects again by itself.

    Attributes
    ----------
    faults : int
        Messages that could not be taken because of a fault of this program.
    """

    def __init__(self, fleet: Fleet, overview: Overview) -> None:
        self.fleet = fleet
        self.overview = overview
        self.connected = False
        self.trouble: str | None = "not connected yet"
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"lyewatch-overview-{uuid.uuid4().hex[:12]}",
            protocol=mqtt.MQTTv5,
        )
        user, password = login_of(fleet.broker)
        if user is not None:
            self._client.username_pw_set(user, password)
        if fleet.broker.tls:
            self._client.tls_set_context(tls_context(fleet.broker))
        self._client.reconnect_delay_set(1, 10)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message
        self.faults = 0
        self._closing = False

    def start(self) -> None:
        """Connect, and keep at it."""
        broker = self.fleet.broker
        self._client.connect_async(broker.host, broker.number, keepalive=broker.keepalive_s)
        self._client.loop_start()

    @property
    def dead(self) -> bool:
        """Whether its thread has ended, which it should not: nothing will be heard any more."""
        thread = self._client._thread
        return not self._closing and (thread is None or not thread.is_alive())

    def close(self) -> None:
        """Disconnect."""
        self._closing = True
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(
        self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any
    ) -> None:
        if reason.is_failure:
            self.trouble = f"the broker refuses: {reason}"
            return
        prefix = self.fleet.broker.prefix
        wanted = [(digest_topic(prefix, "+"), 0), *((Topics.every_bench(s, prefix), 1) for s in _RETAINED)]
        client.subscribe(wanted)
        self.connected, self.trouble = True, None

    def _on_message(self, _client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        try:
            self.overview.hear(message.topic, bytes(message.payload))
        except Exception:
            # The library's thread would end of it, and every bench fall silent.
            self.faults += 1
            log.exception("%s: a message could not be taken", message.topic)

    def _on_disconnect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self.connected, self.trouble = False, f"the link to the broker is gone: {reason}"
