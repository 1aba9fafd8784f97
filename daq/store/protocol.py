"""What every backend of sealed samples can do, and the record of what was put there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from daq.errors import StoreCorrupt, StoreError
from daq.frame import Block
from daq.store.envelope import Buckets
from daq.store.logbook import CalibrationRecord, RunRecord

__all__ = [
    "BackendAway",
    "ChannelSpan",
    "DeadLetters",
    "LostSpan",
    "SampleStore",
    "Segment",
    "SegmentAbout",
    "SegmentGone",
]


class SegmentGone(StoreCorrupt):
    """A segment is not there: it was merged or deleted since the catalogue was read, or it is lost."""


class BackendAway(StoreError):  # noqa: N818 - it says what is so, as StoreBusy does
    """A backend can not be reached, or takes nothing now: nothing is wrong with the samples."""


class ChannelSpan(NamedTuple):
    """The extremes of a channel's finite values within a segment, and when they were [ns]."""

    low: float
    low_ns: int
    high: float
    high_ns: int
    finite: int


@dataclass(frozen=True, slots=True)
class Segment:
    """A batch of one source's samples that left the journal for the archive.

    Attributes
    ----------
    run_id, source : str
    name : str
        The segment's name in its backend, unique within the run.
    rows : int
    first_id : int
        Journal id of its first row, by which segments are in order; 0 for imported ones.
    last_id : int
        Journal id of its last row; 0 for imported ones.
    t_min_ns, t_max_ns : int
        The span of its samples, both ends included [ns].
    level : int
        How often its rows have been merged into a bigger segment.
    spans : dict of str to ChannelSpan or None
        Every channel that has a column in it; None where no value is finite.
    backend : str
        Name of the backend that it is in.
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
    backend: str = ""
    id: int = 0


@dataclass(frozen=True, slots=True)
class SegmentAbout:
    """What a backend may write beside a segment, so that it explains itself without the rest of the store.

    It says of what bench and build, from when, in what units; the run's record and its calibrations.
    """

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


@dataclass(frozen=True, slots=True)
class DeadLetters:
    """Rows of a segment that its backend will never take, kept elsewhere and read with the rest.

    Attributes
    ----------
    run_id, name : str
        The segment.
    rows : list of int
        Places within the segment; None when it was refused as a whole.
    reasons : dict of str to int
        The backend's words, and of how many rows it said them.
    """

    run_id: str
    name: str
    rows: Sequence[int] | None
    reasons: Mapping[str, int]

    @property
    def count(self) -> int:
        """How many rows they are."""
        return sum(self.reasons.values())


class SampleStore(Protocol):
    """A backend of sealed samples.

    A backend holds segments by run and name. It keeps no list of its own: the catalogue in the journal says
    which segments count, so that a segment which was written and never recorded is as if it were not there.
    What a backend can do it says itself; nobody asks which one it is. Every method raises only StoreError and
    its kinds, `BackendAway` where it is worth trying again.
    """

    @property
    def name(self) -> str:
        """What its segments' `backend` says."""
        ...

    @property
    def prefix(self) -> str:
        """What the names of its segments begin with, so that no two backends of a store use one name."""
        ...

    @property
    def place(self) -> str:
        """Where it is, for people: a folder, or a server's address."""
        ...

    @property
    def remote(self) -> bool:
        """Whether it may be away: then a store that opens does not ask it, and the journal is its spool."""
        ...

    @property
    def merges(self) -> bool:
        """Whether small segments cost a reader so much that they should be merged into bigger ones."""
        ...

    @property
    def downsamples(self) -> bool:
        """Whether it has a way of its own to make an envelope without giving out every row."""
        ...

    def write(self, run_id: str, segment: Segment, block: Block, about: SegmentAbout) -> None:
        """Put one source's samples there, safe from a power cut on return, in place of the same segment.

        Parameters
        ----------
        run_id : str
        segment : Segment
            The name under which they are to be found.
        block : Block
            All samples of the segment.
        about : SegmentAbout
            The run's start and the channels' units.
        """
        ...

    def merge(self, run_id: str, segments: Sequence[Segment], into: Segment, about: SegmentAbout) -> None:
        """Write one segment of the rows of several, in their order; the old ones stay. Only if `merges`.

        Parameters
        ----------
        run_id : str
        segments : sequence of Segment
            Of one source, in the order of their rows.
        into : Segment
            The new one.
        about : SegmentAbout
            The run's start and the channels' units.
        """
        ...

    def read(
        self,
        run_id: str,
        segments: Sequence[Segment],
        *,
        channels: Sequence[str] | None = None,
        start_ns: int | None = None,
        end_ns: int | None = None,
        raw: bool = False,
    ) -> list[Block]:
        """One block for each segment, rows in stored order.

        Parameters
        ----------
        run_id : str
        segments : sequence of Segment
            Of that run.
        channels : sequence of str, optional
            Which channels; None takes all.
        start_ns, end_ns : int, optional
            From and to which time of the run, both included [ns]; None for its start and its end.
        raw : bool
            Whether to read the raw numbers too.

        Raises
        ------
        SegmentGone
            When a segment is not there.
        """
        ...

    def downsample(
        self,
        run_id: str,
        segments: Sequence[Segment],
        channels: Sequence[str],
        *,
        start_ns: int,
        end_ns: int,
        width_ns: int,
    ) -> dict[str, Buckets] | None:
        """Each channel's buckets; None where it can not tell.

        Parameters
        ----------
        run_id : str
        segments : sequence of Segment
            All of the run's that count.
        channels : sequence of str
        start_ns, end_ns : int
            Where bucket 0 begins, and the last time that is wanted [ns of the run].
        width_ns : int
            Width of a bucket, above 0 [ns].
        """
        ...

    def delete(self, run_id: str, names: Sequence[str]) -> None:
        """Remove segments by name; one that is not there is no error."""
        ...

    def survey(self) -> Sequence[Segment]:
        """Every segment that is there, as it describes itself: for a catalogue that has been lost."""
        ...

    def about(self, run_id: str, name: str) -> SegmentAbout | None:
        """What a segment says of its run; None in a backend that keeps nothing of it."""
        ...

    def dead_letters(self, run_id: str | None = None) -> Sequence[DeadLetters]:
        """What it refused, of one run or of all."""
        ...

    def close(self) -> None:
        """Let go of files and connections."""
        ...
