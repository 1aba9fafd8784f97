"""One InfluxDB server: points written, InfluxQL asked, and what its answers mean.

Writes go through influxdb-client in its synchronous mode, each request until its own answer, since its
batching mode keeps points in memory and drops them when the server is away. Two may be under way at once: the
server then works while the next lines are made. Reads are InfluxQL on `/query`, which servers 1.x, 2.x and
3.x answer.
"""

from __future__ import annotations

import gzip
import io
import os
import re
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from itertools import chain
from typing import Any, NamedTuple

import orjson

from daq.errors import StoreError
from daq.store.influxdb.lines import body_of
from daq.store.protocol import BackendAway

__all__ = ["TOKEN_VARIABLE", "InfluxPlace", "InfluxServer", "Refused", "ServerAway", "quoted", "text_literal"]

TOKEN_VARIABLE = "LYEWATCH_INFLUX_TOKEN"  # noqa: S105 - the variable's name
BATCH_LINES = 5_000  # what the makers of the server recommend for one request
IN_FLIGHT = 2  # so that the server has work while it waits for its disk and an answer is on its way
_LEVEL = 1  # of compression
_TIMEOUT_S = 30.0
_DROPPED = re.compile(r"dropped=(\d+)")


class ServerAway(BackendAway):
    """The server did not answer, or can not take points now: nothing is wrong with the points."""


class Refused(NamedTuple):
    """A line that the server will never take, by its place in what was written (from 0), and the server's
    reason.
    """

    line: int
    reason: str


@dataclass(frozen=True, slots=True)
class InfluxPlace:
    """Where points go.

    Attributes
    ----------
    url : str
        Such as ``http://127.0.0.1:8086``.
    bucket : str
        The bucket; a server 1.x calls it a database.
    org : str
        The organisation; only servers 2.x ask for it.
    """

    url: str
    bucket: str
    org: str = ""

    def __str__(self) -> str:
        return f"{self.url} ({self.bucket})"


