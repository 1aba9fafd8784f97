"""Fills that a level switch times: edges between samples, bounces, holes in the data, and what is kept."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from daq.bench import Bench, parse_bench
from daq.cli import main
from daq.errors import BenchFileError, UsageError
from daq.service.fill_gates import FillGates
from daq.store import RunRecord, Store
from daq.study.fill.edges import Gate, GateFinder, fills_by_edges
from tests.study.fill_bench import filled_run
from tests.watch.workshop import S, bench, block

CHANNELS = dict.fromkeys(("volts", "amps", "lye_temp", "relay", "fill_level"), "head")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "store", writer=True) as opened:
        yield opened


def switched(**fill: Any) -> Bench:
    return bench(
        CHANNELS,
        site={"pressure_kpa": 99.0, "room_temp_c": 20.0},
        fill={"volume_ml": 500.0, "volume_error_ml": 2.5, **fill},
    )


def found(levels: list[float], hz: float = 10.0) -> list[Gate]:
    finder = GateFinder()
    for k, level in enumerate(levels):
        finder.add(round((k + 1) / hz * S), level)
    return finder.taken()


def test_an_edge_lies_between_two_samples() -> None:
    (gate,) = found([0.0] * 10 + [1.0] * 50 + [0.0] * 10)
    assert gate.start_ns == pytest.approx(1.05 * S)
    assert gate.seconds == pytest.approx(5.0)
    assert gate.error_s == pytest.approx(0.07)  # half of 0.1 s, and 0.02 s


def test_a_bounce_is_no_edge_and_a_hole_hides_one() -> None:
    bouncing = [0.0] * 10 + [1.0] * 20 + [0.0] + [1.0] * 29 + [0.0] * 10
    (gate,) = found(bouncing)
    assert gate.seconds == pytest.approx(5.0)
    assert found([0.0] * 10 + [1.0] * 2 + [0.0] * 10) == []
    assert found([1.0] * 30 + [0.0] * 10) == [], "the first mark was passed before the run"
    assert found([0.0] * 10 + [1.0] * 30) == [], "the second mark is yet to come"
    finder = GateFinder()
    for t, level in [(1.0, 0.0), (1.1, 1.0), (5.0, 1.0), (5.1, 0.0), (6.0, 0.0)]:
        finder.add(round(t * S), level)
    assert finder.taken() == []


def recorded(store: Store, made: Bench, seed: int = 3) -> tuple[RunRecord, Any]:
    run = filled_run(np.random.default_rng(seed), fills=2)
    level = np.zeros(run.t_s.size)
    for fill in run.fills:
        level[(run.t_s > fill["at_s"]) & (run.t_s <= fill["at_s"] + fill["seconds"])] = 1.0
    record = store.logbook.create_run(
        bench=made.name,
        build="A",
        bench_toml=made.text,
        bench_json=json.dumps(made.model_dump(mode="json")),
    )
    store.add_blocks(record.id, [block(run.t_s, {**run.values, "fill_level": level})])
    store.logbook.stop_run(record.id, ended_ns=store.last_t_ns(record.id) or 0)
    return store.logbook.get_run(record.id), run


def test_a_runs_fills_are_found_kept_once_and_timed_better_than_by_hand(store: Store) -> None:
    record, run = recorded(store, switched())
    kept, refused = fills_by_edges(store, record)
    assert refused == []
    assert [round(f.body["form"]["seconds"], 1) for f in kept] == [
        pytest.approx(fill["seconds"], abs=0.11) for fill in run.fills
    ]
    assert kept[0].who == "level switch"
    assert kept[0].body["form"]["reaction_s"] == pytest.approx(0.07)
    assert fills_by_edges(store, record) == ([], [])


def test_the_command_keeps_them(store: Store, capsys: pytest.CaptureFixture[str]) -> None:
    record, _ = recorded(store, switched())
    folder = str(store.folder)
    store.close()
    assert main(["fill", "--store", folder, "--run", record.id, "--edges"]) == 0
    assert capsys.readouterr().out.count("MMW dry") == 2
    assert main(["fill", "--store", folder, "--run", record.id, "--edges", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"kept": [], "refused": []}


def test_a_switch_needs_the_volume_between_its_marks(store: Store) -> None:
    with pytest.raises(BenchFileError, match="nothing says the volume between its marks"):
        bench(CHANNELS)
    plain = bench(dict.fromkeys(("volts", "amps"), "head"), limits={})
    record = store.logbook.create_run(bench="b", build="A", bench_toml=plain.text, bench_json="{}")
    with pytest.raises(UsageError, match="has no level switch"):
        fills_by_edges(store, record)
    assert parse_bench(switched().text, Path("b.toml")).fill is not None


def test_the_service_keeps_a_fill_as_it_ends(store: Store) -> None:
    made = switched()
    record, run = recorded(store, made)
    waited: list[int] = []

    async def caught_up(t_ns: int, *, within_s: float) -> None:
        waited.append(t_ns)

    live: Any = SimpleNamespace(run=record, store=store, run_bench=made, caught_up=caught_up)
    gates = FillGates(live)
    first = run.fills[0]
    for t in np.arange(first["at_s"] - 2.0, first["at_s"] + first["seconds"] + 2.0, 0.1):
        level = float(first["at_s"] < t <= first["at_s"] + first["seconds"])
        rows = [{"source": "head", "t": float(t), "v": {"fill_level": level}, "s": {}}]
        gates.tell("samples", {"run": record.id, "rows": rows})

    class Closing:
        """Set as soon as a fill is kept or refused."""

        def is_set(self) -> bool:
            return bool(store.logbook.fills.find(run_id=record.id) or gates.refused)

    asyncio.run(asyncio.wait_for(gates.serve(Closing()), 20.0))
    assert gates.refused == []
    (kept,) = store.logbook.fills.find(run_id=record.id)
    assert waited
    assert kept.body["form"]["seconds"] == pytest.approx(first["seconds"], abs=0.11)
    gates.tell("samples", {"run": "another", "rows": []})
