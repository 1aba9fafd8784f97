"""Rows that a server will never take: kept here with the server's reason, and read as part of their piece."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import orjson

from daq.frame import Block
from daq.store._faults import store_faults
from daq.store.home import Piece, PieceAbout
from daq.store.segments import Segments

__all__ = ["RefusedRows", "RefusedRowsStore"]


@dataclass(frozen=True, slots=True)
class RefusedRows:
    """What a server refused of one piece.

    Attributes
    ----------
    run_id, name : str
        The piece.
    rows : list of int
        Places within the piece; None when it is here as a whole.
    reasons : dict of str to int
        The server's words, and of how many rows it said them.
    """

    run_id: str
    name: str
    rows: Sequence[int] | None
    reasons: Mapping[str, int]


class RefusedRowsStore:
    """A folder of such rows: a Parquet file a piece as `Segments` writes it, and a JSON file with the
    reasons.

    Parameters
    ----------
    folder : Path
        Usually `FOLDER/refused`; made when something is refused.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._files = Segments(folder)

    def keep(
        self,
        piece: Piece,
        block: Block,
        about: PieceAbout,
        rows: Sequence[int] | None,
        reasons: Sequence[str],
    ) -> None:
        """Keep rows of a piece, the whole piece when `rows` is None, in place of what was kept of it
        before.
        """
        kept = block if rows is None else block.rows(np.array(rows, dtype=np.intp))
        counted = dict(Counter(_short(r) for r in reasons))
        note = {"rows": rows, "reasons": counted, "piece": piece.name}
        self._files.write(piece.run_id, replace(piece, rows=len(kept)), kept, about)
        path = self._note(piece.run_id, piece.name)
        with store_faults(path):
            path.write_bytes(orjson.dumps(note))

    def of(self, run_id: str, name: str) -> RefusedRows | None:
        """What is kept of a piece; None when the server has all of it."""
        path = self._note(run_id, name)
        with store_faults(path, decoding=True):
            if not path.is_file():
                return None
            said = orjson.loads(path.read_bytes())
            return RefusedRows(run_id, name, said["rows"], said["reasons"])

    def block(self, piece: Piece, rows: int, channels: Sequence[str] | None, *, raw: bool) -> Block:
        """The rows kept of a piece."""
        (found,) = self._files.read(piece.run_id, [replace(piece, rows=rows)], channels=channels, raw=raw)
        return found

    def forget(self, run_id: str, names: Sequence[str]) -> None:
        """Remove what is kept of pieces."""
        if not (self.folder / run_id).is_dir():
            return
        for name in names:
            with store_faults(self.folder):
                self._note(run_id, name).unlink(missing_ok=True)
        self._files.delete(run_id, names)

    def survey(self) -> list[Piece]:
        """The pieces that are here as a whole."""
        found = []
        for piece in self._files.survey():
            refused = self.of(piece.run_id, piece.name)
            if refused is not None and refused.rows is None:
                found.append(piece)
        return found

    def all(self, run_id: str | None = None) -> list[RefusedRows]:
        """Everything that is kept, of one run or of all."""
        if not self.folder.is_dir():
            return []
        names = sorted(self.folder.glob(f"{run_id or '*'}/*.json"))
        found = [self.of(path.parent.name, path.name.removesuffix(".json")) for path in names]
        return [r for r in found if r is not None]

    def count(self) -> int:
        """How many rows are kept."""
        return sum(sum(r.reasons.values()) for r in self.all())

    def _note(self, run_id: str, name: str) -> Path:
        return self.folder / run_id / f"{name}.json"


def _short(reason: str) -> str:
    """A server's reason without the lengths of what it quotes."""
    return reason if len(reason) <= 300 else reason[:297] + "..."