class InfluxServer:
    """A server's write API and its InfluxQL. Safe to use from several threads.

    Parameters
    ----------
    place : InfluxPlace
    token : str, optional
        The environment's `LYEWATCH_INFLUX_TOKEN` unless given. It is sent to the server and written nowhere.
    timeout_s : float
        How long one answer may take [s].
    """

    def __init__(
        self, place: InfluxPlace, *, token: str | None = None, timeout_s: float = _TIMEOUT_S
    ) -> None:
        self.place = place
        self._token = os.environ.get(TOKEN_VARIABLE, "") if token is None else token
        self._timeout_s = timeout_s
        self._client: Any = None
        self._pool: Any = None
        self._making = threading.Lock()

    def __repr__(self) -> str:
        return f"InfluxServer({self.place})"

    def close(self) -> None:
        """Close every connection."""
        if self._client is not None:
            self._client.close()
            self._client = None
        if self._pool is not None:
            self._pool.clear()
            self._pool = None

    # -- writing -----------------------------------------------------------------------------------

    def write(self, lines: Sequence[bytes]) -> list[Refused]:
        """Write lines of line protocol with times in nanoseconds, and wait for the server's answer.

        Returns
        -------
        list of Refused
            The lines that the server rejected; all others are stored.

        Raises
        ------
        ServerAway
            When the server is down, busy, or refuses everybody: the same lines can be written again, since a
            point of the same series and time takes the place of the one before.
        """
        return self.write_parts([lines])

    def write_parts(self, parts: Iterable[Sequence[bytes]]) -> list[Refused]:
        """As `write`, of lines that are made while the server is busy with those before them.

        Whatever happens, no request is under way any more when this returns or raises.
        """
        requests = _requests(parts)
        first, second = next(requests, None), next(requests, None)
        if first is None:
            return []
        if second is None:
            return self._write_some(*first)
        refused: list[Refused] = []
        under_way: set[Future[list[Refused]]] = set()
        with ThreadPoolExecutor(IN_FLIGHT, "influx-write") as pool:
            for request in chain((first, second), requests):
                if len(under_way) == IN_FLIGHT:
                    done, under_way = wait(under_way, return_when=FIRST_COMPLETED)
                    refused += chain.from_iterable(f.result() for f in done)
                under_way.add(pool.submit(self._write_some, *request))
            refused += chain.from_iterable(f.result() for f in under_way)
        return sorted(refused)

    def _write_some(self, lines: Sequence[bytes], offset: int) -> list[Refused]:
        reason = self._post(lines)
        if reason is None:
            return []
        dropped = _DROPPED.search(reason)
        if len(lines) == 1 or (dropped is not None and int(dropped[1]) >= len(lines)):
            return [Refused(offset + k, reason) for k in range(len(lines))]
        # The server says that something is wrong and not always what: halves find it in a few requests.
        half = len(lines) // 2
        return self._write_some(lines[:half], offset) + self._write_some(lines[half:], offset + half)

    def _post(self, lines: Sequence[bytes]) -> str | None:
        """Write lines; None when all were taken, the server's reason when one of them can not be."""
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        try:
            self._writer().post_write(
                bucket=self.place.bucket,
                org=self.place.org,
                body=gzip.compress(body_of(lines), _LEVEL),
                precision="ns",
                content_encoding="gzip",
                content_type="text/plain; charset=utf-8",
            )
        except ApiException as exc:
            reason = _reason_in(exc.body)
            if exc.status == 413 or (exc.status in (400, 422) and reason is not None):
                return reason or "the point is too big"
            raise self._refusal(exc.status, reason) from None  # the exception holds headers
        except (HTTPError, OSError) as exc:
            raise self._away(exc) from exc
        return None

    def _writer(self) -> Any:
        from influxdb_client.client.influxdb_client import InfluxDBClient
        from influxdb_client.service.write_service import WriteService

        with self._making:
            if self._client is None:
                # Compressed here: the client's own way takes the highest level, which is eight times the work
                # and saves a third.
                self._client = InfluxDBClient(
                    self.place.url,
                    token=self._token,
                    org=self.place.org,
                    timeout=int(self._timeout_s * 1000),
                )
            return WriteService(self._client.api_client)  # type: ignore[no-untyped-call]

    # -- asking ------------------------------------------------------------------------------------

    def ask(self, statement: str, kinds: Mapping[str, Any] | None = None) -> Any:
        """Ask one InfluxQL statement.

        Parameters
        ----------
        statement : str
        kinds : mapping of str to pyarrow.DataType, optional
            Types of the columns; others are guessed. `time` is int64, nanoseconds.

        Returns
        -------
        pyarrow.Table or None
            None when the answer is empty.

        Raises
        ------
        ServerAway
            When the server does not answer, or wants another token.
        StoreError
            With the server's words when it does not understand.
        """
        import pyarrow as pa
        from pyarrow import csv

        body = self._query(statement, "application/csv")
        if not body.strip():
            # Servers 1.x leave an error of one statement out of their CSV, and answer nothing.
            found = orjson.loads(self._query(statement, "application/json") or b"{}").get("results", [])
            message = next((str(r["error"]) for r in found if "error" in r), None)
            if message is not None:
                raise self._refusal(404 if "not found" in message else 400, message)
            return None
        table = csv.read_csv(
            io.BytesIO(body),
            convert_options=csv.ConvertOptions(
                column_types={"time": pa.int64(), "name": pa.string(), "tags": pa.string(), **(kinds or {})},
                strings_can_be_null=True,
                null_values=[""],
                quoted_strings_can_be_null=False,
            ),
            parse_options=csv.ParseOptions(newlines_in_values=False),
        )
        return table if table.num_rows else None

    def _query(self, statement: str, kind: str) -> bytes:
        import urllib3
        from urllib3.exceptions import HTTPError

        if self._pool is None:
            self._pool = urllib3.PoolManager(retries=False)
        headers = {"Accept": kind, "Accept-Encoding": "gzip"}
        if self._token:
            headers["Authorization"] = f"Token {self._token}"
        fields = {
            "db": self.place.bucket,
            "q": statement,
            "epoch": "ns",
            "chunked": "true",
            "chunk_size": "20000",
        }
        try:
            answer = self._pool.request(
                "POST",
                f"{self.place.url.rstrip('/')}/query",
                fields=fields,
                encode_multipart=False,
                headers=headers,
                timeout=urllib3.Timeout(connect=min(10.0, self._timeout_s), read=self._timeout_s),
            )
        except (HTTPError, OSError) as exc:
            raise self._away(exc) from exc
        if answer.status != 200:
            raise self._refusal(answer.status, _reason_in(answer.data))
        body: bytes = answer.data
        return body

    # -- what answers mean -------------------------------------------------------------------------

    def _away(self, exc: BaseException) -> ServerAway:
        return ServerAway(
            "the server does not answer",
            place=str(self.place),
            value=_plain(exc),
            remedy="samples wait in the journal meanwhile; see that the server runs and can be reached",
        )

    def _refusal(self, status: int | None, reason: str | None) -> StoreError:
        words = f"status {status}" + (f": {reason[:200]}" if reason else "")
        if status in (401, 403):
            return ServerAway(
                "the server does not accept the token",
                place=str(self.place),
                value=words,
                remedy=f"give one that may read and write this bucket in {TOKEN_VARIABLE}",
            )
        if status == 404:
            return ServerAway(
                "the server knows no such bucket",
                place=str(self.place),
                value=words,
                remedy="make the bucket (docs/influxdb.md says how) or name another in [store.influxdb]",
            )
        if status is None or status == 429 or status >= 500:
            return ServerAway(
                "the server can not do it now",
                place=str(self.place),
                value=words,
                remedy="nothing: it is tried again, and samples wait in the journal meanwhile",
            )
        return StoreError(
            "the server refused", place=str(self.place), value=words, remedy="see docs/influxdb.md"
        )


def _requests(parts: Iterable[Sequence[bytes]]) -> Iterator[tuple[Sequence[bytes], int]]:
    """What each request holds, and the place of its first line among all."""
    offset = 0
    for part in parts:
        for at in range(0, len(part), BATCH_LINES):
            yield part[at : at + BATCH_LINES], offset + at
        offset += len(part)


def quoted(name: str) -> str:
    """A name of InfluxQL: a field's, a tag's or a measurement's."""
    return '"' + name.replace("\\", "\\\\").replace('"', '\\"') + '"'


def text_literal(text: str) -> str:
    """A text of InfluxQL."""
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'") + "'"


def _reason_in(body: Any) -> str | None:
    """The server's own words in the body of an answer; None when it is not the server that speaks."""
    try:
        parts = orjson.loads(body)
        reason = parts.get("message") or parts.get("error")
    except (ValueError, TypeError, AttributeError):
        return None
    return None if reason is None else str(reason)


def _plain(exc: BaseException) -> str:
    """The cause of a failed connection without addresses of objects."""
    while exc.__cause__ is not None or getattr(exc, "reason", None) is not None:
        reason = getattr(exc, "reason", None)
        inner = reason if isinstance(reason, BaseException) else exc.__cause__
        if inner is None or inner is exc:
            break
        exc = inner
    return f"{type(exc).__name__}: {str(exc).rpartition('object at ')[2].partition('>: ')[2] or exc}"[:160]
