"""Heavy work in a process of its own: in this one it would hold up the live watch."""

from __future__ import annotations

from collections.abc import Callable
from multiprocessing import get_context
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any, ParamSpec, TypeVar

from daq.errors import RequestRefused

__all__ = ["apart", "end_all"]

P = ParamSpec("P")
T = TypeVar("T")
_AT_WORK: set[BaseProcess] = set()


def apart(work: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
    """What `work` returns, done by a new process; to be called from a thread that may wait.

    Parameters
    ----------
    work : callable
        A function of a module. It, its arguments and what it returns or raises go over a pipe.
    *args, **kwargs
        For it.

    Raises
    ------
    RequestRefused
        When the process ended without an answer: memory ran out, or the service ends (`end_all`).
    """
    context = get_context("spawn")
    ours, theirs = context.Pipe(duplex=False)
    process = context.Process(target=_do, args=(theirs, work, args, kwargs), daemon=True)
    process.start()
    _AT_WORK.add(process)
    theirs.close()  # so that its end is seen here
    try:
        done, found = ours.recv()
    except EOFError:
        raise RequestRefused(
            "the process that worked on it ended without an answer",
            place=_name(work),
            remedy="see that the machine has memory left, and ask again; the command line does the same",
        ) from None
    finally:
        process.join()
        _AT_WORK.discard(process)
        ours.close()
    if not done:
        raise found
    result: T = found
    return result


def end_all() -> None:
    """End what is at work, as the service ends: it would wait for it."""
    for process in tuple(_AT_WORK):
        process.terminate()


def _do(answer: Connection, work: Callable[..., Any], args: tuple[Any, ...], kwargs: dict[str, Any]) -> None:
    try:
        outcome = True, work(*args, **kwargs)
    except Exception as exc:  # noqa: BLE001 - told to the process that asked, whatever it is
        outcome = False, exc
    answer.send(outcome)


def _name(work: Callable[..., Any]) -> str:
    return getattr(work, "__name__", "work").replace("_", " ")
