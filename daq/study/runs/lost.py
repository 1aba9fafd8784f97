"""What is said of samples that a run should have and has not."""

from __future__ import annotations

from collections.abc import Sequence

from daq.store import Gap, LostSpan

__all__ = ["loss_notes"]


def loss_notes(not_kept: Sequence[Gap], lost: Sequence[LostSpan], missing: int = 0) -> list[str]:
    """A sentence for each stretch that was not kept or can not be read, and for what is missing by count.

    Parameters
    ----------
    not_kept : sequence of Gap
        What the recorder had to drop.
    lost : sequence of LostSpan
        What is stored and can not be read.
    missing : int
        Samples that were counted and are there no more.
    """
    out = [f"{_which(g, g.samples)} were not kept: {g.why}" for g in not_kept]
    out += [f"{_which(s, s.samples)} can not be read: {s.error}" for s in lost]
    if missing:
        out.append(f"{missing} samples are missing by the logbook's count: the store has lost them")
    return out


def _which(span: Gap | LostSpan, count: int) -> str:
    of = f" of {span.source}" if span.source else ""
    return f"{count} samples{of} from {span.start_ns / 1e9:.1f} s to {span.end_ns / 1e9:.1f} s"
