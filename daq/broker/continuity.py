"""Which of a sender's batches came, came twice, or never came."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field
from typing import Final, Literal

__all__ = ["Continuity", "Seen"]

Seen = Literal["new", "duplicate"]

_MOST_HOLES: Final = 100_000
"""More numbers than this are not remembered one by one: the oldest are then counted as lost for good."""
_BEFORE: Final = 1000
"""So many numbers before the first one seen may still be under way; they are not missed if not."""
_MOST_EPOCHS: Final = 8


@dataclass(slots=True)
class _Epoch:
    newest: int = 0
    open: OrderedDict[int, None] = field(default_factory=OrderedDict)
    before: set[int] = field(default_factory=set)
    given_up: int = 0
    given_up_to: int = 0


class Continuity:
    """Follows the numbers of one bench's batches, whatever order they come in.

    With a shared subscription a worker sees only its part of the numbers: then whoever knows of all workers'
    batches holds this. Numbers below the first one seen are not missed: they were sent before.

    Attributes
    ----------
    new, duplicates : int
        Batches so far.
    """

    def __init__(self) -> None:
        self.new = 0
        self.duplicates = 0
        self._epochs: OrderedDict[str, _Epoch] = OrderedDict()

    @property
    def missing(self) -> int:
        """Batches that were passed over and have not come (yet), of all epochs that are remembered."""
        return sum(len(e.open) + e.given_up for e in self._epochs.values())

    def see(self, epoch: str, n: int) -> Seen:
        """Take a batch's number in."""
        known = self._epochs.get(epoch)
        if known is None:
            self._epochs[epoch] = _Epoch(newest=n, before=set(range(max(1, n - _BEFORE), n)))
            if len(self._epochs) > _MOST_EPOCHS:
                self._epochs.popitem(last=False)
            self.new += 1
            return "new"
        if n > known.newest:
            self._pass_over(known, n)
        elif n in known.open:
            del known.open[n]
        elif n in known.before:
            known.before.remove(n)
        elif n < known.given_up_to and known.given_up:
            known.given_up -= 1  # which it was of those given up is no longer known: it is taken
        else:
            self.duplicates += 1
            return "duplicate"
        self.new += 1
        return "new"

    @staticmethod
    def _pass_over(known: _Epoch, n: int) -> None:
        first = max(known.newest + 1, n - _MOST_HOLES)
        known.given_up += first - known.newest - 1
        known.given_up_to = max(known.given_up_to, first)
        known.open.update(dict.fromkeys(range(first, n)))
        while len(known.open) > _MOST_HOLES:
            gone, _ = known.open.popitem(last=False)
            known.given_up += 1
            known.given_up_to = gone + 1
        known.newest = n
