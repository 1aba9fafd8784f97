"""Dead letters: rows that a server will never take, kept here with its reason and read with their segment."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import orjson

from daq.frame import Block
from daq.store._faults import store_faults
from daq.store.parquet.backend import ParquetBackend
from daq.store.protocol import DeadLetters, Segment, SegmentAbout

__all__ = ["DeadLetterFolder"]


class DeadLetterFolder:
    """A folder of dead letters: a Parquet file a segment, as `ParquetBackend` writes it, and a JSON file with
    the reasons.

    Parameters
    ----------
    folder : Path
        Usually `FOLDER/refused`; made when something is refused.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._files = ParquetBackend(folder)

    def keep(
        self,
        segment: Segment,
        block: Block,
        about: SegmentAbout,
        rows: Sequence[int] | None,
        reasons: Sequence[str],
    ) -> None:
        """Keep rows of a segment, in place of what was kept of it before.

        Parameters
        ----------
        segment : Segment
        block : Block
            All rows of the segment.
        about : SegmentAbout
        rows : sequence of int, optional
            Places of the rows to keep; None keeps the whole segment.
        reasons : sequence of str
            The server's words, one for each row that is kept.
        """
        kept = block if rows is None else block.rows(np.array(rows, dtype=np.intp))
        counted = dict(Counter(_short(r) for r in reasons))
        note = {"rows": rows, "reasons": counted, "piece": segment.name}
        self._files.write(segment.run_id, replace(segment, rows=len(kept)), kept, about)
        path = self._note(segment.run_id, segment.name)
        with store_faults(path):
            path.write_bytes(orjson.dumps(note))

    def of(self, run_id: str, name: str) -> DeadLetters | None:
        """What is kept of a segment; None when the server has all of it."""
        path = self._note(run_id, name)
        with store_faults(path, decoding=True):
            if not path.is_file():
                return None
            note = orjson.loads(path.read_bytes())
            return DeadLetters(run_id, name, note["rows"], note["reasons"])

    def block(self, segment: Segment, rows: int, channels: Sequence[str] | None, *, raw: bool) -> Block:
        """The rows kept of a segment.

        Parameters
        ----------
        segment : Segment
        rows : int
            How many of them are kept.
        channels : sequence of str, optional
            Which channels; None takes all.
        raw : bool
            Whether to take the raw numbers too.
        """
        (found,) = self._files.read(segment.run_id, [replace(segment, rows=rows)], channels=channels, raw=raw)
        return found

    def forget(self, run_id: str, names: Sequence[str]) -> None:
        """Remove what is kept of segments."""
        if not (self.folder / run_id).is_dir():
            return
        for name in names:
            with store_faults(self.folder):
                self._note(run_id, name).unlink(missing_ok=True)
        self._files.delete(run_id, names)

    def survey(self) -> list[Segment]:
        """The segments that are here as a whole."""
        found = []
        for segment in self._files.survey():
            letters = self.of(segment.run_id, segment.name)
            if letters is not None and letters.rows is None:
                found.append(segment)
        return found

    def all(self, run_id: str | None = None) -> list[DeadLetters]:
        """Everything that is kept, of one run or of all."""
        if not self.folder.is_dir():
            return []
        names = sorted(self.folder.glob(f"{run_id or '*'}/*.json"))
        found = [self.of(path.parent.name, path.name.removesuffix(".json")) for path in names]
        return [r for r in found if r is not None]

    def _note(self, run_id: str, name: str) -> Path:
        return self.folder / run_id / f"{name}.json"


def _short(reason: str) -> str:
    """A server's reason without the lengths of what it quotes."""
    return reason if len(reason) <= 300 else reason[:297] + "..."
