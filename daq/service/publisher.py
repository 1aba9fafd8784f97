"""Publishing over a broker: samples in numbered batches, and what stands now as retained messages.

It runs in the service, in a thread and an event loop of its own, and reads the journal as the live page does.
The reader knows nothing of it: recording is the same with a broker, without one, and while it is away.
What the broker has not acknowledged waits on disk (`daq.store.outgoing`). ``docs/broker.md`` has the formats.
"""

from __future__ import annotations

import asyncio
import logging
import threading
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from typing import Any, Final

import aiomqtt
import orjson

from daq.bench import Bench, BrokerSpec
from daq.broker import Topics, bench_id_of
from daq.broker.link import CONNECT_S, broker_error, connected, make_client
from daq.errors import LyewatchError, PortError, StoreCorrupt, StoreError
from daq.service.publish_rows import Filler
from daq.sources import Backoff
from daq.store import Outgoing, Store

__all__ = ["OFFLINE", "Publisher"]

OFFLINE: Final = {"v": 1, "state": "offline", "words": "recorder offline"}
"""What the broker says when this sender goes without a word: the last will."""
_IN_FLIGHT: Final = 20
_IN_FLIGHT_BYTES: Final = 4 << 20
_RECORDER_EVERY_S: Final = 10.0
_STATE_LOST_S: Final = 5.0
_READER_LOST_S: Final = 5.0
_FAILED_FOR_S: Final = 60.0
_BEGIN_AGAIN_S: Final = 1.0

log = logging.getLogger(__name__)


