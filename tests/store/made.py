"""Samples and blocks for the store's tests, and the backends that every test of the contract runs over."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from uuid import uuid4

import numpy as np
import pytest
from numpy.typing import NDArray

from daq.frame import Block, Sample, Status
from daq.store import ParquetBackend, SampleStore, Segment
from daq.store.influxdb import InfluxBackend
from tests.influx_daemon import shared_server
from tests.store.toy_backend import ToyBackend

__all__ = [
    "BACKENDS",
    "Backend",
    "assert_same",
    "block",
    "expected",
    "sample",
    "segment_for",
    "status_column",
]


@dataclass(frozen=True)
class Backend:
    """A backend of sealed samples, and how to make one in a temporary folder, empty."""

    name: str
    make: Callable[[Path], SampleStore]
    marks: tuple[pytest.MarkDecorator, ...] = ()

    @property
    def param(self) -> Any:
        """This backend as a parameter of a test."""
        return pytest.param(self, id=self.name, marks=self.marks)

    def __str__(self) -> str:
        return self.name


_SESSION = uuid4().hex[:12]


def _influx(folder: Path) -> SampleStore:
    # Each folder has a bench of its own on one server, as the benches of a workshop have.
    return InfluxBackend(shared_server(), f"bench, {_SESSION} {folder}", folder / "refused")


BACKENDS = [
    Backend("segments", lambda folder: ParquetBackend(folder / "segments")),
    Backend("influxdb", _influx, (pytest.mark.server,)),
    Backend("toy", lambda folder: ToyBackend(folder / "toy")),
]
"""Another backend joins by a line here."""


def sample(source: str, seq: int, t_ns: int | None = None, **values: float) -> Sample:
    """A sample whose values can be told from its sequence number unless they are given."""
    at = seq * 100_000_000 if t_ns is None else t_ns
    return Sample(source, at, values or {"volts": 11.0 + seq / 1000, "amps": float(seq)}, seq=seq)


def block(source: str, rows: int, *, first: int = 0, step_ns: int = 100_000_000) -> Block:
    """A block of every kind of value: good, uncertain, bad with its raw number, missing."""
    number = np.arange(first, first + rows, dtype=np.int64)
    volts = 11.0 + number / 1000
    amps = np.where(number % 7 == 3, np.nan, number * 0.5)
    status = np.where(number % 7 == 3, Status.BAD, np.where(number % 5 == 0, Status.UNCERTAIN, Status.GOOD))
    raw = np.where(number % 7 == 3, number * 100.0, np.nan)
    return Block(
        source,
        number * step_ns,
        number.copy(),
        {"volts": volts, "amps": amps},
        {"amps": status.astype(np.uint8)},
        {"amps": raw},
    )


def segment_for(
    made: Block, run_id: str = "run", name: str = "p", *, first_id: int = 1, level: int = 0
) -> Segment:
    """A segment as the catalogue would record it for a block."""
    t_min, t_max = (int(made.t_ns.min()), int(made.t_ns.max())) if len(made) else (0, 0)
    return Segment(
        run_id, made.source, name, len(made), first_id, first_id + len(made) - 1, t_min, t_max, level
    )


def status_column(made: Block, channel: str) -> NDArray[np.uint8]:
    """A channel's status codes, spelled out as the Block's own words say."""
    if channel in made.status:
        return made.status[channel]
    if channel not in made.values:
        return np.full(len(made), Status.MISSING, dtype=np.uint8)
    return np.where(np.isfinite(made.values[channel]), Status.GOOD, Status.MISSING).astype(np.uint8)


def assert_same(found: Block, wanted: Block, *, raw: bool = True) -> None:
    """Both blocks say the same; a column that says nothing is as good as none."""
    assert found.source == wanted.source
    assert found.t_ns.tolist() == wanted.t_ns.tolist()
    assert found.seq.tolist() == wanted.seq.tolist()
    for channel in {*found.values, *wanted.values}:
        _assert_column(found.values.get(channel), wanted.values.get(channel), channel)
        assert status_column(found, channel).tolist() == status_column(wanted, channel).tolist(), channel
    if raw:
        for channel in {*found.raw, *wanted.raw}:
            _assert_column(found.raw.get(channel), wanted.raw.get(channel), f"{channel} raw")


def _assert_column(found: NDArray[np.float64] | None, wanted: NDArray[np.float64] | None, what: str) -> None:
    if found is None or wanted is None:
        there = wanted if found is None else found
        assert there is not None
        assert not np.isfinite(there).any(), what
    else:
        np.testing.assert_array_equal(found, wanted, err_msg=what)


def expected(samples: Iterable[Sample]) -> dict[str, Block]:
    """What a store that was given these samples, in this order, has to answer: the plainest way to say it."""
    by_source: dict[str, list[Sample]] = {}
    for s in samples:
        by_source.setdefault(s.source, []).append(s)
    out = {}
    for source, own in by_source.items():
        own = sorted(own, key=lambda s: s.t_ns)
        channels = {c for s in own for c in s.values}
        raws = {c for s in own for c in s.raw}
        out[source] = Block(
            source,
            np.array([s.t_ns for s in own], dtype=np.int64),
            np.array([s.seq for s in own], dtype=np.int64),
            {c: np.array([s.values.get(c, math.nan) for s in own], dtype=np.float64) for c in channels},
            {c: np.array([_code(s, c) for s in own], dtype=np.uint8) for c in channels},
            {c: np.array([s.raw.get(c, math.nan) for s in own], dtype=np.float64) for c in raws},
        )
    return out


def _code(s: Sample, channel: str) -> int:
    if channel in s.status and channel in s.values:
        return int(s.status[channel])
    return int(Status.GOOD if math.isfinite(s.values.get(channel, math.nan)) else Status.MISSING)
