"""What was heard lately and what was made of it, for `lyewatch check` and `lyewatch new`."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Final

__all__ = ["Exchange", "Transcript", "shown"]

_KEPT: Final = 40
_LONGEST: Final = 120


@dataclass(frozen=True, slots=True)
class Exchange:
    """One line, answer or message.

    Attributes
    ----------
    asked : str
        The question it answers; "" where nothing is asked.
    text : str
        What came, printable, cut where it is long.
    taken : str
        The numbers that were taken from it; "" for none.
    problem : str
        Why it was not taken, or what is odd about it; "" when all is well.
    """

    asked: str
    text: str
    taken: str = ""
    problem: str = ""


class Transcript:
    """Keeps the latest few of what a source heard. Written by the source's thread; `all` after it ended."""

    def __init__(self) -> None:
        self._kept: deque[Exchange] = deque(maxlen=_KEPT)

    def took(self, text: str, fields: dict[str, float], *, asked: str = "", problem: str = "") -> None:
        """It was understood.

        Parameters
        ----------
        text : str
            What came, printable.
        fields : dict of str to float
            The numbers that were taken from it.
        asked : str
            The question it answers; empty where nothing is asked.
        problem : str
            What is odd about it; empty when all is well.
        """
        taken = " ".join(f"{name}={value:g}" for name, value in fields.items())
        self._kept.append(Exchange(asked, text, taken, problem))

    def refused(self, text: str, problem: str, *, asked: str = "") -> None:
        """It was not understood.

        Parameters
        ----------
        text : str
            What came, printable; empty for no answer.
        problem : str
            Why it was not taken.
        asked : str
            The question it answers; empty where nothing is asked.
        """
        self._kept.append(Exchange(asked, text, "", problem))

    def all(self) -> list[Exchange]:
        """What is kept, the oldest first."""
        return list(self._kept)


def shown(data: bytes | str) -> str:
    """Bytes or text as one printable line of bounded length."""
    text = data[: 4 * _LONGEST].decode("ascii", "backslashreplace") if isinstance(data, bytes) else data
    text = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text[:_LONGEST])
    return text if len(data) <= _LONGEST and len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."
