"""Runs moved between the homes of a store, batch by batch: written, read back, compared, and only then taken
over.

Each batch is one transaction of the catalogue, so that a reader sees every sample once at any instant, and a
move that was interrupted goes on where it was.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from daq.errors import RequestRefused, StoreCorrupt, StoreError
from daq.frame import Block, plain_status
from daq.store._lock import seal_lock
from daq.store.home import REMOTE_MARK, Piece, PieceAbout
from daq.store.homes import Homes, is_remote
from daq.store.journal import Journal, add_pieces, add_stray, drop_pieces, pieces_of

__all__ = ["difference", "move_run", "to_move"]

_WAIT_S = 60.0


def to_move(journal: Journal, run_id: str, *, remote: bool) -> list[Piece]:
    """The batches of a run that are not in the wanted home."""
    with journal.db.reading() as con:
        return [p for p in pieces_of(con, run_id) if is_remote(p.name) != remote]


def move_run(
    journal: Journal,
    homes: Homes,
    run_id: str,
    *,
    remote: bool,
    mark: str,
    about: PieceAbout,
    tell: Callable[[Piece], None] = lambda _: None,
) -> int:
    """Move what is sealed of a run to the server, or from it to segments; returns how many rows were moved.

    Parameters
    ----------
    remote : bool
        Whether to the server.
    mark : str
        What names there begin with.
    about : PieceAbout
    tell : callable
        Called after each batch.

    Raises
    ------
    StoreCorrupt
        When what was written does not read back the same: the batch stays where it was.
    StoreError
        When either home fails; what was moved before stays moved.
    """
    if remote and homes.remote is None:
        raise RequestRefused(
            "the store knows no server",
            place=run_id,
            remedy="name one in [store.influxdb] and give --bench FILE",
        )
    rows = 0
    for piece in to_move(journal, run_id, remote=remote):
        with seal_lock(journal.path.parent, _WAIT_S):
            rows += _move(journal, homes, piece, mark if remote else "", about)
        tell(piece)
    return rows


def _move(journal: Journal, homes: Homes, piece: Piece, mark: str, about: PieceAbout) -> int:
    # The name is made of the old one, so that an interrupted move writes over what it had begun.
    moved = replace(piece, name=f"{mark}m-{piece.name.removeprefix(REMOTE_MARK)}")
    with journal.db.writing(full=True) as con:
        add_stray(con, piece.run_id, moved.name, "sealing")
    (block,) = homes.read(piece.run_id, [piece], raw=True)
    homes.write(piece.run_id, moved, block, about)
    (again,) = homes.read(piece.run_id, [moved], raw=True)
    unlike = difference(block, again)
    if unlike is not None:
        raise StoreCorrupt(
            f"does not read back as it was written: {unlike}",
            place=f"{piece.run_id}/{moved.name}",
            remedy="nothing was changed: the samples are where they were; look at the other home's log",
        )
    with journal.db.writing(full=True) as con:
        drop_pieces(con, [piece])
        add_pieces(con, [moved])
    try:
        homes.delete(piece.run_id, [piece.name])
    except StoreError:
        return piece.rows  # it stays on the list of names to remove, and the next sealing does it
    with journal.db.writing() as con:
        con.execute("DELETE FROM strays WHERE run_id = ? AND name = ?", (piece.run_id, piece.name))
    return piece.rows


def difference(one: Block, other: Block) -> str | None:
    """In what two blocks differ, to the last bit; None when they say the same."""
    if len(one) != len(other):
        return f"{len(other)} rows of {len(one)}"
    for name, a, b in (("time", one.t_ns, other.t_ns), ("seq", one.seq, other.seq)):
        if not np.array_equal(a, b):
            return name
    nothing = np.full(len(one), np.nan)
    for channel in sorted({*one.values, *other.values}):
        # What is not finite is no value, whichever of them it was.
        these, those = (_finite(b.values.get(channel, nothing)) for b in (one, other))
        if not np.array_equal(these, those, equal_nan=True):
            return channel
        plain = plain_status(these)
        if not np.array_equal(one.status.get(channel, plain), other.status.get(channel, plain)):
            return f"the status of {channel}"
    for channel in sorted({*one.raw, *other.raw}):
        if not np.array_equal(one.raw.get(channel, nothing), other.raw.get(channel, nothing), equal_nan=True):
            return f"the raw numbers of {channel}"
    return None


def _finite(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(np.isfinite(values), values, np.nan)
