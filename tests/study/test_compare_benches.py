"""What is said where gas per watt is not compared, where bench files differ, and of looks taken before."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from daq.bench import parse_bench
from daq.cli import main
from daq.errors import BenchFileError, StoreError
from daq.physics.conductivity import conductivity_gilliam_s_cm
from daq.store import LookRecord, RunRecord, Store
from daq.store.logbook import LookBook
from daq.study.compare.bench_differences import bench_differences
from daq.study.compare.bench_facts import bench_facts
from daq.study.compare.comparison import Comparison, Group, compare_groups, group_runs
from daq.study.compare.days import DAY_SD, days_of
from daq.study.compare.document import comparison_document
from daq.study.compare.looks import left_out, looks_words, with_looks
from daq.study.compare.result import as_dict
from daq.study.compare.run_blocks import Response, RunBlocks
from daq.study.compare.verdict import verdict
from daq.study.render import as_html, as_text
from tests.study.made_pairs import made_run
from tests.study.stored_runs import bench_text, sent, store_run

TEXT = bench_text()


def facts(**changed: str) -> dict[str, str | float | None]:
    return bench_facts(parse_bench(bench_text(**changed), Path("bench.toml")))


def with_facts(run: RunBlocks, **changed: str) -> RunBlocks:
    return replace(run, facts=facts(**changed))


def pair(**changed: str) -> tuple[RunBlocks, RunBlocks]:
    rng = np.random.default_rng(9)
    return with_facts(made_run(rng)), with_facts(made_run(rng, build="B"), **changed)


def compared(*runs: RunBlocks) -> Comparison:
    (c,) = compare_groups(group_runs(runs))
    return c


def line(start: str) -> str:
    """The bench file's line that begins so."""
    return next(x for x in TEXT.splitlines() if x.startswith(start))


# -- gas per watt that was not compared ----------------------------------------------------------------------


def test_without_a_meter_b_was_better_by_volts_and_nothing_said_why_not_by_gas() -> None:
    rng = np.random.default_rng(2)
    nothing = Response(np.full(400, np.nan), {})
    runs = []
    for build, off in (("A", 0.0), ("B", -0.1)):
        run = made_run(rng, build=build)
        n = len(run)
        step = 1.0 + 0.2 * np.sign(np.sin(np.arange(n) / 4.0))
        density = 66.0 * step
        cell = 2.0 + off + 0.004 * density + 0.001 * rng.standard_normal(n)
        gone = {k: nothing.taken(np.arange(n)) for k in run.responses}
        runs.append(
            replace(
                run,
                density=density,
                cell_volts=cell,
                responses={**gone, "cell_volts": Response(cell, {})},
                facts={k: v for k, v in facts().items() if k != "channels.gas_flow"},
            )
        )
    c = compared(*runs)
    assert c.difference("cell_volts").known, "the volts do differ"
    conclusion = verdict(c)
    assert conclusion.kind == "not_compared"
    assert conclusion.sentence.startswith(
        "Gas per watt is not compared: the bench of A had no flow meter (channel gas_flow); the bench of B "
    )
    assert (
        "What could be compared (Volts per cell) stands below, and is no verdict on that."
        in conclusion.sentence
    )
    body = as_dict([c])["comparisons"][0]["verdict"]
    assert (body["kind"], body["metric"], body["answer"]) == ("not_compared", "mmw_dry_ref", "not compared")
    assert "Gas per watt is not compared" in as_html(comparison_document([c]))


def test_builds_at_other_temperatures_say_so_and_not_who_leaks_less() -> None:
    a, b = pair()
    c = compared(replace(a, lye_temp=a.lye_temp - 40.0), b)
    assert "not compared: the builds were never at the same temperature: A" in verdict(c).sentence
    hollow = {k: Response(np.full(len(b), np.nan), {}) for k in b.responses}
    blank = compared(a, replace(b, responses=hollow))
    assert "B has no reading of it while it was powered and undisturbed" in verdict(blank).sentence
    off = {k: r.taken(np.zeros(0, dtype=np.int64)) for k, r in b.responses.items()}
    empty = np.empty(0)
    idle = replace(
        b, at=np.empty(0, dtype=np.int64), lye_temp=empty, density=empty, cell_volts=empty, responses=off
    )
    assert "no minute of B was powered, undisturbed and settled" in verdict(compared(a, idle)).sentence


