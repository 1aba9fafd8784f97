"""A node on Wi-Fi, read from a topic of an MQTT broker (3.1.1 or 5) with aiomqtt.

The source's own thread runs the library's event loop, and only while it waits for messages, so that no other
thread touches anything. The session is persistent and the quality of service 1: what a node publishes while
this link is down is kept by the broker and comes afterwards. What comes twice is dropped by its sequence
number. As with a serial port, what was received and not yet committed is lost when the process is killed.
"""

from __future__ import annotations

import asyncio
import hashlib
import random
import time
import uuid
from collections import deque
from collections.abc import Callable, Iterable
from typing import Final

import aiomqtt
from paho.mqtt.subscribeoptions import SubscribeOptions

from daq.bench import MqttSpec
from daq.broker.link import broker_error, heed, let_go, make_client, refused
from daq.errors import LyewatchError, PortError
from daq.sources.base import Source
from daq.sources.messages import MessageDecoder
from daq.sources.outbox import Command
from daq.sources.reading import Message
from daq.sources.transcript import Transcript

__all__ = ["MqttSource"]

_MOST_WAITING: Final = 20_000
"""Messages received and not taken yet; more are dropped and counted."""
_AT_ONCE: Final = 500
_NO_RETAINED: Final = 2


class MqttSource(Source):
    """What one node publishes.

    Parameters
    ----------
    name : str
        The source's name in the bench file.
    spec : MqttSpec
        The broker, the topic, and what its messages are.
    trial : bool
        For a look only: with a session of its own that the broker forgets, so that a reader's is left alone.
    rng, now
        See `Source`.
    """

    def __init__(
        self,
        name: str,
        spec: MqttSpec,
        *,
        trial: bool = False,
        rng: random.Random | None = None,
        now: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        super().__init__(
            name, place=spec.place, clock=spec.clock, silent_after_s=spec.silent_after_s, rng=rng, now=now
        )
        self.transcript = Transcript()
        self._spec = spec
        self._trial = trial
        self._decoder = MessageDecoder(self.counters, spec, self.transcript)
        self._client_id = f"lyewatch-look-{uuid.uuid4().hex[:12]}" if trial else _client_id(name, spec)
        self._stamps: deque[int] = deque()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._client: aiomqtt.Client | None = None
        self._connected = False
        self._next: asyncio.Task[aiomqtt.Message] | None = None
        self._woken: asyncio.Event | None = None

    # -- the driver ----------------------------------------------------------------------------------------

    def _open(self) -> None:
        # Not the default loop: on Windows that one has no add_reader, which the library needs.
        self._loop = asyncio.SelectorEventLoop()
        self._stamps.clear()
        self._loop.run_until_complete(self._connect())

    async def _connect(self) -> None:
        self._woken = asyncio.Event()
        self._client = client = make_client(
            self._spec,
            self._client_id,
            session_s=None if self._trial else self._spec.session_s,
            largest_bytes=self._spec.payload_bytes,
            queue_type=self._inbox,
        )
        await client.__aenter__()
        self._connected = True
        five = self._spec.version == "5"
        codes = await client.subscribe(
            self._spec.topic,
            qos=0 if five else 1,
            options=SubscribeOptions(qos=1, retainHandling=_NO_RETAINED) if five else None,
        )
        why = refused(codes)
        if why is not None:
            raise PortError(
                f"the broker does not let it read this topic: {why}",
                place=self.place,
                remedy="see the broker's access list, and docs/broker.md",
            )

    def _inbox(self, maxsize: int = 0) -> _Inbox:
        return _Inbox(self)

    def _take(self, timeout_s: float) -> Iterable[tuple[int, Message]]:
        assert self._loop is not None
        return self._loop.run_until_complete(self._messages(timeout_s))

    async def _messages(self, timeout_s: float) -> list[tuple[int, Message]]:
        assert self._client is not None
        assert self._woken is not None
        messages = self._client.messages
        if self._next is None:
            self._next = asyncio.ensure_future(messages.__anext__())
        waking = asyncio.ensure_future(self._woken.wait())
        # The one that gets the next message is never cancelled half-way: it may hold one already.
        await asyncio.wait((self._next, waking), timeout=timeout_s, return_when=asyncio.FIRST_COMPLETED)
        waking.cancel()
        self._woken.clear()
        if not self._next.done():
            return []
        task, self._next = self._next, None
        decoded = self._decode(task.result())
        for _ in range(min(_AT_ONCE, len(messages))):
            decoded += self._decode(await messages.__anext__())
        return decoded

    def _decode(self, message: aiomqtt.Message) -> list[tuple[int, Message]]:
        received_ns = self._stamps.popleft()
        if message.retain:
            # Of some time ago, nobody knows when.
            self.counters.late += 1
            return []
        payload = message.payload
        decoded = self._decoder.feed(bytes(payload))
        return [(received_ns, one) for one in decoded]

    def _say(self, command: Command) -> None:
        raise PortError("a node on a broker takes no commands", place=self.name, value=command.action)

    def send(self, command: Command) -> int:
        """See `Source`. A node is fed no heartbeat; 0 is returned for it."""
        return 0 if command.action == "beat" else super().send(command)

    def _close(self) -> None:
        loop, self._loop = self._loop, None
        if loop is None:
            return
        try:
            loop.run_until_complete(self._part())
            loop.run_until_complete(loop.shutdown_default_executor())
        finally:
            self._client, self._next, self._woken, self._connected = None, None, None, False
            loop.close()

    async def _part(self) -> None:
        if self._client is not None:
            await let_go(self._client, connected=self._connected)
            heed(self._next)
        rest = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        for task in rest:
            task.cancel()
        await asyncio.gather(*rest, return_exceptions=True)

    def _wake(self) -> None:
        loop, woken = self._loop, self._woken
        if loop is not None and woken is not None:
            loop.call_soon_threadsafe(woken.set)

    def _translate(self, exc: Exception) -> LyewatchError:
        return broker_error(exc, self._spec, self.place)

    def _silence(self) -> str:
        return (
            f"the broker is there but nothing that can be read comes on {self._spec.topic!r}; check that the "
            "node publishes there, in the format that the bench file says, and the broker's access list"
        )


class _Inbox(asyncio.Queue[aiomqtt.Message]):
    """Messages until they are taken: bounded, each with its time of receipt, none dropped uncounted."""

    def __init__(self, source: MqttSource) -> None:
        super().__init__(_MOST_WAITING)
        self._source = source

    def put_nowait(self, item: aiomqtt.Message) -> None:
        """See `asyncio.Queue`."""
        if self.full():
            self._source.counters.dropped += 1
            return
        self._source._stamps.append(self._source._now())
        super().put_nowait(item)


def _client_id(name: str, spec: MqttSpec) -> str:
    """The session's name: the same at every start, and another on another computer or for another topic."""
    if spec.client_id is not None:
        return spec.client_id
    print_of = hashlib.sha256(f"{uuid.getnode()} {name} {spec.topic}".encode()).hexdigest()
    return f"lyewatch-{name[:12]}-{print_of[:10]}"
