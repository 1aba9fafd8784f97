"""Real servers for the archive's tests, on loopback, in temporary folders: Debian's influxdb 1.6 and
victoria-metrics.

influxdb 1.6 has no `/api/v2/write`, which 1.8 and later have beside `/write`; `PathMap` stands before it and
passes every request on, that one under its old name, and does nothing else. With LYEWATCH_TEST_INFLUX_URL
(and _TOKEN, _ORG, _BUCKET) in the environment the archive's contract runs against that server instead, with
nothing between.
"""

from __future__ import annotations

import atexit
import functools
import http.client
import multiprocessing
import os
import shutil
import socket
import subprocess
import tempfile
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from multiprocessing.connection import Connection
from pathlib import Path

from daq.store.influxdb import InfluxPlace, InfluxServer
from tests.ci_rule import missing_program

__all__ = [
    "InfluxDaemon",
    "MetricsDaemon",
    "PathMap",
    "free_port",
    "given_server",
    "path_map_apart",
    "shared_server",
]

START_S = 60.0
REMEDY = "run tests/install_servers.sh"


def given_server() -> InfluxServer | None:
    """The server that the environment names, if it names one."""
    url = os.environ.get("LYEWATCH_TEST_INFLUX_URL")
    if not url:
        return None
    place = InfluxPlace(
        url,
        os.environ.get("LYEWATCH_TEST_INFLUX_BUCKET", "lyewatch"),
        os.environ.get("LYEWATCH_TEST_INFLUX_ORG", ""),
    )
    return InfluxServer(place, token=os.environ.get("LYEWATCH_TEST_INFLUX_TOKEN", ""))


@functools.cache
def shared_server() -> InfluxServer:
    """One server for all tests of this process: the given one, or influxdb 1.6 behind the path map."""
    given = given_server()
    if given is not None:
        return given
    folder = Path(tempfile.mkdtemp(prefix="lyewatch-influx-"))
    daemon = InfluxDaemon(folder)
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    atexit.register(daemon.kill)
    daemon.query("CREATE DATABASE lyewatch")
    return InfluxServer(InfluxPlace(PathMap(daemon.port).url, "lyewatch"), token="a:b")


def free_port() -> int:
    """A free TCP port of the loopback interface."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


class _Daemon:
    """A server process that can be killed and started again on the same port and folder."""

    program = ""
    ready_path = "/"

    def __init__(self, folder: Path) -> None:
        if shutil.which(self.program) is None:
            missing_program(self.program, REMEDY)
        self.folder = folder
        self.port = free_port()
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"http://127.0.0.1:{self.port}"

    @property
    def pid(self) -> int:
        """The process."""
        assert self._process is not None
        return self._process.pid

    def start(self) -> None:
        """Start it and wait until it answers."""
        self.folder.mkdir(parents=True, exist_ok=True)
        with (self.folder / "log.txt").open("ab") as log:
            self._process = subprocess.Popen(
                self.command(),
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env={**os.environ, **self.environ()},
            )
        deadline = time.monotonic() + START_S
        while not self._answers():
            assert self._process.poll() is None, (self.folder / "log.txt").read_text(errors="replace")[-2000:]
            assert time.monotonic() < deadline, f"{self.program} did not answer within {START_S:.0f} s"
            time.sleep(0.05)

    def kill(self) -> None:
        """kill -9."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def _answers(self) -> bool:
        try:
            with urllib.request.urlopen(self.url + self.ready_path, timeout=5):
                return True
        except (OSError, http.client.HTTPException):
            return False

    def command(self) -> list[str]:
        raise NotImplementedError

    def environ(self) -> Mapping[str, str]:
        return {}


class InfluxDaemon(_Daemon):
    """influxdb 1.6. `rpc` is the port that it wants beside its own."""

    program = "influxd"
    ready_path = "/ping"

    def __init__(self, folder: Path) -> None:
        self.rpc = free_port()
        super().__init__(folder)

    def command(self) -> list[str]:
        return [self.program, "run", "-config", os.devnull]

    def environ(self) -> Mapping[str, str]:
        return {
            "INFLUXDB_META_DIR": str(self.folder / "meta"),
            "INFLUXDB_DATA_DIR": str(self.folder / "data"),
            "INFLUXDB_DATA_WAL_DIR": str(self.folder / "wal"),
            "INFLUXDB_HTTP_BIND_ADDRESS": f"127.0.0.1:{self.port}",
            "INFLUXDB_BIND_ADDRESS": f"127.0.0.1:{self.rpc}",
            "INFLUXDB_HTTP_LOG_ENABLED": "false",
            "INFLUXDB_REPORTING_DISABLED": "true",
            "INFLUXDB_MONITOR_STORE_ENABLED": "false",
            "INFLUXDB_CONTINUOUS_QUERIES_ENABLED": "false",
        }

    def query(self, statement: str, db: str = "") -> bytes:
        """The answer to a statement of InfluxQL, as the server gives it."""
        body = urllib.parse.urlencode({"q": statement, "db": db, "epoch": "ns"}).encode()
        with urllib.request.urlopen(f"{self.url}/query", data=body, timeout=60) as answer:
            read: bytes = answer.read()
            return read


