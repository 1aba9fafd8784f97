"""A look at a broker: whether it lets one in, and what is published there. It publishes nothing itself.

The session is of its own and is forgotten afterwards: a reader's, and what waits in it, is left alone.
"""

from __future__ import annotations

import asyncio
import time
import uuid
from dataclasses import dataclass
from typing import Final

import aiomqtt

from daq.bench import BrokerAddress
from daq.broker.link import broker_error, connected, make_client, refused
from daq.errors import LyewatchError, PortError

__all__ = ["TopicMessage", "look"]

_MOST: Final = 5000
"""Messages that are kept at the most."""


@dataclass(frozen=True, slots=True)
class TopicMessage:
    """A message, and when it came by the monotonic clock [s]."""

    topic: str
    payload: bytes
    t_s: float


def look(spec: BrokerAddress, *, topic: str | None = None, seconds: float = 0.0) -> list[TopicMessage]:
    """Connect, and with a topic listen to it; wildcards are allowed. Retained messages are passed over.

    Parameters
    ----------
    spec : BrokerAddress
    topic : str, optional
        What to subscribe to; without one nothing is.
    seconds : float
        How long to listen [s].

    Raises
    ------
    PortError, UsageError
        When the broker is not there, or does not let one in or read.
    """
    place = f"{spec.host}:{spec.number}"
    # Not the default loop: on Windows that one has no add_reader, which the library needs.
    with asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner:
        try:
            return runner.run(_look(spec, topic, seconds, place))
        except (LyewatchError, aiomqtt.MqttError, OSError, TimeoutError) as exc:
            raise broker_error(exc, spec, place) from exc


async def _look(spec: BrokerAddress, topic: str | None, seconds: float, place: str) -> list[TopicMessage]:
    messages: list[TopicMessage] = []
    async with connected(make_client(spec, f"lyewatch-look-{uuid.uuid4().hex[:12]}")) as client:
        if topic is None:
            return messages
        why = refused(await client.subscribe(topic, qos=0))
        if why is not None:
            raise PortError(
                f"the broker does not let it read {topic!r}: {why}",
                place=place,
                remedy="name the topic that this account may read; see the broker's access list",
            )
        try:
            async with asyncio.timeout(seconds):
                async for message in client.messages:
                    if not message.retain and len(messages) < _MOST:
                        messages.append(
                            TopicMessage(str(message.topic), bytes(message.payload), time.monotonic())
                        )
        except TimeoutError:
            pass
    return messages