def test_a_current_that_was_not_matched_is_in_the_sentence() -> None:
    rng = np.random.default_rng(5)
    c = compared(made_run(rng), made_run(rng, build="B", amps=1.06))
    assert "mA/cm², which is not adjusted for" in verdict(c).sentence


# -- bench files that differ ---------------------------------------------------------------------------------


def test_lye_that_differs_was_taken_for_the_build() -> None:
    was = line("mass_fraction")
    a, b = pair(**{was: "mass_fraction = 0.3"})
    c = compared(a, b)
    lye = next(x for x in c.benches if x.label == "lye at the start")
    assert lye.second == "30 % KOH"
    at = (c.headline.matched or {})["lye_temp"]
    share = float(was.split("=")[1].split("#")[0])
    # Gilliam et al. 2007, as the physics room has it: the ratio of both conductivities
    ratio = float(conductivity_gilliam_s_cm(at, 0.3)) / float(conductivity_gilliam_s_cm(at, share))
    assert f"{abs(100.0 * (ratio - 1.0)):.1f} %" in lye.effect
    assert "taken out of the blocks" in lye.effect
    assert "The bench files differ in lye at the start: what that does is said below." in verdict(c).sentence
    text = as_text(comparison_document([c]))
    assert "THE BENCH FILES DIFFER" in text
    body = as_dict([c])["comparisons"][0]["bench_differences"]
    assert [d["key"] for d in body] == ["stack.lye"]
    assert "lye at the start: " in as_html(comparison_document([c]))


def test_cells_area_and_supply_that_differ_are_told_with_what_they_do() -> None:
    a, b = pair()
    changed = {**b.facts, "stack.cells": 5, "stack.plate_area_cm2": 75.0, "stack.litres": 9.0}
    found = {x.label: x for x in compared(a, replace(b, facts=changed)).benches}
    assert set(found) == {"cells", "plate area", "amount of lye at the start"}
    assert "at one current density" in found["cells"].effect
    area = float(line("plate_area_cm2").split("=")[1].split("#")[0])
    assert f"{75.0 / area:.2f} times the first's" in found["plate area"].effect
    assert not found["amount of lye at the start"].bears
    assert compared(*pair()).benches == ()
    rng = np.random.default_rng(1)
    unknown = Group("A", (made_run(rng),)), Group("B", (made_run(rng, build="B"),))
    assert bench_differences(*unknown) == ()


def test_a_meter_that_was_exchanged_is_told_with_what_it_adds() -> None:
    rng = np.random.default_rng(9)
    a, b = made_run(rng, gain=0.01), made_run(rng, build="B", gain=0.01)
    there, here = dict(facts()), dict(facts())
    there["channels.gas_flow"] = "head.flow, ± 3 % of reading"
    b = replace(b, facts=there, shared={"gas_flow: accuracy": "another meter"})
    c = compared(replace(a, facts=here), b)
    (meter,) = c.benches
    assert meter.label == "meter of gas_flow"
    # 1 % standard uncertainty in each of two meters that do not cancel: 1.96 * 1 % * sqrt(2) = 2.8 %
    assert "alone they make ± 2.8 % in gas per watt" in meter.effect
    other = bench_differences(c.first, c.second)
    assert "none bears on gas per watt" in other[0].effect


def test_runs_of_one_build_may_themselves_differ() -> None:
    rng = np.random.default_rng(9)
    was = line("mass_fraction")
    runs = [
        with_facts(made_run(rng)),
        with_facts(made_run(rng, build="B")),
        with_facts(made_run(rng, build="B"), **{was: "mass_fraction = 0.3"}),
        with_facts(made_run(rng)),
    ]
    (lye,) = compared(*runs).benches
    assert " or 30 % KOH" in lye.second
    assert "conducts" not in lye.effect


# -- days in the bench file ----------------------------------------------------------------------------------


