"""In which home a run's samples are, and moving them."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable

from daq.store._refused import RefusedRows
from daq.store.home import REMOTE_MARK, Piece, PieceAbout, SampleStore
from daq.store.homes import Homes, is_remote
from daq.store.journal import Journal, pieces_of
from daq.store.moving import move_run, to_move
from daq.store.sealing import Sealer

__all__ = ["RunHomes"]


class RunHomes(ABC):
    """What can be asked and done about where runs are kept. `Store` is one."""

    journal: Journal
    archive: SampleStore
    _sealer: Sealer

    def rows_by_home(self, run_id: str) -> dict[str, int]:
        """How many of a run's samples are in the journal, in segments, on the server, and refused by it."""
        pieces = self.pieces(run_id)
        there = sum(p.rows for p in pieces if is_remote(p.name))
        refused = sum(sum(r.reasons.values()) for r in self.refused_rows(run_id))
        return {
            "journal": self.journal.count(run_id),
            "segments": sum(p.rows for p in pieces) - there,
            "influxdb": there - refused,
            "refused": refused,
        }

    def pieces(self, run_id: str) -> list[Piece]:
        """The batches of a run that are sealed."""
        with self.journal.db.reading() as con:
            return pieces_of(con, run_id)

    def refused_rows(self, run_id: str | None = None) -> list[RefusedRows]:
        """What the server refused, of one run or of all, with its reasons."""
        if not isinstance(self.archive, Homes) or self.archive.remote is None:
            return []
        return self.archive.remote.refused.all(run_id)

    def pieces_to_move(self, run_id: str, *, to: str) -> int:
        """How many batches of a run are not in that home ("segments" or "influxdb") yet."""
        return len(to_move(self.journal, run_id, remote=to == "influxdb"))

    def move_run(self, run_id: str, *, to: str, tell: Callable[[Piece], None] = lambda _: None) -> int:
        """Move what is sealed of a run to a home; see `move_run` of `moving`."""
        assert isinstance(self.archive, Homes)
        return move_run(
            self.journal,
            self.archive,
            run_id,
            remote=to == "influxdb",
            mark=self._sealer.mark(REMOTE_MARK),
            about=self._about(run_id),
            tell=tell,
        )

    @abstractmethod
    def _about(self, run_id: str) -> PieceAbout:
        """What may be written beside a piece of a run."""
