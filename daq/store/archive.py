"""Which homes a store's folder has, written in it as `archive.json`.

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
from daq.store.homes import SPOOL_ROWS, Homes
from daq.store.influx_server import InfluxPlace, InfluxServer
from daq.store.segments import Segments

__all__ = ["ArchivePlaces", "make_archive", "places_in", "settle"]

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
        See `Homes`.
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
        said = orjson.loads(text)
        server = said.get("server")
        return ArchivePlaces(
            said["kind"], None if server is None else InfluxPlace(**server), said["bench"], said["spool_rows"]
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


def make_archive(folder: Path) -> Homes:
    """The homes of the store in a folder."""
    places = places_in(folder)
    local = Segments(folder / "segments")
    if places.server is None:
        return Homes(local)
    from daq.store.influx import InfluxArchive

    remote = InfluxArchive(InfluxServer(places.server), places.bench, folder / "refused")
    return Homes(local, remote, to_remote=places.kind == "influxdb", spool_rows=places.spool_rows)
