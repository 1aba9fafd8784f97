"""The embedded backend: one zstd Parquet file a segment, one folder a run, readable by any tool."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from daq.errors import StoreCorrupt, StoreError
from daq.frame import Block
from daq.store._faults import store_faults
from daq.store.protocol import DeadLetters, Segment, SegmentAbout, SegmentGone

__all__ = ["ParquetBackend"]

_log = logging.getLogger(__name__)

_PART = ".part"
_SUFFIX = ".parquet"


class ParquetBackend:
    """A folder of Parquet files.

    Parameters
    ----------
    folder : Path
        Usually `FOLDER/segments`; made when the first segment is written.
    """

    name = "segments"
    prefix = ""
    remote = False
    merges = True
    downsamples = False

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @property
    def place(self) -> str:
        """The folder."""
        return str(self.folder)

    def path(self, run_id: str, name: str) -> Path:
        """The file of a segment."""
        return self.folder / run_id / (name + _SUFFIX)

    def write(self, run_id: str, segment: Segment, block: Block, about: SegmentAbout) -> None:
        """Write a segment.

        Parameters
        ----------
        run_id, segment, block, about : str, Segment, Block, SegmentAbout
            As `SampleStore.write`.
        """
        from daq.store.parquet import files as _parquet

        self._replace(
            self.path(run_id, segment.name), lambda part: _parquet.write_file(part, block, segment, about)
        )

    def merge(self, run_id: str, segments: Sequence[Segment], into: Segment, about: SegmentAbout) -> None:
        """Write one segment of several.

        Parameters
        ----------
        run_id, segments, into, about : str, sequence of Segment, Segment, SegmentAbout
            As `SampleStore.merge`.
        """
        from daq.store.parquet import files as _parquet

        paths = [self.path(run_id, p.name) for p in segments]
        self._replace(
            self.path(run_id, into.name), lambda part: _parquet.merge_files(paths, part, into, about)
        )

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
        """Read segments.

        Parameters
        ----------
        run_id : str
        segments : sequence of Segment
            Of that run.
        channels, start_ns, end_ns, raw : sequence of str, int, int, bool
            As `SampleStore.read`.
        """
        if not segments:
            return []
        from daq.store.parquet import files as _parquet

        blocks = []
        for segment in segments:
            path = self.path(run_id, segment.name)
            with store_faults(path, decoding=True):
                try:
                    block = _parquet.read_file(
                        path, segment.source, channels=channels, start_ns=start_ns, end_ns=end_ns, raw=raw
                    )
                except FileNotFoundError as exc:
                    raise SegmentGone(
                        "is missing", place=str(path), remedy="restore the file from a copy"
                    ) from exc
            if start_ns is None and end_ns is None and len(block) != segment.rows:
                raise StoreCorrupt(
                    f"should hold {segment.rows} samples",
                    place=str(path),
                    value=len(block),
                    remedy="restore the file from a copy",
                )
            blocks.append(block.between(start_ns, end_ns))
        return blocks

    def delete(self, run_id: str, names: Sequence[str]) -> None:
        """Remove segments; see `SampleStore`."""
        folder = self.folder / run_id
        with store_faults(folder):
            for name in names:
                path = self.path(run_id, name)
                path.unlink(missing_ok=True)
                path.with_suffix(_SUFFIX + _PART).unlink(missing_ok=True)
            if folder.is_dir() and not any(folder.iterdir()):
                folder.rmdir()

    def survey(self) -> list[Segment]:
        """Every readable segment that is there; see `SampleStore`."""
        if not self.folder.is_dir():
            return []
        from daq.store.parquet import files as _parquet

        found = []
        for path in sorted(self.folder.glob(f"*/*{_SUFFIX}")):
            try:
                with store_faults(path, decoding=True):
                    segment = _parquet.segment_in(path, path.name.removesuffix(_SUFFIX))
            except StoreError as exc:
                _log.warning("not taken into the catalogue: %s", exc)
                continue
            if segment is not None and segment.run_id == path.parent.name:
                found.append(replace(segment, backend=self.name))
        return found

    def about(self, run_id: str, name: str) -> SegmentAbout:
        """What a segment says of its run."""
        from daq.store.parquet import files as _parquet

        path = self.path(run_id, name)
        with store_faults(path, decoding=True):
            return _parquet.about_in(path)

    def downsample(self, *_: object, **__: object) -> None:
        """Rows in files are as quick to read as they are to downsample."""

    def dead_letters(self, run_id: str | None = None) -> list[DeadLetters]:
        """A file takes every row."""
        return []

    def close(self) -> None:
        """Nothing is held open."""

    def _replace(self, path: Path, write: Callable[[Path], None]) -> None:
        """Make a file that is either whole or not there, whatever happens meanwhile."""
        part = path.with_suffix(_SUFFIX + _PART)
        with store_faults(path):
            is_new = not path.parent.is_dir()
            path.parent.mkdir(parents=True, exist_ok=True)
            try:
                write(part)
                _sync_file(part)
                part.replace(path)
            except BaseException:
                part.unlink(missing_ok=True)
                raise
            _sync_folder(path.parent)
            if is_new:
                _sync_folder(path.parent.parent)


def _sync_file(path: Path) -> None:
    handle = os.open(path, os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _sync_folder(path: Path) -> None:
    if os.name == "nt":
        return  # a folder can not be opened there; NTFS journals the rename by itself
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
