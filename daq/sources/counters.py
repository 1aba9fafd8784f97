"""What a link counts, so that nothing is lost in silence."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Literal

__all__ = ["LinkCounters", "LinkState"]

LinkState = Literal["opening", "open", "silent", "waiting", "closed", "failed"]


@dataclass(slots=True)
class LinkCounters:
    """Counts since the source was made. Written by the source's thread, `out_of_range` by whoever calibrates.

    Attributes
    ----------
    good : int
        Frames handed on, checked or not.
    unchecked : int
        Those of `good` that no checksum covered.
    bad_crc : int
        Whole lines whose checksum does not fit.
    malformed : int
        Lines that are not of the format.
    gaps : int
        Frames missing by their sequence numbers.
    duplicates : int
        Frames heard twice and dropped.
    overlong : int
        Lines longer than the format allows, once each.
    out_of_range : int
        Values outside the range that the bench file allows.
    reopened : int
        Times the port came back after it was lost.
    dropped : int
        Frames that whoever listens did not take.
    commands_sent, replies : int
        Lines written to the device, answers heard from it.
    commands_dropped : int
        Commands given up: too old when the port came back, or too many.
    unanswered : int
        Commands that were sent as often as they may be, and never answered.
    partial : int
        Beginnings thrown away because opening fell within a line.
    restarts : int
        Times the device began anew.
    clock_steps : int
        Times the device's clock was fitted anew because it jumped.
    late : int
        Answers that came after their time, or that nobody asked for, and were thrown away.
    timeouts : int
        Questions that were not answered in time.
    resyncs : int
        Times that answers had to be matched with questions anew.
    device_errors : int
        Errors that the instrument reports: SCPI's error queue, Modbus exceptions.
    overrange : int
        Values that the device called over range or no number.
    state : str
        "opening", "open", "silent" (open, and nothing good heard for long), "waiting" (for the next try to
        open), "closed" (stopped), "failed" (the thread died: a fault of ours).
    last_error : str or None
        The latest thing that went wrong, in words.
    last_frame_mono_ns : int
        When the latest good frame was received, on the host's monotonic clock [ns]; 0 before the first.
    """

    good: int = 0
    unchecked: int = 0
    bad_crc: int = 0
    malformed: int = 0
    gaps: int = 0
    duplicates: int = 0
    overlong: int = 0
    out_of_range: int = 0
    reopened: int = 0
    dropped: int = 0
    commands_sent: int = 0
    replies: int = 0
    commands_dropped: int = 0
    unanswered: int = 0
    partial: int = 0
    restarts: int = 0
    clock_steps: int = 0
    late: int = 0
    timeouts: int = 0
    resyncs: int = 0
    device_errors: int = 0
    overrange: int = 0
    state: LinkState = "opening"
    last_error: str | None = None
    last_frame_mono_ns: int = 0

    def as_dict(self) -> dict[str, int | str | None]:
        """Every counter by name, JSON-ready."""
        return {f.name: getattr(self, f.name) for f in fields(self)}