class MetricsDaemon(_Daemon):
    """victoria-metrics: another server that speaks the write API."""

    program = "victoria-metrics"
    ready_path = "/health"

    def command(self) -> list[str]:
        return [
            self.program,
            f"-httpListenAddr=127.0.0.1:{self.port}",
            f"-storageDataPath={self.folder / 'data'}",
            "-retentionPeriod=100y",
            "-loggerLevel=ERROR",
            "-memory.allowedBytes=256MB",
        ]

    def export(self, match: str) -> bytes:
        """Every series that matches, a JSON object a line."""
        with (
            suppress(urllib.error.HTTPError),
            urllib.request.urlopen(f"{self.url}/internal/force_flush", timeout=60),
        ):
            pass
        wanted = urllib.parse.urlencode({"match[]": match})
        with urllib.request.urlopen(f"{self.url}/api/v1/export?{wanted}", timeout=60) as answer:
            read: bytes = answer.read()
            return read


class PathMap:
    """Passes requests on to a server 1.6: `/api/v2/write?bucket=B` under the name `/write?db=B`, others as
    they are.

    When the server is away the connection is closed without an answer, as the server's own would be.

    Parameters
    ----------
    upstream_port : int
    on_write : callable, optional
        Told "asked" when a request to write has come and "done" when the server has answered it, before the
        answer is passed on.
    """

    def __init__(self, upstream_port: int, on_write: Callable[[str], None] = lambda _: None) -> None:
        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"
            # Head and text of an answer are two packets: the second must not wait for the first's receipt.
            disable_nagle_algorithm = True

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
                headers = {
                    k: v for k, v in self.headers.items() if k.lower() not in ("host", "content-length")
                }
                link = http.client.HTTPConnection("127.0.0.1", upstream_port, timeout=60)
                writes = self.path.startswith("/api/v2/write")
                try:
                    if writes:
                        on_write("asked")
                    link.request("POST", mapped(self.path), body, headers)
                    answer = link.getresponse()
                    reply = answer.read()
                    if writes:
                        on_write("done")
                except (OSError, http.client.HTTPException):
                    self.close_connection = True
                    return
                finally:
                    link.close()
                self.send_response_only(answer.status)
                for name, value in answer.getheaders():
                    if name.lower() not in ("transfer-encoding", "content-length", "connection"):
                        self.send_header(name, value)
                if answer.status != 204:
                    self.send_header("Content-Length", str(len(reply)))
                self.end_headers()
                self.wfile.write(reply)

            def log_message(self, *_: object) -> None:
                pass

        class Server(ThreadingHTTPServer):
            def handle_error(self, *_: object) -> None:
                pass  # a client that was killed has nobody to tell

        self._server = Server(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)
        self._thread.start()
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}"

    def close(self) -> None:
        """Stop it."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


@contextmanager
def path_map_apart(upstream_port: int) -> Iterator[str]:
    """The address of a path map in a process of its own: it takes no turns with the client's threads."""
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe()
    process = context.Process(target=_map_until_told, args=(upstream_port, there), daemon=True)
    process.start()
    try:
        yield here.recv()
    finally:
        here.send("stop")
        process.join(20)


def _map_until_told(upstream_port: int, pipe: Connection) -> None:
    front = PathMap(upstream_port)
    pipe.send(front.url)
    pipe.recv()


def mapped(path: str) -> str:
    """The address of a request as a server 1.6 knows it."""
    parts = urllib.parse.urlsplit(path)
    if parts.path != "/api/v2/write":
        return path
    asked = dict(urllib.parse.parse_qsl(parts.query))
    return "/write?" + urllib.parse.urlencode(
        {"db": asked.get("bucket", ""), "precision": asked.get("precision", "ns")}
    )
