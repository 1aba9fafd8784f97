"""The store as a whole: whatever is committed, sealed, pruned or reopened, reading answers the same."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.errors import StoreError
from daq.frame import NO_SEQ, Block, Sample, Status
from daq.store import Archive, Store
from daq.store.archive import sealing
from tests.store.made import BACKENDS, Backend, assert_same, block, expected, sample

finite = st.floats(-1e6, 1e6)
values = st.dictionaries(
    st.sampled_from(["volts", "amps", "lye_temp", "seq"]), st.one_of(finite, st.just(math.nan)), max_size=4
)
statuses = st.dictionaries(
    st.sampled_from(["volts", "amps", "lye_temp"]), st.sampled_from(list(Status)), max_size=2
)


@st.composite
def samples(draw: st.DrawFn) -> Sample:
    """Any sample: times in any order and often equal, channels that come and go."""
    drawn = draw(values)
    return Sample(
        draw(st.sampled_from(["stack", "meter"])),
        draw(st.integers(0, 50)),
        drawn,
        {c: s for c, s in draw(statuses).items() if c in drawn},
        draw(st.sampled_from([NO_SEQ, 0, 7, 2**32 - 1])),
        {c: v for c, v in draw(values).items() if c in drawn and draw(st.booleans())},
    )


steps = st.lists(
    st.one_of(
        st.tuples(st.just("commit"), st.lists(samples(), max_size=6)),
        st.tuples(st.just("seal"), st.booleans()),
        st.tuples(st.just("prune"), st.integers(0, 50)),
        st.tuples(st.just("reopen"), st.none()),
    ),
    max_size=14,
)


@pytest.mark.parametrize("backend", [backend.param for backend in BACKENDS if backend.name == "segments"])
@settings(max_examples=60, deadline=None)
@given(steps=steps)
def test_reading_answers_every_row_once_whatever_was_done(
    backend: Backend, steps: list[tuple[str, Any]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    check_steps(backend, steps, tmp_path_factory)


@pytest.mark.parametrize("backend", [backend.param for backend in BACKENDS if backend.name != "segments"])
@settings(max_examples=12, deadline=None)
@given(steps=steps)
def test_a_server_answers_every_row_once_whatever_was_done(
    backend: Backend, steps: list[tuple[str, Any]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """As above, with fewer examples: each write waits for the server."""
    check_steps(backend, steps, tmp_path_factory)


def check_steps(
    backend: Backend, steps: list[tuple[str, Any]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Do what the steps say; after each, the store has every row once."""
    folder = tmp_path_factory.mktemp("store")
    store = Store(folder, archive=Archive(backend.make(folder)), writer=True)
    sealed: list[Sample] = []
    packs: list[list[Sample]] = []  # what was committed together of one source, as the journal keeps it
    given_ids = 0
    for what, how in steps:
        if what == "commit":
            packs += [own for name in ("stack", "meter") if (own := [s for s in how if s.source == name])]
            given_ids += len(how)
            assert store.commit([("r", s) for s in how], full=bool(len(how) % 2)) == given_ids
        elif what == "seal":
            # Rows as young as these stay for those who follow, unless all are wanted.
            moved = store.seal("r", all_rows=how)
            assert moved == (sum(map(len, packs)) if how else 0) or not how
            while moved > 0:
                moved -= len(packs[0])
                sealed += packs.pop(0)
            assert moved == 0
        elif what == "prune":
            store.prune("r", how)
            packs = [own for own in packs if max(s.t_ns for s in own) >= how]
        else:
            store.close()
            store = Store(folder, archive=Archive(backend.make(folder)), writer=True)
        journalled = [s for own in packs for s in own]
        assert store.last_id() == given_ids
        assert store.journal.count() == len(journalled)
        if given_ids:
            found = store.read("r", raw=True)
            wanted = expected(sealed + journalled)
            assert set(found) == set(wanted)
            for source, made in found.items():
                assert_same(made, wanted[source])
            highest = [
                s.values["volts"]
                for s in sealed + journalled
                if math.isfinite(s.values.get("volts", math.nan))
            ]
            top = store.extreme("r", "volts")
            assert (top is None) == (not highest)
            assert top is None or top[1] == max(highest)
    store.close()


@pytest.fixture
def store(tmp_path: Path) -> Any:
    with Store(tmp_path / "store", writer=True) as made:
        yield made


def test_the_tail_follows_commits_in_order(store: Store) -> None:
    first = store.commit([("a", sample("stack", 0)), ("a", sample("meter", 0))], full=False)
    assert first == 2
    bad = Sample("stack", 5, {"volts": math.nan, "amps": 3.0}, {"volts": Status.BAD}, 9, {"volts": 99.0})
    store.commit([("b", bad)], full=False)
    rows = store.tail(0)
    assert [(r.first_id, r.run_id, r.block.source) for r in rows] == [
        (1, "a", "stack"),
        (2, "a", "meter"),
        (3, "b", "stack"),
    ]
    (last,) = store.tail(2)
    assert last.last_id == 3
    assert_same(last.block, expected([bad])["stack"])
    assert [r.first_id for r in store.tail(0, limit=2)] == [1, 2]
    assert store.tail(3) == []