class Publisher:
    """Publishes one bench's runs.

    Parameters
    ----------
    bench : Bench
        With a ``[broker]``.
    store : Store
        Opened for reading. Its folder holds the outbox, `outbox.db`.

    Attributes
    ----------
    state : str
        "opening", "open", "away" (the broker is, and is tried again), "closed".
    sent, sent_rows : int
        Batches, and samples in them, that the broker acknowledged since the service began.
    reconnects : int
        Times the link came back after it was lost.
    last_error : str or None
        The latest thing that went wrong, in words.
    """

    def __init__(self, bench: Bench, store: Store) -> None:
        assert bench.broker is not None
        self._spec: BrokerSpec = bench.broker
        self._bench = bench
        self._store = store
        self.bench_id = self._spec.bench_id or bench_id_of(bench.name)
        self.topics = Topics(self.bench_id, self._spec.prefix)
        self.place = f"broker {self._spec.host}:{self._spec.number}"
        self.state = "opening"
        self.sent = self.sent_rows = self.reconnects = 0
        self.last_error: str | None = None
        self._outbox = self._open_outbox()
        self._filler = Filler(self.bench_id, store, self._outbox)
        self._backoff = Backoff()
        self._lock = threading.Lock()
        self._standing: dict[str, bytes] = {"about": orjson.dumps(self._about())}
        self._unsent: set[str] = set()
        self._recorder: Mapping[str, Any] = OFFLINE
        self._recorder_seen_s = 0.0
        self._refusal: str | None = None
        self._stopping = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._awake: asyncio.Event | None = None
        self._failed: str | None = None
        self._failed_s = 0.0
        self._thread = threading.Thread(target=self._keep_running, name="publisher", daemon=True)

    # -- what the service calls ----------------------------------------------------------------------------

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def close(self, timeout_s: float = 8.0) -> None:
        """Say good-bye to the broker, if it is there, and end."""
        self._stopping.set()
        self._wake()
        self._thread.join(timeout_s)
        if not self._thread.is_alive():
            self._outbox.close()

    def tell(self, event: str, data: Mapping[str, Any], reader_age_s: float | None = None) -> None:
        """Take what the pages are told. Returns at once.

        Parameters
        ----------
        event : str
            "assessment" or "state"; others are left.
        data : mapping of str to object
            The event's.
        reader_age_s : float, optional
            How long ago the reader was last heard [s]; None where it has not been.
        """
        if event == "assessment":
            self._stand("assessment", {"v": 1, **data})
        elif event == "state":
            self._recorder_seen_s = time.monotonic()
            alive = reader_age_s is not None and reader_age_s < _READER_LOST_S
            run = data.get("run")
            self._recorder = {
                "v": 1,
                "state": "online" if alive else "offline",
                "words": "recorder online" if alive else "recorder offline",
                "recording": alive and run is not None,
                "run": None if run is None else run["id"],
                "build": None if run is None else run["build"],
                "data": data["data"]["state"],
                "supply": data["supply"]["state"],
                "trip": data["trip"],
                "impaired": data["impaired"],
            }
            self._stand(
                "alarms",
                {"v": 1, "run": self._recorder["run"], "count": data["alarms"], "alarms": data["standing"]},
            )

    @property
    def failing(self) -> str | None:
        """What failed here within the last minute, or for good; None while it works. A broker that is away is
        no fault of ours, and said in `last_error` alone."""
        if self._failed is not None and time.monotonic() - self._failed_s < _FAILED_FOR_S:
            return self._failed
        if self._thread.ident is not None and not self._thread.is_alive() and not self._stopping.is_set():
            return self._failed or "its thread has ended"
        return None

    def status(self) -> dict[str, Any]:
        """How it fares, for the health page and the `recorder` topic."""
        box = self._outbox
        return {
            "broker": self.place,
            "state": self.state,
            "sent": self.sent,
            "sent_rows": self.sent_rows,
            "waiting": box.waiting,
            "waiting_bytes": box.waiting_bytes,
            "given_up": box.given_up,
            "given_up_rows": box.given_up_rows,
            "missed_rows": box.missed_rows,
            "reconnects": self.reconnects,
            "last_error": self.last_error,
        }

    def _open_outbox(self) -> Outgoing:
        """The outbox; a new one begins with what is journalled from now on."""
        path, limit = self._store.folder / "outbox.db", round(self._spec.outbox_mb * 1e6)
        heads = {run: self._store.last_t_ns(run) for run in self._store.journal.runs()}
        from_row = self._store.last_id()
        marks = {(run, "*"): t for run, t in heads.items() if t is not None}
        try:
            return Outgoing(path, limit, from_row=from_row, marks=marks)
        except StoreCorrupt as exc:
            # What waited is lost, which the new epoch tells who receives; the service is not to fail of it.
            self.last_error = str(exc)
            for file in path.parent.glob(f"{path.name}*"):
                file.replace(file.with_name(f"damaged-{file.name}"))
            return Outgoing(path, limit, from_row=from_row, marks=marks)

    # -- what stands ---------------------------------------------------------------------------------------

    def _stand(self, stream: str, data: Mapping[str, Any]) -> None:
        body = orjson.dumps(data, option=orjson.OPT_NON_STR_KEYS)
        with self._lock:
            if self._standing.get(stream) == body:
                return
            self._standing[stream] = body
            self._unsent.add(stream)
        self._wake()

    def _about(self) -> dict[str, Any]:
        bench = self._bench
        return {
            "v": 1,
            "bench": self.bench_id,
            "name": bench.name,
            "description": bench.bench.description,
            "stack": {"name": bench.stack.name, "build": bench.stack.build, "cells": bench.stack.cells},
            "sources": {n: {"kind": s.kind, "rate_hz": s.rate_hz} for n, s in bench.sources.items()},
            "channels": {n: {"unit": c.unit, "source": c.source} for n, c in bench.channels.items()},
            "limits": {n: limit.model_dump(exclude_none=True) for n, limit in bench.limits.items()},
        }

    def _say_recorder(self) -> None:
        """How the recorder is; offline too when the service's own live task says nothing any more."""
        state = self._recorder if time.monotonic() - self._recorder_seen_s < _STATE_LOST_S else OFFLINE
        self._stand("recorder", {**state, "publishing": self.status()})

    # -- the thread ----------------------------------------------------------------------------------------

    def _keep_running(self) -> None:
        """Begin anew after a fault of ours, which is said for a minute."""
        while not self._stopping.is_set():
            try:
                self._run()
            except Exception as exc:
                log.exception("publishing failed and begins anew")
                self._failed, self._failed_s = f"{type(exc).__name__}: {exc}", time.monotonic()
                self.last_error, self.state = self._failed, "away"
                self._stopping.wait(_BEGIN_AGAIN_S)

    def _run(self) -> None:
        while not self._stopping.is_set():
            # A loop for each connection: the library may leave a socket's number behind in it, which the
            # system gives to the next file. Not the default one: on Windows that has no add_reader.
            self._loop = loop = asyncio.SelectorEventLoop()
            loop.set_exception_handler(self._aside)
            try:
                loop.run_until_complete(self._session())
            except Exception as exc:  # noqa: BLE001 - a courtesy must not end the service; said and tried again
                self.last_error = str(broker_error(exc, self._spec, self.place))
                self.state = "away"
            finally:
                self._loop = None
                loop.run_until_complete(_rest())
                loop.close()
            self._wait(self._backoff.next_s())
        self.state = "closed"

    def _aside(self, _loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """What went wrong in a callback of the library's: the link is lost, and says so itself."""
        self.last_error = self.last_error or f"{self.place}: {context.get('exception') or context['message']}"

    def _wait(self, seconds: float) -> None:
        """Wait for the next try, and go on filling the outbox."""
        end_s = time.monotonic() + seconds
        while not self._stopping.is_set() and (left_s := end_s - time.monotonic()) > 0:
            more = self._fill_safely()
            self._stopping.wait(0.0 if more else min(left_s, self._spec.batch_s))

    def _wake(self) -> None:
        loop, awake = self._loop, self._awake
        if loop is not None and awake is not None:
            with suppress(RuntimeError):  # it is closing just now
                loop.call_soon_threadsafe(awake.set)

    # -- journal to outbox ---------------------------------------------------------------------------------

    async def _fill(self) -> None:
        """Put what is journalled into the outbox, while connecting and while connected."""
        while True:
            more = self._fill_safely()
            await asyncio.sleep(0.0 if more else self._spec.batch_s)

    def _fill_safely(self) -> bool:
        try:
            more = self._filler.fill()
        except LyewatchError as exc:
            self.last_error = str(exc)  # the rows stay in the journal, and are tried again
            return False
        if self._awake is not None:
            self._awake.set()
        return more

    # -- outbox to broker ----------------------------------------------------------------------------------

    async def _session(self) -> None:
        self._awake = asyncio.Event()
        filling = asyncio.create_task(self._fill(), name="fill")
        try:
            await self._connection()
        finally:
            filling.cancel()
            with suppress(asyncio.CancelledError):
                await filling

    async def _connection(self) -> None:
        client = make_client(
            self._spec,
            f"lyewatch-{self.bench_id}",
            will=aiomqtt.Will(self.topics.of("recorder"), orjson.dumps(OFFLINE), qos=1, retain=True),
        )
        client.pending_calls_threshold = 10 * _IN_FLIGHT
        self._heed_refusals(client)
        async with connected(client):
            self._now_open()
            await self._publish_all(client)
            await self._part(client)

    def _heed_refusals(self, client: aiomqtt.Client) -> None:
        """MQTT 5 says why a message was refused; the library passes that over and counts it as published."""
        paho: Any = client._client
        on_publish = paho.on_publish
        self._refusal = None

        def heed(*args: Any) -> None:
            if args[3].value >= 0x80:
                self._refusal = str(args[3]).lower()
            on_publish(*args)

        paho.on_publish = heed

    def _now_open(self) -> None:
        if self.state == "away":
            self.reconnects += 1
        self.state, self.last_error = "open", None
        with self._lock:
            self._unsent = set(self._standing)

    async def _publish_all(self, client: aiomqtt.Client) -> None:
        assert self._awake is not None
        sent_s = -_RECORDER_EVERY_S
        known: Mapping[str, Any] | None = None
        while not self._stopping.is_set():
            if time.monotonic() - sent_s > _RECORDER_EVERY_S or self._recorder != known:
                sent_s, known = time.monotonic(), self._recorder
                self._say_recorder()
            self._awake.clear()
            await self._publish_standing(client)
            if not await self._publish_batches(client):
                with suppress(TimeoutError):
                    await asyncio.wait_for(self._awake.wait(), 0.25)
                if client._disconnected.done():
                    raise aiomqtt.MqttError("the broker went away") from client._disconnected.exception()

    async def _publish_standing(self, client: aiomqtt.Client) -> None:
        with self._lock:
            due = {stream: self._standing[stream] for stream in self._unsent}
            self._unsent.clear()
        for stream, body in due.items():
            try:
                await self._publish(client, [(stream, body, True)])
            except BaseException:
                with self._lock:
                    self._unsent |= due.keys()
                raise

    async def _publish_batches(self, client: aiomqtt.Client) -> bool:
        """Send the oldest batches, and forget them once they are acknowledged; whether there were any."""
        batches = self._outbox.oldest(_IN_FLIGHT, _IN_FLIGHT_BYTES)
        if not batches:
            return False
        await self._publish(client, [("samples", body, False) for _, body in batches])
        self.sent_rows += self._outbox.sent([n for n, _ in batches])
        self.sent += len(batches)
        self._backoff.reset()
        return True

    async def _publish(self, client: aiomqtt.Client, messages: Sequence[tuple[str, bytes, bool]]) -> None:
        """Publish at QoS 1, in order, and wait until the broker has taken them all."""
        tasks = [
            asyncio.ensure_future(
                client.publish(self.topics.of(stream), body, qos=1, retain=retain, timeout=4 * CONNECT_S)
            )
            for stream, body, retain in messages
        ]
        waiting = asyncio.gather(*tasks)
        # Without this a link that broke would be noticed only after the last timeout.
        await asyncio.wait((waiting, client._disconnected), return_when=asyncio.FIRST_COMPLETED)
        if not waiting.done():
            waiting.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            with suppress(asyncio.CancelledError, aiomqtt.MqttError):
                await waiting
            self._heed(messages[0][0])
            # Some brokers break off rather than refuse.
            raise aiomqtt.MqttError(
                "went away while something was published; if it goes on so, its log says what it refuses"
            ) from client._disconnected.exception()
        self._heed(messages[0][0])
        waiting.result()

    def _heed(self, stream: str) -> None:
        """Raise what the broker said of a message that it refused; some then break off as well."""
        if self._refusal is not None:
            raise PortError(
                f"the broker refuses what is published: {self._refusal}",
                place=self.topics.of(stream),
                remedy="give this bench's account the right to write its topics; see docs/broker.md",
            )

    async def _part(self, client: aiomqtt.Client) -> None:
        """The service ends in order: whether the recorder goes on, nobody will say here any more."""
        with suppress(aiomqtt.MqttError, StoreError):
            await client.publish(
                self.topics.of("recorder"), orjson.dumps(OFFLINE), qos=1, retain=True, timeout=1.0
            )


async def _rest() -> None:
    """End what the library has left running."""
    tasks = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    await asyncio.get_running_loop().shutdown_default_executor()