def test_the_bench_file_states_the_days(tmp_path: Path) -> None:
    name = line("name = ")
    text = bench_text(**{name: f"{name}\nday_sd = 0.007"})
    assert parse_bench(text, Path("b.toml")).bench.day_sd == 0.007
    with pytest.raises(BenchFileError, match="day_sd"):
        parse_bench(bench_text(**{name: f"{name}\nday_sd = 7.0"}), Path("b.toml"))
    with Store(tmp_path / "s", writer=True) as store:
        _, block = sent(text, seconds=400)
        store_run(store, text, block, build="A", day=0)
        record = store.logbook.list_runs(limit=1)[0]
        scatter = days_of(store, [record], 60)
        assert (scatter.sd, scatter.stated, scatter.others) == (0.007, "bench file", ())
        assert days_of(store, [record], 60, sd=0.01).stated == "asked"
        store_run(store, TEXT, block, build="A", day=1)
        newest = store.logbook.list_runs(limit=10)
        scatter = days_of(store, newest, 60)
        assert (scatter.sd, scatter.stated) == (DAY_SD, "nobody")
        (first,) = [r for r in newest if r.id == record.id]
        beside = days_of(store, [first], 60)
        assert len(beside.others) == 1, "the other run of the same build tells of the days"


# -- looks ---------------------------------------------------------------------------------------------------


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "store", writer=True) as made:
        yield made


def looked(store: Store, *runs: RunBlocks) -> Comparison:
    (c,) = with_looks(store, compare_groups(group_runs(runs)))
    return c


def test_earlier_looks_were_forgotten(store: Store) -> None:
    rng = np.random.default_rng(3)
    runs = [
        replace(made_run(rng, build=b, gas=g, blocks=(60, 70), start_c=(24.0, 26.0)), run_id=f"r{k}")
        for k, (b, g) in enumerate((("A", 1.0), ("B", 1.2), ("B", 1.2), ("A", 1.0)))
    ]
    first = looked(store, *runs[:2])
    assert len(first.looks) == 1
    assert len(looked(store, *runs[:2]).looks) == 1, "the same data are the same look"
    third = looked(store, *runs)
    assert [len(k.runs) for k in third.looks] == [2, 4]
    assert third.looks[-1].kind == verdict(third).kind == "better"
    assert "Look 2 at these builds" in looks_words(third)[0]
    body = as_dict([third])["comparisons"][0]["looks"]
    assert body["count"] == 2
    assert body["left_out"] == []
    assert "Looks at these builds" in as_html(comparison_document([third]))
    picked = looked(store, *runs[1:])
    assert left_out(picked) == ["r0"]
    text = " ".join(looks_words(picked))
    assert "leaves out (r0): no interval allows for choosing among runs" in text
    assert "had found B better than A already" in text
    turned = looked(store, runs[1], runs[2], runs[0], runs[3])
    assert len(turned.looks) == 4, "B against A is a look at the same builds"


def test_a_logbook_that_can_not_be_written_is_no_reason_not_to_answer(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(self: LookBook, look: LookRecord) -> LookRecord:
        raise StoreError("is read-only", place="logbook.db")

    monkeypatch.setattr(LookBook, "add", refuse)
    rng = np.random.default_rng(3)
    c = looked(store, made_run(rng), made_run(rng, build="B"))
    assert len(c.looks) == 1
    assert c.looks[0].id == 0
    assert verdict(c).kind == "day"


def test_the_command_counts_looks_and_takes_a_scatter(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "store"
    with Store(folder, writer=True) as made:
        for day, build in enumerate(("A", "B", "B")):
            _, block = sent(TEXT, seconds=1200, seed=day)
            store_run(made, TEXT, block, build=build, day=day)
        records: list[RunRecord] = sorted(made.logbook.list_runs(limit=10), key=lambda r: r.start_utc_ns)
    ids = [r.id for r in records]
    base = ["compare", ids[0], ids[1], "--store", str(folder), "--json"]
    assert main([*base, "--day-sd", "1%"]) == 0
    body = json.loads(capsys.readouterr().out)
    (one,) = body["comparisons"]
    days = one["differences"][0]["days"]
    assert (days["stated_share"], days["stated_by"], days["from"]) == (0.01, "asked", "repeats")
    assert one["looks"]["count"] == 1
    assert one["differences"][0]["low95_any_look"] <= one["differences"][0]["low95"]
    assert main(["compare", *ids, "--store", str(folder), "--json"]) == 0
    (one,) = json.loads(capsys.readouterr().out)["comparisons"]
    assert one["looks"]["count"] == 2
