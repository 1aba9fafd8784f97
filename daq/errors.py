"""One tree of errors.

Every failure a user can meet is one of these, and says where, what was found and what would be right::

    LyewatchError
    |-- UsageError            wrong command line                                  exit 2
    |   |-- BenchFileError    the bench file is wrong                             exit 2
    |   `-- LogFileError      a file to import is wrong                           exit 2
    |-- SourceError
    |   |-- PortError         a port could not be opened, read or written
    |   `-- FrameError        bytes that are not a frame
    |       `-- ChecksumError a whole line whose checksum does not fit it
    |-- StoreError
    |   |-- StoreBusy         another process holds the store
    |   `-- StoreCorrupt      a file of the store can not be read
    |-- RunNotFound           no such run
    |-- RequestRefused        asked for, understood, and not done
    `-- PhysicsRangeError     an input lies outside a correlation's range

They are plain to pickle because they cross from the reader's process to the command line's.
"""

from __future__ import annotations

from typing import Any, ClassVar

__all__ = [
    "BenchFileError",
    "ChecksumError",
    "FrameError",
    "LogFileError",
    "LyewatchError",
    "PhysicsRangeError",
    "PortError",
    "RequestRefused",
    "RunNotFound",
    "SourceError",
    "StoreBusy",
    "StoreCorrupt",
    "StoreError",
    "UsageError",
]


class LyewatchError(Exception):
    """Base of all errors that lyewatch raises on purpose.

    Parameters
    ----------
    message : str
        What is wrong, in words.
    place : str, optional
        The file, key, port, run or channel where it is wrong.
    value : object, optional
        What was found there.
    remedy : str, optional
        What would be right, or what to do.
    """

    exit_code: ClassVar[int] = 1

    def __init__(
        self, message: str, *, place: str | None = None, value: Any = None, remedy: str | None = None
    ) -> None:
        super().__init__(message)
        self.message = message
        self.place = place
        self.value = value
        self.remedy = remedy

    def __str__(self) -> str:
        text = f"{self.place}: {self.message}" if self.place else self.message
        if self.value is not None:
            shown = repr(self.value)
            text += f" (found {shown if len(shown) <= 120 else shown[:117] + '...'})"
        return f"{text}; {self.remedy}" if self.remedy else text

    def __reduce__(self) -> tuple[Any, ...]:
        # Exception's own pickling forgets keyword-only arguments.
        return _rebuild, (type(self), self.message, self.place, self.value, self.remedy)

    def as_dict(self) -> dict[str, str | None]:
        """The error's parts as JSON-ready text: place, message, value, remedy."""
        return {
            "place": self.place,
            "message": self.message,
            "value": None if self.value is None else str(self.value),
            "remedy": self.remedy,
        }


def _rebuild(
    kind: type[LyewatchError], message: str, place: str | None, value: Any, remedy: str | None
) -> LyewatchError:
    return kind(message, place=place, value=value, remedy=remedy)


class UsageError(LyewatchError):
    """The command line asks for something that can not be."""

    exit_code = 2


class BenchFileError(UsageError):
    """The bench file is wrong."""


class LogFileError(UsageError):
    """A file to import is wrong."""


class SourceError(LyewatchError):
    """A source failed."""


class PortError(SourceError):
    """A port could not be opened, read or written."""


class FrameError(SourceError):
    """Bytes that are not a frame."""


class ChecksumError(FrameError):
    """A whole line whose checksum does not fit its bytes."""


class StoreError(LyewatchError):
    """The store failed."""


class StoreBusy(StoreError):
    """Another process holds the store."""


class StoreCorrupt(StoreError):
    """A file of the store can not be read."""


class RunNotFound(LyewatchError):
    """There is no such run."""


class RequestRefused(LyewatchError):
    """Asked for, understood, and not done."""


class PhysicsRangeError(LyewatchError):
    """An input lies outside the range in which a correlation was published."""
