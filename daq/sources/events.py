"""What a source tells whoever listens."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

from daq.frame import Frame
from daq.sources.reading import Reply

__all__ = ["EventKind", "Sink", "SourceEvent"]

EventKind = Literal[
    "opened", "lost", "reopened", "reply", "hello", "notice", "silent", "restarted", "ended", "failed"
]


@dataclass(frozen=True, slots=True)
class SourceEvent:
    """Something that happened to a link, in words fit for a mark in the run.

    `kind` is "opened" (for the first time), "lost" (or could not be opened: said once), "reopened",
    "silent" (open, and no good frame for `silent_after_s`), "hello" (the device began), "notice" (what an
    instrument says of itself), "restarted" (it began anew), "reply" (with `reply` filled in), "ended" (a
    recording is over) or "failed" (the thread died: a fault of ours).
    """

    source: str
    kind: EventKind
    text: str
    mono_ns: int
    reply: Reply | None = None


class Sink(Protocol):
    """Who listens. Called from the source's own thread; should hand over and return at once."""

    def frame(self, frame: Frame) -> None:
        """A frame, in the order of its source."""

    def event(self, event: SourceEvent) -> None:
        """An event, in the order of its source."""
