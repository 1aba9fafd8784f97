"""The journal's rows: packed and unpacked the same, and taken over from a journal that had a row a sample."""

from __future__ import annotations

import math
import os
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import apsw
import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.frame import Block, Sample, Status
from daq.store import Journal, Store, log_is_safe
from daq.store._rows import block_of, packed
from daq.store.journal import segments_of
from tests.store.made import assert_same, expected, sample

OLD = (
    """CREATE TABLE samples (
        id INTEGER PRIMARY KEY AUTOINCREMENT, run_id TEXT NOT NULL, source TEXT NOT NULL,
        t_ns INTEGER NOT NULL, seq INTEGER NOT NULL, body BLOB NOT NULL)""",
    """CREATE TABLE pieces (
        id INTEGER PRIMARY KEY AUTOINCREMENT, run_id TEXT NOT NULL, source TEXT NOT NULL,
        name TEXT NOT NULL, rows INTEGER NOT NULL, first_id INTEGER NOT NULL,
        last_id INTEGER NOT NULL, t_min_ns INTEGER NOT NULL, t_max_ns INTEGER NOT NULL,
        level INTEGER NOT NULL, spans TEXT NOT NULL,
        UNIQUE (run_id, name))""",
    """CREATE TABLE heads (
        run_id TEXT PRIMARY KEY, rows INTEGER NOT NULL, last_t_ns INTEGER NOT NULL,
        touched_utc_ns INTEGER NOT NULL) WITHOUT ROWID""",
    """CREATE TABLE strays (
        run_id TEXT NOT NULL, name TEXT NOT NULL, why TEXT NOT NULL, since_utc_ns INTEGER NOT NULL,
        PRIMARY KEY (run_id, name)) WITHOUT ROWID""",
    "CREATE TABLE facts (key TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID",
    "CREATE TABLE migrations (name TEXT PRIMARY KEY, applied_utc_ns INTEGER NOT NULL)",
    "INSERT INTO migrations VALUES ('0001 samples, pieces, heads, strays, facts', 1)",
    "INSERT INTO facts VALUES ('adopted', 0)",
)
"""The schema, word for word, that was written before rows were packed."""


def old_journal(path: Path, samples: list[Sample], sealed: int) -> None:
    """A journal as it was: pages of 4 KiB, a row a sample; `sealed` rows more had gone to the archive."""
    with closing(apsw.Connection(str(path))) as con:
        con.execute("PRAGMA page_size=4096; PRAGMA auto_vacuum=INCREMENTAL; PRAGMA journal_mode=WAL")
        for statement in OLD:
            con.execute(statement)
        for k, s in enumerate(samples):
            body: dict[str, object] = {"v": s.values}
            if s.status:
                body["q"] = s.status
            if s.raw:
                body["r"] = s.raw
            con.execute(
                "INSERT INTO samples VALUES (?, 'r', ?, ?, ?, ?)",
                (sealed + k + 1, s.source, s.t_ns, s.seq, orjson.dumps(body)),
            )
        con.execute(
            "INSERT INTO heads VALUES ('r', ?, ?, 1)", (sealed + len(samples), max(s.t_ns for s in samples))
        )


def test_a_journal_of_a_row_a_sample_is_taken_over(tmp_path: Path) -> None:
    bad = Sample("stack", 77, {"volts": math.nan, "amps": 3.0}, {"volts": Status.BAD}, 9, {"volts": 99.0})
    samples = [*(sample("stack", k) for k in range(20)), bad, sample("meter", 3)]
    old_journal(tmp_path / "journal.db", samples, 100)
    with Store(tmp_path, writer=True) as store:
        assert store.last_id() == 122
        assert store.journal.count("r") == 22
        head = store.journal.head("r")
        assert head is not None
        assert (head.rows, head.last_t_ns) == (122, 1_900_000_000)
        found = store.read("r", raw=True)
        for source, wanted in expected(samples).items():
            assert_same(found[source], wanted)
        rows = store.tail(118)
        assert [(r.first_id, r.block.seq.tolist()) for r in rows] == [
            (119, [18]),
            (120, [19]),
            (121, [9]),
            (122, [3]),
        ]
        assert rows[2].block.status["volts"].tolist() == [Status.BAD]
        assert rows[2].block.raw["volts"].tolist() == [99.0]
        assert store.commit([("r", sample("stack", k)) for k in (20, 21)], full=True) == 124
        assert store.seal("r", all_rows=True) == 24
        assert len(store.read("r")["stack"]) == 23
        with store.journal.db.reading() as con:
            assert con.execute("PRAGMA page_size").fetchone() == (512,)
            assert con.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    with Store(tmp_path) as store:
        assert store.last_id() == 124


