"""A store's archive: one or several backends of sealed samples. Each segment says which of them it is in."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from daq.errors import StoreError
from daq.frame import Block
from daq.store.envelope import Buckets
from daq.store.protocol import DeadLetters, SampleStore, Segment, SegmentAbout

__all__ = ["SPOOL_ROWS", "Archive"]

SPOOL_ROWS = 2_000_000
"""Rows that wait in the journal for a backend that is away before they go to the local one: about 55 h of one
source at 10 Hz.
"""


class Archive:
    """The backends of one store.

    Parameters
    ----------
    local : SampleStore
        Where samples go that another backend can not take.
    others : SampleStore
        By other names and prefixes.
    new_in : str
        Name of the backend that new segments go to; the local one unless given.
    spool_rows : int
        How many rows the journal may hold while that one is away; beyond it they go to the local one.

    Attributes
    ----------
    backends : dict of str to SampleStore
        By name.
    local, target : SampleStore
    """

    def __init__(
        self, local: SampleStore, *others: SampleStore, new_in: str = "", spool_rows: int = SPOOL_ROWS
    ) -> None:
        self.local = local
        self.backends = {b.name: b for b in (local, *others)}
        self.target = self.backends[new_in] if new_in else local
        self.spool_rows = spool_rows

    def backend(self, name: str) -> SampleStore:
        """The backend that segments say they are in.

        Raises
        ------
        StoreError
            When the store does not know it, or no more.
        """
        if name not in self.backends:
            raise StoreError(
                "segments of this run are on a server that the store no longer knows",
                place=str(Path(self.local.place).with_name("archive.json")),
                remedy="name the server in [store.influxdb] again",
            )
        return self.backends[name]

    def write(self, segment: Segment, block: Block, about: SegmentAbout) -> None:
        """Write a segment to the backend that it names.

        Parameters
        ----------
        segment : Segment
        block, about : Block, SegmentAbout
            As `SampleStore.write`.
        """
        self.backend(segment.backend).write(segment.run_id, segment, block, about)

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
        """Read segments from wherever each is.

        Parameters
        ----------
        run_id : str
        segments : sequence of Segment
            Of that run, in any backends.
        channels, start_ns, end_ns, raw : sequence of str, int, int, bool
            As `SampleStore.read`.
        """
        found: dict[str, Block] = {}
        for name in dict.fromkeys(s.backend for s in segments):
            own = [s for s in segments if s.backend == name]
            blocks = self.backend(name).read(
                run_id, own, channels=channels, start_ns=start_ns, end_ns=end_ns, raw=raw
            )
            found |= {s.name: b for s, b in zip(own, blocks, strict=True)}
        return [found[s.name] for s in segments]

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
        """Each channel's buckets; None where the backend can not tell, or they are not all in one.

        Parameters
        ----------
        run_id, segments, channels, start_ns, end_ns, width_ns
            As `SampleStore.downsample`.
        """
        names = {s.backend for s in segments}
        if len(names) != 1:
            return None
        return self.backend(names.pop()).downsample(
            run_id, segments, channels, start_ns=start_ns, end_ns=end_ns, width_ns=width_ns
        )

    def dead_letters(self, run_id: str | None = None) -> list[DeadLetters]:
        """What the backends refused, of one run or of all."""
        return [letters for b in self.backends.values() for letters in b.dead_letters(run_id)]

    def close(self) -> None:
        """Let go of every backend's files and connections."""
        for backend in self.backends.values():
            backend.close()
