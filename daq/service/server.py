"""uvicorn's server, which wakes when something happens and not ten times a second."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from typing import Final

import uvicorn

__all__ = ["Server"]

DATE_EVERY_S: Final = 1.0
"""The Date header of answers (RFC 9110, section 6.6.1) counts whole seconds [s]."""


class Server(uvicorn.Server):
    """Serves until `end` is called.

    uvicorn's own looks ten times a second whether it is to end, which on a small computer is a tenth of what
    the whole service takes while nobody asks.
    """

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._ending: asyncio.Event | None = None

    def end(self) -> None:
        """Have it end; from any thread."""
        self.should_exit = True
        loop, ending = self._loop, self._ending
        if loop is not None and ending is not None:
            with suppress(RuntimeError):  # it has ended just now
                loop.call_soon_threadsafe(ending.set)

    async def main_loop(self) -> None:
        """See `uvicorn.Server`."""
        self._loop, self._ending = asyncio.get_running_loop(), asyncio.Event()
        while not await self.on_tick(0):
            with suppress(TimeoutError):
                await asyncio.wait_for(self._ending.wait(), DATE_EVERY_S)
