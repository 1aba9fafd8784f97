"""Fills that the bench's level switch times by itself, kept as they end while the service follows the run."""

from __future__ import annotations

import asyncio
import logging
from typing import Any

from daq.errors import LyewatchError
from daq.frame import Status
from daq.service.live import Live

__all__ = ["FillGates"]

log = logging.getLogger(__name__)
CATCH_UP_S = 2.0
"""How long a fill waits for the last samples of its time [s]."""
POLL_S = 0.25


class FillGates:
    """Listens to the samples of `fill_level`, and keeps each fill that ends.

    Parameters
    ----------
    live : Live
        Its hub is tapped; nothing else of it is touched.
    """

    def __init__(self, live: Live) -> None:
        from daq.study.fill import GateFinder  # with what works fills out, which takes a while to import

        self._new_finder = GateFinder
        self._finder = GateFinder()
        self._live = live
        self._run: str | None = None
        self.refused: list[str] = []

    def tell(self, name: str, data: Any) -> None:
        """See `Hub.taps`."""
        if name != "samples":
            return
        if data["run"] != self._run:
            self._run, self._finder = data["run"], self._new_finder()
        for row in data["rows"]:
            value = row["v"].get("fill_level")
            if value is not None and row["s"].get("fill_level", 0) <= Status.UNCERTAIN:
                self._finder.add(round(row["t"] * 1e9), float(value))

    async def serve(self, closing: asyncio.Event | Any) -> None:
        """Keep fills until `closing` is set."""
        while not closing.is_set():
            for gate in self._finder.taken():
                run = self._live.run
                if run is None or run.id != self._run:
                    continue
                await self._live.caught_up(gate.stop_ns, within_s=CATCH_UP_S)
                try:
                    await asyncio.to_thread(self._keep, run.id, gate)
                except LyewatchError as exc:
                    self.refused = [*self.refused[-9:], f"{gate.start_ns / 1e9:.1f} s: {exc.message}"]
                    log.warning("a fill by the level switch is not kept: %s", exc)
            await asyncio.sleep(POLL_S)

    def _keep(self, run_id: str, gate: Any) -> None:
        from daq.study.fill import fill_by_gate

        store = self._live.store
        fill_by_gate(store, store.logbook.get_run(run_id), self._live.run_bench, gate)
