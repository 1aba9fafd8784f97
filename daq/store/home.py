"""What every home of sealed samples can do, and the record of what was put there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from daq.errors import StoreCorrupt, StoreError
from daq.frame import Block
from daq.store.records import CalibrationRecord, RunRecord

__all__ = ["REMOTE_MARK", "ChannelSpan", "LostSpan", "Piece", "PieceAbout", "PieceGone", "SampleStore"]

REMOTE_MARK = "db-"
"""What the names of pieces on a server begin with: by it a store with pieces in two homes knows where each
is.
"""


class PieceGone(StoreCorrupt):
    """A piece is not there: it was merged or deleted since the catalogue was read, or it is lost."""


class ChannelSpan(NamedTuple):
    """The extremes of a channel's finite values within a piece, and when they were [ns]."""

    low: float
    low_ns: int
    high: float
    high_ns: int
    finite: int


@dataclass(frozen=True, slots=True)
class Piece:
    """A batch of one source's samples that left the journal for the archive.

    Attributes
    ----------
    run_id, source : str
    name : str
        The piece's name in its home, unique within the run.
    rows : int
    first_id : int
        Journal id of its first row, by which pieces are in order; 0 for imported ones.
    last_id : int
        Journal id of its last row; 0 for imported ones.
    t_min_ns, t_max_ns : int
        The span of its samples, both ends included [ns].
    level : int
        How often its rows have been merged into a bigger piece.
    spans : dict of str to ChannelSpan or None
        Every channel that has a column in it; None where no value is finite.
    id : int
        Row of the catalogue.
    """

    run_id: str
    source: str
    name: str
    rows: int
    first_id: int
    last_id: int
    t_min_ns: int
    t_max_ns: int
    level: int = 0
    spans: Mapping[str, ChannelSpan | None] = field(default_factory=dict)
    id: int = 0


@dataclass(frozen=True, slots=True)
class PieceAbout:
    """What a home may write beside a piece, so that it explains itself without the rest of the store: of what
    bench and build, from when, in what units; the run's record and the calibrations that it was made with."""

    bench: str = ""
    build: str = ""
    start_utc_ns: int | None = None
    units: Mapping[str, str] = field(default_factory=dict)
    record: RunRecord | None = None
    calibrations: Sequence[CalibrationRecord] = ()


@dataclass(frozen=True, slots=True)
class LostSpan:
    """Samples that are recorded and can not be read.

    Attributes
    ----------
    source : str
    start_ns, end_ns : int
        Their span, both ends included [ns].
    samples : int
    error : StoreError
        Which file, and why.
    """

    source: str
    start_ns: int
    end_ns: int
    samples: int
    error: StoreError


class SampleStore(Protocol):
    """A home of sealed samples.

    A home holds pieces by run and name. It keeps no list of its own: the catalogue in the journal says which
    pieces count, so that a piece which was written and never recorded is as if it were not there. Every
    method raises only StoreError and its kinds.
    """

    @property
    def merges(self) -> bool:
        """Whether small pieces cost a reader so much that they should be merged into bigger ones."""
        ...

    @property
    def mark(self) -> str:
        """What the names of its pieces have to begin with."""
        ...

    def write(self, run_id: str, piece: Piece, block: Block, about: PieceAbout) -> None:
        """Put one source's samples there, safe from a power cut on return, in place of the same piece."""
        ...

    def merge(self, run_id: str, pieces: Sequence[Piece], into: Piece, about: PieceAbout) -> None:
        """Write one piece of the rows of several, in their order; the old ones stay. Only if `merges`."""
        ...

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
        """One block for each of `pieces`, rows from `start_ns` to `end_ns` (both included) in stored order.

        Raises
        ------
        PieceGone
            When a piece is not there.
        """
        ...

    def delete(self, run_id: str, names: Sequence[str]) -> None:
        """Remove pieces by name; one that is not there is no error."""
        ...

    def survey(self) -> Sequence[Piece]:
        """Every piece that is there, as it describes itself: for a catalogue that has been lost."""
        ...

    def close(self) -> None:
        """Let go of files and connections."""
        ...
