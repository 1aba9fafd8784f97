"""The live channel over a real socket: who may follow, what happens to who is slow, and what is answered."""

from __future__ import annotations

import queue
import socket
import stat
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from concurrent.futures import Future
from contextlib import contextmanager
from multiprocessing import AuthenticationError
from multiprocessing.connection import Client
from pathlib import Path
from typing import Any

import pytest

from daq.errors import PortError, StoreBusy
from daq.reader.channel import (
    Answer,
    ChannelAddress,
    ChannelClient,
    ChannelServer,
    Subscriber,
    runtime_folder,
)
from tests.waiting import wait_until


@pytest.fixture
def address(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ChannelAddress:
    monkeypatch.setenv("LYEWATCH_RUNTIME_DIR", str(tmp_path / "r"))
    return ChannelAddress.at(tmp_path / "store")


class Server:
    """A server that greets whoever joins and answers what it is asked with its own words."""

    def __init__(self, address: ChannelAddress) -> None:
        self.heard: list[Mapping[str, Any]] = []
        self.channel = ChannelServer(address, self.joined, self.take)

    def joined(self, subscriber: Subscriber) -> None:
        subscriber.send(b'{"type":"hello","version":1}')
        self.channel.admit(subscriber)

    def take(self, subscriber: Subscriber, message: Mapping[str, Any]) -> None:
        self.heard.append(message)
        if message.get("type") == "request":
            subscriber.answer(
                message["id"], message["kind"] != "refuse", f"{message['kind']} by {message['who']}"
            )


@contextmanager
def serving(address: ChannelAddress) -> Iterator[Server]:
    server = Server(address)
    try:
        yield server
    finally:
        server.channel.close()


def greet(subscriber: Subscriber) -> None:
    subscriber.send(b'{"type":"hello"}')


class Follower:
    """A client that keeps what it hears."""

    def __init__(self, address: ChannelAddress) -> None:
        self.messages: queue.Queue[dict[str, Any]] = queue.Queue()
        self.lost: queue.Queue[str] = queue.Queue()
        self.client = ChannelClient(address, self.messages.put, self.lost.put)
        self.client.start()

    def next(self) -> dict[str, Any]:
        return self.messages.get(timeout=10)


@contextmanager
def following(address: ChannelAddress) -> Iterator[Follower]:
    it = Follower(address)
    try:
        yield it
    finally:
        it.client.close()


def test_all_subscribers_hear_all_in_order(address: ChannelAddress) -> None:
    with serving(address) as server, following(address) as one, following(address) as other:
        assert one.next()["type"] == other.next()["type"] == "hello"
        wait_until(lambda: server.channel.subscribers == 2, "it")
        for n in range(500):
            server.channel.publish({"type": "samples", "n": n})
        for it in (one, other):
            assert [it.next()["n"] for _ in range(500)] == list(range(500))


def test_requests_are_answered_with_their_words(address: ChannelAddress) -> None:
    with serving(address) as server, following(address) as it:
        it.next()
        assert it.client.ask("trip", {"reason": "hot"}, "Ada").result(5) == Answer(True, "trip by Ada")
        assert it.client.ask("refuse", {}, "Ada").result(5) == Answer(False, "refuse by Ada")
        assert it.client.tell({"type": "standing", "standing": {}})
        wait_until(lambda: len(server.heard) == 3, "it")
        assert server.heard[0]["body"] == {"reason": "hot"}


def test_without_a_reader_a_request_fails_at_once(address: ChannelAddress) -> None:
    with following(address) as it:
        assert "no reader runs" in it.lost.get(timeout=5)
        with pytest.raises(PortError, match="cut the supply by hand"):
            it.client.ask("trip", {}).result(0.2)
        assert not it.client.tell({"type": "standing"})


def test_a_reader_that_ends_is_told_and_the_next_one_found(address: ChannelAddress) -> None:
    with following(address) as it:
        with serving(address):
            assert it.next()["type"] == "hello"
        it.lost.get(timeout=5)
        with serving(address):
            assert it.next()["type"] == "hello"
            assert it.client.ask("stop", {}, "Ada").result(5).ok


def test_what_was_asked_fails_when_the_reader_ends(address: ChannelAddress) -> None:
    asked: list[Future[Answer]] = []
    server = ChannelServer(address, greet, lambda s, message: None)
    with following(address) as it:
        it.next()
        asked.append(it.client.ask("reset", {}, "Ada"))
        server.close()
        with pytest.raises(PortError, match="can not be reached"):
            asked[0].result(5)


def test_one_that_does_not_read_is_dropped_and_the_others_hear_on(address: ChannelAddress) -> None:
    with serving(address) as server, following(address) as it:
        it.next()
        slow = Client(address.socket, authkey=address.read_key())
        wait_until(lambda: server.channel.subscribers == 2, "it")
        before = time.monotonic()
        for n in range(400):
            server.channel.publish({"type": "samples", "n": n, "fill": "x" * 50_000})
            assert it.next()["n"] == n
        assert time.monotonic() - before < 30
        assert server.channel.dropped == 1
        wait_until(lambda: server.channel.subscribers == 1, "it")
        slow.close()


def test_publishing_never_waits_for_who_does_not_read(address: ChannelAddress) -> None:
    with serving(address) as server:
        slow = Client(address.socket, authkey=address.read_key())
        wait_until(lambda: server.channel.subscribers == 1, "it")
        longest = 0.0
        for _ in range(300):
            before = time.perf_counter()
            server.channel.publish({"type": "samples", "fill": "x" * 50_000})
            longest = max(longest, time.perf_counter() - before)
        assert longest < 1.0  # a write that waited would wait for ever
        slow.close()


def test_who_does_not_know_the_key_hears_nothing(address: ChannelAddress) -> None:
    with serving(address) as server:
        with pytest.raises(AuthenticationError):
            Client(address.socket, authkey=b"a guess")
        assert server.channel.subscribers == 0
        with following(address) as it:
            assert it.next()["type"] == "hello"


def test_one_that_never_answers_the_challenge_keeps_nobody_out(address: ChannelAddress) -> None:
    with serving(address), socket.socket(socket.AF_UNIX) as stuck:
        stuck.connect(address.socket)
        with following(address) as it:
            assert it.next()["type"] == "hello"


@pytest.mark.parametrize("message", [b"", b"{", b"[1]", b"null", b"\xff\xfe", b'{"type":"request"}', b"3"])
def test_what_is_no_request_harms_nobody(address: ChannelAddress, message: bytes) -> None:
    def take(subscriber: Subscriber, words: Mapping[str, Any]) -> None:
        heard.append(words)

    heard: list[Mapping[str, Any]] = []
    server = ChannelServer(address, greet, take)
    try:
        rude = Client(address.socket, authkey=address.read_key())
        rude.send_bytes(message)
        with following(address) as it:
            assert it.next()["type"] == "hello"
        rude.close()
        assert all(isinstance(words, dict) for words in heard)
    finally:
        server.close()


@pytest.mark.skipif(sys.platform == "win32", reason="rights of files are told otherwise there")
def test_only_the_owner_may_connect(address: ChannelAddress) -> None:
    with serving(address):
        assert stat.S_IMODE(Path(address.socket).stat().st_mode) == 0o600
        assert stat.S_IMODE(address.key.stat().st_mode) == 0o600
        assert stat.S_IMODE(address.key.parent.stat().st_mode) == 0o700
        key = address.read_key()
    assert not address.key.exists()
    with serving(address):
        assert address.read_key() != key


@pytest.mark.skipif(sys.platform == "win32", reason="rights of files are told otherwise there")
def test_a_folder_that_others_may_write_to_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "open"
    folder.mkdir()
    folder.chmod(0o777)
    monkeypatch.setenv("LYEWATCH_RUNTIME_DIR", str(folder))
    with pytest.raises(PortError, match="others may write"):
        runtime_folder()
    monkeypatch.setenv("LYEWATCH_RUNTIME_DIR", str(tmp_path / "file" / "x"))
    (tmp_path / "file").write_text("")
    with pytest.raises(PortError, match="LYEWATCH_RUNTIME_DIR"):
        runtime_folder()


def test_a_second_reader_is_refused_and_a_dead_ones_socket_is_not(address: ChannelAddress) -> None:
    with serving(address), pytest.raises(StoreBusy, match="another reader runs"):
        Server(address)
    with socket.socket(socket.AF_UNIX) as dead:  # as kill -9 leaves it
        dead.bind(address.socket)
    with serving(address), following(address) as it:
        assert it.next()["type"] == "hello"


def test_threads_end_with_what_they_served(address: ChannelAddress) -> None:
    def named() -> list[str]:
        return [t.name for t in threading.enumerate() if t.name.startswith(("subscriber", "channel"))]

    for _ in range(20):
        with serving(address), following(address) as it:
            it.next()
    wait_until(lambda: not named(), "it")
