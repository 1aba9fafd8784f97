"""Work in a process of its own: its answer, its error, its death, and its end with the service."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

import pytest

from daq.errors import RequestRefused, RunNotFound
from daq.service.apart import apart, end_all
from tests.waiting import wait_until


def where(_of: str) -> int:
    return os.getpid()


def nowhere() -> None:
    raise RunNotFound("no such run", place="x", remedy="look")


def gone() -> None:
    os._exit(3)


def long(at_work: str) -> None:
    Path(at_work).touch()
    time.sleep(600)


def test_it_is_done_elsewhere_and_its_error_is_ours() -> None:
    assert apart(where, "x") not in (0, os.getpid())
    with pytest.raises(RunNotFound, match="no such run") as raised:
        apart(nowhere)
    assert raised.value.remedy == "look"


def test_a_process_that_dies_is_told() -> None:
    with pytest.raises(RequestRefused, match="ended without an answer"):
        apart(gone)


def test_what_is_at_work_ends_with_the_service(tmp_path: Path) -> None:
    refused: list[RequestRefused] = []

    def ask() -> None:
        try:
            apart(long, str(tmp_path / "at work"))
        except RequestRefused as exc:
            refused.append(exc)

    asking = threading.Thread(target=ask)
    asking.start()
    wait_until(lambda: (tmp_path / "at work").exists(), "it to be at work")
    end_all()
    asking.join()
    assert len(refused) == 1
