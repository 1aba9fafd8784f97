"""Heavy work in a process of its own: in this one it would hold up the live watch."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from typing import Any, ParamSpec, TypeVar

from daq.errors import RequestRefused

__all__ = ["apart"]

P = ParamSpec("P")
T = TypeVar("T")


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
        When the process ended without an answer, as when memory ran out.
    """
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        try:
            return pool.submit(work, *args, **kwargs).result()
        except BrokenProcessPool as exc:
            raise RequestRefused(
                "the process that worked on it ended without an answer",
                place=_name(work),
                remedy="see that the machine has memory left, and ask again; the command line does the same",
            ) from exc


def _name(work: Callable[..., Any]) -> str:
    return getattr(work, "__name__", "work").replace("_", " ")
