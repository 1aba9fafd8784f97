"""A store's archive as a whole: segments beside the journal, and a server when the bench file names one.

A piece's name says which home it is in (`REMOTE_MARK`), so that runs may be moved between them, and so that
what a full journal had to put into segments while the server was away is read with the rest.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from typing import TYPE_CHECKING

from daq.errors import StoreError
from daq.frame import Block
from daq.store.home import REMOTE_MARK, Piece, PieceAbout
from daq.store.segments import Segments

if TYPE_CHECKING:
    from daq.store._far_envelope import Spans
    from daq.store.influx import InfluxArchive

__all__ = ["SPOOL_ROWS", "Homes", "is_remote"]

_log = logging.getLogger(__name__)

SPOOL_ROWS = 2_000_000
"""Rows that wait in the journal for a server before they go to segments: about 55 h of one source at 10
Hz.
"""


class Homes:
    """Segments, and a server.

    Parameters
    ----------
    local : Segments
    remote : InfluxArchive, optional
        The server's home.
    to_remote : bool
        Whether new pieces go to the server.
    spool_rows : int
        How many rows the journal may hold while the server is away; beyond it they go to segments.
    """

    merges = True

    def __init__(
        self,
        local: Segments,
        remote: InfluxArchive | None = None,
        *,
        to_remote: bool = False,
        spool_rows: int = SPOOL_ROWS,
    ) -> None:
        self.local = local
        self.remote = remote
        self.to_remote = to_remote and remote is not None
        self.spool_rows = spool_rows

    @property
    def mark(self) -> str:
        """What the names of new pieces begin with."""
        return REMOTE_MARK if self.to_remote else ""

    def write(self, run_id: str, piece: Piece, block: Block, about: PieceAbout) -> None:
        """Write a piece to the home that its name says; see `SampleStore`."""
        (self._server() if is_remote(piece.name) else self.local).write(run_id, piece, block, about)

    def merge(self, run_id: str, pieces: Sequence[Piece], into: Piece, about: PieceAbout) -> None:
        """Merge segments; see `SampleStore`."""
        self.local.merge(run_id, pieces, into, about)

    def read(
        self,
        run_id: str,
        pieces: Sequence[Piece],
        *,
        channels: Sequence[str] | None = None,
        start_ns: int | None = None,
        end_ns: int | None = None,
        raw: bool = False,
    ) -> list[Block]:
        """Read pieces from where each is; see `SampleStore`."""
        here = [p for p in pieces if not is_remote(p.name)]
        there = [p for p in pieces if is_remote(p.name)]
        found: dict[str, Block] = {}
        for own, remote in ((here, False), (there, True)):
            if own:
                home = self._server() if remote else self.local
                blocks = home.read(run_id, own, channels=channels, start_ns=start_ns, end_ns=end_ns, raw=raw)
                found |= {p.name: b for p, b in zip(own, blocks, strict=True)}
        return [found[p.name] for p in pieces]

    def delete(self, run_id: str, names: Sequence[str]) -> None:
        """Remove pieces from where each is; see `SampleStore`."""
        here = [n for n in names if not is_remote(n)]
        there = [n for n in names if is_remote(n)]
        if here:
            self.local.delete(run_id, here)
        if there:
            self._server().delete(run_id, there)

    def survey(self) -> list[Piece]:
        """Every segment that is there. The server, which may be away, is asked by `survey_remote`."""
        return self.local.survey()

    def survey_remote(self) -> list[Piece]:
        """Every piece of this bench on the server; empty when there is none."""
        return [] if self.remote is None else self.remote.survey()

    def spans(
        self,
        run_id: str,
        pieces: Sequence[Piece],
        channels: Sequence[str],
        *,
        start_ns: int,
        end_ns: int,
        width_ns: int,
    ) -> dict[str, Spans] | None:
        """As `InfluxArchive.spans`; None when not all pieces are on the server."""
        if self.remote is None or not all(is_remote(p.name) for p in pieces):
            return None
        return self.remote.spans(
            run_id, pieces, channels, start_ns=start_ns, end_ns=end_ns, width_ns=width_ns
        )

    def close(self) -> None:
        """Close the connections."""
        if self.remote is not None:
            self.remote.close()

    def _server(self) -> InfluxArchive:
        if self.remote is None:
            raise StoreError(
                "pieces of this run are on a server that the store no longer knows",
                place=str(self.local.folder.parent / "archive.json"),
                remedy="name the server in [store.influxdb] again",
            )
        return self.remote


def is_remote(name: str) -> bool:
    """Whether a piece of this name is on a server."""
    return name.startswith(REMOTE_MARK)
