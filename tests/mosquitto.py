"""A real broker for tests: mosquitto on a free loopback port, in a folder of its own; and a node's client."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.ci_rule import missing_program
from tests.waiting import wait_until

__all__ = ["Mosquitto", "Node", "mosquitto_program"]

_OPEN = "allow_anonymous true\nmax_queued_messages 0\n"


def mosquitto_program(name: str = "mosquitto") -> str:
    """Where it is; the calling test is skipped (in CI it fails) where it is not installed."""
    found = shutil.which(name, path=os.environ.get("PATH", "") + os.pathsep + "/usr/sbin")
    if found is None:
        missing_program(name, "apt-get install mosquitto")
    assert found is not None
    return found


class Mosquitto:
    """One broker.

    Parameters
    ----------
    folder : Path
        Its own; made when it is not there.
    port : int
        Of the loopback interface.
    settings : str
        Lines of its configuration besides the listener. By default everybody may do everything.
    """

    def __init__(self, folder: Path, port: int, settings: str = _OPEN) -> None:
        self.port = port
        self.program = mosquitto_program()
        self.file = folder / "mosquitto.conf"
        self.log = folder / "mosquitto.log"
        folder.mkdir(exist_ok=True)
        # As root it would give its rights up, and then not read what tests write.
        self.file.write_text(f"listener {port} 127.0.0.1\nuser root\n{settings}", encoding="utf-8")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it takes connections."""
        assert self.process is None
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [self.program, "-c", str(self.file)], stdout=log, stderr=log, stdin=subprocess.DEVNULL
            )
        wait_until(self._answers, f"mosquitto: {self.log.read_text(errors='replace')}")

    def _answers(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, self.log.read_text(errors="replace")
        try:
            socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
        except OSError:
            return False
        return True

    def kill(self) -> None:
        """End it at once, as a power cut would."""
        process, self.process = self.process, None
        if process is not None:
            process.kill()
            process.wait(20)

    def stop(self) -> None:
        """End it in order."""
        process, self.process = self.process, None
        if process is not None:
            process.terminate()
            process.wait(20)


class Node:
    """A client that publishes, and keeps what it subscribed to; the library's own thread serves it."""

    def __init__(
        self, port: int, *, five: bool = True, name: str = "", ca_file: str | None = None, **login: Any
    ) -> None:
        self.got: list[tuple[str, bytes, bool]] = []
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=name,
            protocol=mqtt.MQTTv5 if five else mqtt.MQTTv311,
            reconnect_on_failure=False,
        )
        if login:
            self._client.username_pw_set(login["user"], login["password"])
        if ca_file is not None:
            self._client.tls_set(ca_file)
        self._client.on_message = lambda c, u, m: self.got.append((m.topic, bytes(m.payload), m.retain))
        self._client.max_queued_messages_set(0)
        self._client.connect("127.0.0.1", port, keepalive=60)
        self._client.loop_start()
        wait_until(self._client.is_connected, "the node to be connected")

    def publish(self, topic: str, *payloads: bytes, qos: int = 1, retain: bool = False) -> None:
        """Publish, and wait until the broker has all."""
        infos = [self._client.publish(topic, payload, qos=qos, retain=retain) for payload in payloads]
        for info in infos:
            info.wait_for_publish(20)

    def subscribe(self, topic: str, on_message: Callable[..., None] | None = None) -> None:
        """Subscribe, and wait until the broker says so."""
        done: list[int] = []
        self._client.on_subscribe = lambda *args: done.append(1)
        self._client.subscribe(topic, qos=1)
        wait_until(lambda: done, "the subscription")

    def close(self) -> None:
        """End."""
        self._client.disconnect()
        self._client.loop_stop()