def test_ids_are_never_given_again(store: Store) -> None:
    store.commit([("r", sample("stack", k)) for k in range(10)], full=True)
    store.seal("r", all_rows=True)
    assert store.journal.count() == 0
    assert store.last_id() == 10
    assert store.commit([("r", sample("stack", 10))], full=True) == 11
    store.prune("r", 10**18)
    folder = store.folder
    store.close()
    with Store(folder, writer=True) as again:
        assert again.last_id() == 11
        assert again.commit([("r", sample("stack", 11))], full=True) == 12
        again.delete_run("r")
        assert again.commit([("s", sample("stack", 0))], full=True) == 13


def test_young_rows_stay_for_those_who_follow(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    now = [1000.0]
    monkeypatch.setattr("daq.store.store.time.monotonic", lambda: now[0])
    for k in range(200):
        store.commit([("r", sample("stack", k))], full=False)
        now[0] += 1.0
    moved = store.seal("r")
    assert 139 <= moved <= 141
    assert [s for r in store.tail(0) for s in r.block.seq.tolist()] == list(range(moved, 200))
    assert store.read("r")["stack"].seq.tolist() == list(range(200))


def test_rows_of_before_the_restart_are_old(store: Store) -> None:
    store.commit([("r", sample("stack", k)) for k in range(10)], full=False)
    folder = store.folder
    store.close()
    with Store(folder, writer=True) as again:
        again.commit([("r", sample("stack", 10))], full=False)
        assert again.seal("r") == 10
        assert again.journal.count() == 1


def test_several_sources_channels_and_spans(store: Store) -> None:
    for k in range(100):
        store.commit(
            [("r", sample("stack", k)), ("r", sample("meter", k, k * 100_000_000 + 7, gas_flow=k / 10))],
            full=False,
        )
        if k == 60:
            store.seal("r", all_rows=True)
    assert set(store.read("r")) == {"meter", "stack"}
    assert set(store.read("r", sources=["meter"])) == {"meter"}
    assert set(store.read("r", channels=["gas_flow"])) == {"meter"}
    assert set(store.read("r", channels=["volts", "gas_flow"])["stack"].values) == {"volts"}
    part = store.read("r", start_ns=5_500_000_000, end_ns=6_500_000_000)
    assert part["stack"].seq.tolist() == list(range(55, 66))
    assert part["meter"].seq.tolist() == list(range(55, 65))
    assert store.read("r", start_ns=10**12) == {}
    t_ns, volts, status = store.channel("r", "volts", 0, 300_000_000)
    assert t_ns.tolist() == [0, 100_000_000, 200_000_000, 300_000_000]
    assert volts.tolist() == [11.0, 11.001, 11.002, 11.003]
    assert status.tolist() == [0, 0, 0, 0]
    assert store.channel("r", "unheard")[0].size == 0
    assert store.last_t_ns("r") == 9_900_000_007
    assert store.last_t_ns("never") is None


def test_what_was_read_may_be_changed(store: Store) -> None:
    store.add_blocks("r", [block("stack", 10)])
    found = store.read("r", raw=True)["stack"]
    columns: list[Any] = [
        found.t_ns,
        found.seq,
        found.values["volts"],
        found.status["amps"],
        found.raw["amps"],
    ]
    for column in columns:
        column[0] = 99
    store.channel("r", "volts")[1][0] = 99.0
    assert_same(store.read("r", raw=True)["stack"], block("stack", 10))


def test_a_channel_that_two_sources_claim(store: Store) -> None:
    store.commit([("r", sample("a", 0, 5, volts=1.0)), ("r", sample("b", 0, 3, volts=2.0))], full=False)
    t_ns, volts, status = store.channel("r", "volts")
    assert t_ns.tolist() == [3, 5]
    assert volts.tolist() == [2.0, 1.0]
    assert status.tolist() == [0, 0]


def test_extremes_and_when_they_were(store: Store) -> None:
    for k, temperature in enumerate([40.0, 61.5, math.nan, 61.5, 39.0]):
        store.commit([("r", sample("stack", k, lye_temp=temperature))], full=False)
        if k == 2:
            store.seal("r", all_rows=True)
    assert store.extreme("r", "lye_temp") == (100_000_000, 61.5)
    assert store.extreme("r", "lye_temp", highest=False) == (400_000_000, 39.0)
    assert store.extreme("r", "volts") is None


def test_the_record_knows_rows_and_when_they_came(store: Store) -> None:
    run = store.logbook.create_run(bench="b")
    assert run.touched_utc_ns is None
    store.commit([(run.id, sample("stack", k)) for k in range(30)], full=True)
    touched = store.logbook.get_run(run.id)
    assert touched.rows == 30
    assert touched.touched_utc_ns is not None
    store.commit([(run.id, sample("stack", 30))], full=True)  # too soon after the last for another touch
    store.seal(run.id, all_rows=True)
    assert store.logbook.get_run(run.id).rows == 31


def test_bulk_import_goes_straight_to_bounded_segments(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sealing, "_IMPORT_ROWS", 1000)
    run = store.logbook.create_run(bench="b", kind="import")
    made = [block("stack", 700, first=700 * k) for k in range(5)]
    other = block("meter", 50)
    with Store(store.folder) as importer:  # a process of its own, while the reader's is open for writing
        importer.add_blocks(run.id, [made[0], other, *made[1:]])
    found = store.read(run.id, raw=True)
    assert_same(found["stack"], block("stack", 3500))
    assert_same(found["meter"], other)
    assert store.journal.count() == 0
    assert store.logbook.get_run(run.id).rows == 3550
    assert store.last_t_ns(run.id) == int(made[-1].t_ns[-1])
    sizes = [len(b) for b in store.archive.read(run.id, store.segments.of(run.id))]
    assert max(sizes) < 2000
    assert len(sizes) >= 4


def test_a_bulk_import_that_fails_leaves_nothing(store: Store) -> None:
    run = store.logbook.create_run(bench="b", kind="import")

    def blocks() -> Any:
        yield block("stack", 300_000)
        raise StoreError("row 300001 is wrong")

    with pytest.raises(StoreError, match="row 300001"):
        store.add_blocks(run.id, blocks())
    assert store.read(run.id) == {}
    assert list(store.folder.rglob("*.parquet*")) == []


def test_an_empty_import_is_no_error(store: Store) -> None:
    run = store.logbook.create_run(bench="b", kind="import")
    empty = Block("stack", np.empty(0, np.int64), np.empty(0, np.int64), {"volts": np.empty(0)})
    store.add_blocks(run.id, [empty])
    assert store.read(run.id) == {}
    assert store.last_t_ns(run.id) is None


def test_a_deleted_run_is_gone_and_its_safety_record_stays(store: Store) -> None:
    from daq.store import AlarmTransition, TripRecord

    keep, run = store.logbook.create_run(bench="b"), store.logbook.create_run(bench="b")
    for r in (keep, run):
        store.commit([(r.id, sample("stack", k)) for k in range(10)], full=True)
        store.seal(r.id, all_rows=True)
        store.commit([(r.id, sample("stack", 10))], full=True)
    store.logbook.add_mark(run.id, 5, "note", "topped up", "Ada")
    store.logbook.trips.add(TripRecord(1, run.id, 5, "high", "lye_temp", 80.0, "guard"))
    store.logbook.alarms.add(
        run.id, AlarmTransition(run.id, 5, "lye_temp.high", "normal", "unacknowledged", "80 °C")
    )
    store.delete_run(run.id)
    assert [r.id for r in store.logbook.list_runs()] == [keep.id]
    assert store.read(keep.id)["stack"].seq.tolist() == list(range(11))
    assert not (store.folder / "segments" / run.id).exists()
    assert store.journal.runs() == [keep.id]
    assert store.logbook.list_marks(run.id) == []
    assert len(store.logbook.trips.of(run.id)) == 1
    assert len(store.logbook.alarms.transitions(run.id)) == 1


def test_rows_that_dead_readers_left_are_seen_to(store: Store) -> None:
    """A run that was ended, not sealed; a standby that was ended, not deleted."""
    run = store.logbook.create_run(bench="b")
    standby = store.logbook.create_run(bench="b", kind="standby")
    now = store.logbook.create_run(bench="b")
    for r in (run, standby, now):
        store.commit([(r.id, sample("stack", k)) for k in range(10)], full=True)
    store.logbook.stop_run(run.id, ended_ns=10)
    store.logbook.stop_run(standby.id, ended_ns=10)
    store.seal(now.id)
    assert store.journal.runs() == sorted([standby.id, now.id])
    store.prune(now.id, 0)
    assert store.journal.runs() == [now.id]
    assert len(store.read(run.id)["stack"]) == 10
    assert [r.id for r in store.logbook.list_runs(kind="standby")] == []


def test_the_journals_file_stays_small(store: Store) -> None:
    """A day's worth of rows through it, with what a seal every two minutes leaves behind."""
    largest = 0
    for segment in range(60):
        batch = [("r", sample("stack", segment * 1200 + k)) for k in range(1200)]
        for at in range(0, 1200, 100):
            store.commit(batch[at : at + 100], full=False)
        store.seal("r", all_rows=True)
        files = [store.folder / f"journal.db{end}" for end in ("", "-wal")]
        largest = max(largest, sum(f.stat().st_size for f in files))
    assert largest < 12_000_000
    assert store.read("r")["stack"].seq.tolist() == list(range(72_000))