def test_an_old_journal_that_another_process_reads_keeps_its_pages_for_now(tmp_path: Path) -> None:
    old_journal(tmp_path / "journal.db", [sample("stack", k) for k in range(3)], 0)
    with Store(tmp_path) as other, other.journal.db.reading() as con:
        assert con.execute("SELECT count(*) FROM packs").fetchone() == (3,)
        with Store(tmp_path, writer=True) as store:
            assert store.commit([("r", sample("stack", 3))], full=True) == 4
            with store.journal.db.reading() as mine:
                assert mine.execute("PRAGMA page_size").fetchone() == (4096,)
    with Store(tmp_path, writer=True) as store:
        assert store.read("r")["stack"].seq.tolist() == [0, 1, 2, 3]
        with store.journal.db.reading() as mine:
            assert mine.execute("PRAGMA page_size").fetchone() == (512,)


def test_an_emptied_old_journal_gives_no_id_again(tmp_path: Path) -> None:
    old_journal(tmp_path / "journal.db", [sample("stack", 0)], 500)
    with closing(apsw.Connection(str(tmp_path / "journal.db"))) as con:
        con.execute("DELETE FROM samples")
    with Store(tmp_path, writer=True) as store:
        assert store.commit([("r", sample("stack", 1))], full=True) == 502


numbers = st.floats(allow_nan=True, allow_infinity=False)
channels = st.sampled_from(["volts", "amps", "lye_temp"])
any_sample = st.builds(
    Sample,
    source=st.sampled_from(["stack", "meter"]),
    t_ns=st.integers(0, 2**62),
    values=st.dictionaries(channels, numbers, max_size=3),
    status=st.just({}),
    seq=st.integers(-1, 2**62),
    raw=st.dictionaries(channels, st.floats(allow_nan=False, allow_infinity=False), max_size=2),
)


@given(samples=st.lists(any_sample, min_size=1, max_size=12), codes=st.integers(0, 2**24))
def test_what_is_packed_comes_back_the_same(samples: list[Sample], codes: int) -> None:
    samples = [
        Sample(s.source, s.t_ns, s.values,
               {n: Status(1 + (codes >> 2 * k) % 3) for n in s.values if (codes >> k) & 1}, s.seq, s.raw)
        for k, s in enumerate(samples)
    ]  # fmt: skip
    packs = packed([("r", s) for s in samples], 7)
    assert [p.id for p in packs] == [7, *(p.last_id + 1 for p in packs[:-1])]
    assert packs[-1].last_id == 6 + len(samples)
    for pack in packs:
        own = [s for s in samples if s.source == pack.source]
        assert (pack.t_min_ns, pack.t_max_ns) == (min(s.t_ns for s in own), max(s.t_ns for s in own))
        made = block_of(pack.source, [pack])
        assert made.t_ns.tolist() == [s.t_ns for s in own], "in the order of the commit"
        assert made.seq.tolist() == [s.seq for s in own]
        assert_same(Block.concat(pack.source, [made]), expected(own)[pack.source])


def test_a_catalogue_whose_names_said_where_segments_are(tmp_path: Path) -> None:
    """As versions kept it before a segment named its backend: those of a server began with "db-"."""
    old_journal(tmp_path / "journal.db", [sample("stack", 0)], 0)
    names = (
        "000000000001-stack",
        "db-1f2e3d4c-000000000101-stack",
        "import-db-000000-stack",
        "db-1f2e3d4c-m-x",
    )
    with closing(apsw.Connection(str(tmp_path / "journal.db"))) as con:
        for k, name in enumerate(names):
            con.execute(
                "INSERT INTO pieces (run_id, source, name, rows, first_id, last_id, t_min_ns, t_max_ns, "
                "level, spans) VALUES ('r', 'stack', ?, 100, ?, ?, 0, 1, 0, '{}')",
                (name, 100 * k + 1, 100 * k + 100),
            )
        con.execute(
            "INSERT INTO strays VALUES ('r', 'db-1f2e3d4c-y', 'sealing', 1), ('r', 'z', 'dropped', 1)"
        )
        con.execute("INSERT INTO facts VALUES ('adopted_remote', 1), ('token', 7)")
    with closing(Journal(tmp_path / "journal.db")) as journal, journal.db.reading() as con:
        assert [(s.name, s.backend) for s in segments_of(con, "r")] == list(
            zip(names, ("segments", "influxdb", "segments", "influxdb"), strict=True)
        )
        assert con.execute("SELECT name, backend FROM strays ORDER BY name").fetchall() == [
            ("db-1f2e3d4c-y", "influxdb"),
            ("z", "segments"),
        ]
        facts = dict(con.execute("SELECT key, value FROM facts").fetchall())
        assert {"adopted_segments": 0, "adopted_influxdb": 1, "token": 7}.items() <= facts.items()


