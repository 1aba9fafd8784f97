"""What a run came to, in a line of the list: worked out once, and kept in the logbook."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any

import daq
from daq.errors import RequestRefused
from daq.service.apart import apart
from daq.store import RunRecord, Store

__all__ = ["Results", "kept_result"]


def _basis(store: Store, record: RunRecord) -> str:
    """All that a result rests on: when this is another, it is worked out again."""
    marks, fills = store.logbook.list_marks(record.id), store.logbook.fills.find(run_id=record.id)
    return f"{daq.__version__} {record.ended_ns} {len(marks)} {len(fills)}"


def kept_result(
    store: Store, record: RunRecord, kept: Mapping[str, tuple[str, dict[str, Any]]]
) -> dict[str, Any] | None:
    """A run's result as it is in the logbook; None where it is to be worked out, or the run has not ended.

    Parameters
    ----------
    store : Store
    record : RunRecord
    kept : mapping
        All that is kept (`ResultBook.all`).
    """
    found = kept.get(record.id)
    if found is None or record.ended_ns is None or found[0] != _basis(store, record):
        return None
    return found[1]


class Results:
    """Works out results, one at a time: a review reads every sample of its run."""

    def __init__(self) -> None:
        self._one = asyncio.Lock()

    async def of(self, store: Store, run_id: str) -> dict[str, Any]:
        """A run's result, from the logbook or worked out now.

        Parameters
        ----------
        store : Store
        run_id : str

        Raises
        ------
        RunNotFound
        RequestRefused
            While the run is being recorded, or when it could not be worked out.
        """
        async with self._one:
            return await asyncio.to_thread(_made, store, run_id)


def _made(store: Store, run_id: str) -> dict[str, Any]:
    record = store.logbook.get_run(run_id)
    if record.ended_ns is None:
        raise RequestRefused(
            "is being recorded, so it has no result yet", place=run_id, remedy="stop it first"
        )
    found = kept_result(store, record, store.logbook.results.all())
    if found is not None:
        return found
    from daq.study.review import run_result

    basis = _basis(store, record)
    made = apart(run_result, store.folder, run_id)
    store.logbook.results.keep(run_id, basis, made)
    return made
