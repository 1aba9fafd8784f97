"""A third backend, as small as one can be: a pickle a segment. It may be away, and it downsamples.

It is here to show what adding a backend takes: this module, and a line in `made.BACKENDS`.
"""

from __future__ import annotations

import pickle
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from urllib.parse import quote

import numpy as np

from daq.errors import StoreError
from daq.frame import Block
from daq.store import BackendAway, DeadLetters, Segment, SegmentAbout, SegmentGone
from daq.store._blocks import spans_of
from daq.store.envelope import Buckets, buckets_of

__all__ = ["ToyBackend"]


class ToyBackend:
    """A folder of pickles."""

    name = "toy"
    prefix = "toy-"
    remote = True
    merges = False
    downsamples = True

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.away = False

    @property
    def place(self) -> str:
        return str(self.folder)

    def _path(self, run_id: str, name: str) -> Path:
        if self.away:
            raise BackendAway("is away", place=self.place)
        return self.folder / run_id / quote(name, safe="")

    def _load(self, run_id: str, name: str) -> tuple[Segment, Block, SegmentAbout]:
        path = self._path(run_id, name)
        if not path.is_file():
            raise SegmentGone("is gone", place=str(path))
        segment, block, about = pickle.loads(path.read_bytes())
        return segment, block, about

    def write(self, run_id: str, segment: Segment, block: Block, about: SegmentAbout) -> None:
        path = self._path(run_id, segment.name)
        path.parent.mkdir(parents=True, exist_ok=True)
        finite = {n: np.where(np.isfinite(v), v, np.nan) for n, v in block.values.items()}
        block = replace(block, values=finite)
        kept = replace(segment, backend=self.name, spans=spans_of(block))
        path.write_bytes(pickle.dumps((kept, block, about)))

    def merge(self, run_id: str, segments: Sequence[Segment], into: Segment, about: SegmentAbout) -> None:
        raise StoreError("segments are not merged", place=self.place)

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
        found = []
        for segment in segments:
            _, block, _ = self._load(run_id, segment.name)
            columns = (block.values, block.status, block.raw if raw else {})
            values, status, raws = (
                {n: c for n, c in some.items() if channels is None or n in channels} for some in columns
            )
            cut = Block(block.source, block.t_ns, block.seq, values, status, raws)  # type: ignore[arg-type]
            found.append(cut.between(start_ns, end_ns))
        return found

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
        blocks = self.read(run_id, segments, channels=channels, start_ns=start_ns, end_ns=end_ns)
        out = {}
        for channel in channels:
            own = [b for b in blocks if channel in b.values]
            if own:
                whole = Block.concat("", own)
                out[channel] = buckets_of(whole.t_ns, whole.values[channel], start_ns, width_ns)
        return out

    def delete(self, run_id: str, names: Sequence[str]) -> None:
        for name in names:
            self._path(run_id, name).unlink(missing_ok=True)

    def survey(self) -> Sequence[Segment]:
        self._path("", "")
        return [self._load(path.parent.name, path.name)[0] for path in sorted(self.folder.glob("*/*"))]

    def about(self, run_id: str, name: str) -> SegmentAbout | None:
        return self._load(run_id, name)[2]

    def dead_letters(self, run_id: str | None = None) -> Sequence[DeadLetters]:
        return []

    def close(self) -> None:
        pass