def test_a_commit_is_one_small_row_a_source(tmp_path: Path) -> None:
    with Store(tmp_path, writer=True) as store:
        values = {f"channel_{k}": 11.034 + k for k in range(8)}
        for k in range(50):
            batch = [Sample("stack", (5 * k + n) * 10**8, values, seq=5 * k + n) for n in range(5)]
            store.commit([("r", s) for s in batch], full=True)
        with store.journal.db.reading() as con:
            assert con.execute("SELECT count(*), sum(count) FROM packs").fetchone() == (50, 250)
            assert con.execute("SELECT max(length(body)) FROM packs").fetchone()[0] < 300
            assert con.execute("PRAGMA page_size").fetchone() == (512,)
        # The tail goes on from within a row.
        found = [(r.first_id, r.last_id, r.block.seq.tolist()) for r in store.tail(8, limit=4)]
        assert found == [(9, 10, [8, 9]), (11, 12, [10, 11])]


def test_the_log_keeps_its_size(tmp_path: Path) -> None:
    """A log that grows, or is cut, costs the file system blocks of its own at each commit."""
    with Store(tmp_path, writer=True) as store:
        log = tmp_path / "journal.db-wal"
        size = log.stat().st_size
        assert size >= 1 << 20
        for k in range(3000):
            store.commit([("r", sample("stack", k))], full=False)
        assert log.stat().st_size == size
        assert (tmp_path / "journal.db").stat().st_size > 100_000  # it was taken over meanwhile
    # At rest the database is whole by itself: a copy of the one file is a copy.
    assert log.stat().st_size == 0
    with Store(tmp_path, writer=True) as store:
        assert log.stat().st_size == size
        assert store.journal.count() == 3000


@pytest.mark.parametrize(
    ("version", "safe"),
    [
        ("3.6.23", True), ("3.7.0", False), ("3.40.1", False), ("3.44.5", False), ("3.44.6", True),
        ("3.45.0", False), ("3.50.6", False), ("3.50.7", True), ("3.51.0", False), ("3.51.2", False),
        ("3.51.3", True), ("3.54.1", True),
    ],
)  # fmt: skip
def test_releases_that_keep_the_log_whole(version: str, safe: bool) -> None:
    """https://www.sqlite.org/wal.html#walresetbug: 3.7.0 to 3.51.2, mended in 3.51.3, 3.50.7 and 3.44.6."""
    assert log_is_safe(version) is safe


def test_ours_is_one_of_them() -> None:
    assert log_is_safe()


TWO = """
import sys
from pathlib import Path
from daq.frame import Sample
from daq.store import Store
folder, writer, count = Path(sys.argv[1]), sys.argv[2] == "writer", int(sys.argv[3])
with Store(folder, writer=writer) as store:
    print("open", flush=True)
    for k in range(count):
        if writer:
            store.commit([("r", Sample("stack", k, {"volts": k / 8, "amps": 1.0}, seq=k))], full=False)
        else:
            with store.journal.db.writing() as con:
                con.execute("INSERT OR REPLACE INTO strays VALUES ('x', ?, 'gone', 0, '')", (str(k % 97),))
            store.tail(max(0, k - 5), limit=10)
"""


def test_two_processes_that_commit_leave_a_sound_file(tmp_path: Path) -> None:
    """LYEWATCH_TWO_WRITERS=1000000 commits so often; without it, a few log's lengths."""
    count = int(os.environ.get("LYEWATCH_TWO_WRITERS", "3000"))
    Store(tmp_path).close()
    started = [
        subprocess.Popen(
            [sys.executable, "-c", TWO, str(tmp_path), who, str(count)], stdout=subprocess.DEVNULL
        )
        for who in ("writer", "other")
    ]
    for process in started:
        assert process.wait() == 0
    with Store(tmp_path) as store:
        assert store.read("r")["stack"].seq.tolist() == list(range(count))
    with closing(apsw.Connection(str(tmp_path / "journal.db"))) as con:
        assert con.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
