"""Which backends a store's folder has, written in it as `archive.json`.

The folder says so itself, since most who open a store (a review, the sealing process) have no bench file at
hand. There is no secret in it: the token is in the environment alone.
"""

from __future__ import annotations

import os
from dataclasses import asdict, dataclass
from pathlib import Path

import orjson

from daq.bench import Bench
from daq.errors import StoreCorrupt
from daq.store._faults import store_faults
from daq.store.archive.archive import SPOOL_ROWS, Archive
from daq.store.influxdb.server import InfluxPlace, InfluxServer
from daq.store.parquet.backend import ParquetBackend

__all__ = ["KINDS", "ArchivePlaces", "make_archive", "places_in", "settle"]

KINDS = ("segments", "influxdb")
"""Backends that a bench file can name, and where runs can be moved to."""
_FILE = "archive.json"


@dataclass(frozen=True, slots=True)
class ArchivePlaces:
    """Where sealed samples are.

    Attributes
    ----------
    kind : str
        "segments" or "influxdb": where new ones go.
    server : InfluxPlace, optional
        Known as long as there may be samples on it.
    bench : str
        The tag of this store's samples on the server. A store keeps the one that it began with, whatever the
        bench is called later.
    spool_rows : int
        See `Archive`.
    """

    kind: str = "segments"
    server: InfluxPlace | None = None
    bench: str = ""
    spool_rows: int = SPOOL_ROWS


def places_in(folder: Path) -> ArchivePlaces:
    """What the folder says; segments when it says nothing.

    Raises
    ------
    StoreCorrupt
        When the file is there and makes no sense.
    """
    path = folder / _FILE
    with store_faults(path):
        if not path.is_file():
            return ArchivePlaces()
        text = path.read_bytes()
    try:
        document = orjson.loads(text)
        server = document.get("server")
        return ArchivePlaces(
            document["kind"],
            None if server is None else InfluxPlace(**server),
            document["bench"],
            document["spool_rows"],
        )
    except (ValueError, TypeError, KeyError, AttributeError):
        raise StoreCorrupt(
            "does not say where the archive is",
            place=str(path),
            remedy="remove it and start the reader: the bench file says it anew",
        ) from None


def settle(bench: Bench) -> None:
    """Have the bench's store say where the bench file wants its archive."""
    folder = bench.store_folder
    before = places_in(folder)
    spec = bench.store.influxdb
    server = before.server
    if spec is not None:
        server = InfluxPlace(spec.url, spec.bucket, spec.org)
    places = ArchivePlaces(bench.store.archive, server, before.bench or bench.name, bench.store.spool_rows)
    if places == before or (places.kind == "segments" and server is None):
        return
    path = folder / _FILE
    part = path.with_suffix(".part")
    with store_faults(path):
        folder.mkdir(parents=True, exist_ok=True)
        with part.open("wb") as file:
            file.write(orjson.dumps(asdict(places), option=orjson.OPT_INDENT_2))
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)


def make_archive(folder: Path) -> Archive:
    """The backends of the store in a folder."""
    places = places_in(folder)
    local = ParquetBackend(folder / "segments")
    if places.server is None:
        return Archive(local)
    from daq.store.influxdb.backend import InfluxBackend

    remote = InfluxBackend(InfluxServer(places.server), places.bench, folder / "refused")
    return Archive(local, remote, new_in=places.kind, spool_rows=places.spool_rows)
