"""Transactions, migrations and locks of one SQLite file."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from pathlib import Path

import apsw
import pytest

from daq.errors import StoreBusy, StoreError
from daq.store import Logbook, Store
from daq.store._database import Database, Migration
from tests.store.made import sample

ONE = Migration("1 first", ("CREATE TABLE a (x INTEGER)",))
TWO = Migration("2 second", ("CREATE TABLE b (x INTEGER)", "INSERT INTO b VALUES (7)"))
BROKEN = Migration("2 broken", ("CREATE TABLE c (x INTEGER)", "INSERT INTO nowhere VALUES (1)"))


def tables(path: Path) -> set[str]:
    con = apsw.Connection(str(path))
    found = {name for (name,) in con.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    con.close()
    return found


def test_migrations_are_applied_in_order_and_once(tmp_path: Path) -> None:
    path = tmp_path / "x.db"
    Database(path, [ONE]).close()
    for _ in range(2):
        Database(path, [ONE, TWO]).close()
    con = apsw.Connection(str(path))
    assert con.execute("SELECT name FROM migrations ORDER BY applied_utc_ns").fetchall() == [
        ("1 first",),
        ("2 second",),
    ]
    assert con.execute("SELECT x FROM b").fetchall() == [(7,)]
    con.close()


def test_a_migration_and_its_record_are_one_commit(tmp_path: Path) -> None:
    path = tmp_path / "x.db"
    with pytest.raises(StoreError, match="nowhere"):
        Database(path, [ONE, BROKEN])
    assert tables(path) == {"migrations", "a"}
    Database(path, [ONE, TWO]).close()
    assert tables(path) == {"migrations", "a", "b"}


def test_a_store_that_several_processes_make_at_once(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from daq.store import Store; Store(Path(sys.argv[1])).close()"
    )
    started = [
        subprocess.Popen([sys.executable, "-c", code, str(tmp_path / "new")], stderr=subprocess.PIPE)
        for _ in range(4)
    ]
    for process in started:
        assert process.communicate(timeout=60)[1] == b""
        assert process.returncode == 0


def test_a_transaction_that_raises_leaves_nothing(tmp_path: Path) -> None:
    db = Database(tmp_path / "x.db", [ONE])

    def fail() -> None:
        with db.writing() as con:
            con.execute("INSERT INTO a VALUES (1)")
            raise KeyError

    with pytest.raises(KeyError):
        fail()
    with db.writing() as con:
        con.execute("INSERT INTO a VALUES (2)")
    with db.reading() as con:
        assert con.execute("SELECT x FROM a").fetchall() == [(2,)]
    db.close()


def test_a_reader_sees_one_instant(tmp_path: Path) -> None:
    db = Database(tmp_path / "x.db", [ONE])
    with db.reading() as con:
        assert con.execute("SELECT count(*) FROM a").fetchone() == (0,)
        with db.writing() as writing:
            writing.execute("INSERT INTO a VALUES (1)")
        assert con.execute("SELECT count(*) FROM a").fetchone() == (0,)
    with db.reading() as con:
        assert con.execute("SELECT count(*) FROM a").fetchone() == (1,)
    db.close()


def test_a_reader_can_not_write(tmp_path: Path) -> None:
    db = Database(tmp_path / "x.db", [ONE])
    with pytest.raises(StoreError, match="can not be written"), db.reading() as con:
        con.execute("INSERT INTO a VALUES (1)")
    db.close()


def test_many_threads_share_a_few_connections(tmp_path: Path) -> None:
    db = Database(tmp_path / "x.db", [ONE])
    failed: list[BaseException] = []

    def work(number: int) -> None:
        try:
            for k in range(20):
                with db.writing() as con:
                    con.execute("INSERT INTO a VALUES (?)", (number * 100 + k,))
                with db.reading() as con:
                    con.execute("SELECT count(*) FROM a").fetchone()
        except BaseException as exc:
            failed.append(exc)

    threads = [threading.Thread(target=work, args=(n,)) for n in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert failed == []
    with db.reading() as con:
        assert con.execute("SELECT count(DISTINCT x) FROM a").fetchone() == (240,)
    db.close()


def test_a_locked_database_is_busy_and_then_goes_on(tmp_path: Path) -> None:
    book = Logbook(tmp_path / "logbook.db", busy_s=0.05)
    other = apsw.Connection(str(tmp_path / "logbook.db"))
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreBusy, match=r"logbook\.db: is held by another process; wait"):
        book.put_state("reader", {"pid": 1})
    assert book.get_state("reader") is None  # whoever reads does not wait
    other.execute("ROLLBACK")
    book.put_state("reader", {"pid": 1})
    assert book.get_state("reader") == {"pid": 1}
    other.close()
    book.close()


def test_a_lock_that_is_let_go_in_time_is_waited_for(tmp_path: Path) -> None:
    book = Logbook(tmp_path / "logbook.db", busy_s=30.0)
    other = apsw.Connection(str(tmp_path / "logbook.db"))
    other.execute("BEGIN IMMEDIATE")
    let_go = threading.Timer(0.2, lambda: other.execute("ROLLBACK"))
    let_go.start()
    book.put_state("reader", {"pid": 1})
    let_go.join()
    assert book.get_state("reader") == {"pid": 1}
    other.close()
    book.close()


def test_a_locked_logbook_does_not_hold_up_the_samples(tmp_path: Path) -> None:
    with Store(tmp_path, writer=True) as store:
        run = store.logbook.create_run(bench="b")
        other = apsw.Connection(str(tmp_path / "logbook.db"))
        other.execute("BEGIN IMMEDIATE")
        started = time.monotonic()
        store.commit([(run.id, sample("stack", 1))], full=True)
        assert time.monotonic() - started < 5.0  # the logbook's own patience is 10 s
        other.execute("ROLLBACK")
        other.close()
        assert store.journal.count() == 1
        store.commit([(run.id, sample("stack", 2))], full=True)
        assert store.logbook.get_run(run.id).rows == 2


def test_a_locked_journal_keeps_the_samples_with_the_caller(tmp_path: Path) -> None:
    with Store(tmp_path, writer=True) as store:
        other = apsw.Connection(str(tmp_path / "journal.db"))
        other.execute("BEGIN IMMEDIATE")
        with store.journal.db.reading() as con:  # the same refusal as after the journal's patience of 10 s
            assert con.execute("SELECT count(*) FROM packs").fetchone() == (0,)
        with pytest.raises(StoreBusy), store.journal.db.writing(wait_s=0.05):
            pass
        other.execute("ROLLBACK")
        other.close()
        assert store.commit([("r", sample("stack", 1))], full=False) == 1


def test_a_second_writer_is_refused_and_told_what_to_do(tmp_path: Path) -> None:
    store = Store(tmp_path, writer=True)
    with pytest.raises(StoreBusy) as caught:
        Store(tmp_path, writer=True)
    assert "another process is writing to this store (found 'process " in str(caught.value)
    assert "lyewatch read" in str(caught.value)
    Store(tmp_path).close()
    store.close()
    Store(tmp_path, writer=True).close()


def test_a_writer_that_is_killed_leaves_the_store_free(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from daq.store import Store\n"
        "store = Store(Path(sys.argv[1]), writer=True); print('open', flush=True); sys.stdin.read()"
    )
    child = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert child.stdout is not None
    assert child.stdout.readline() == b"open\n"
    with pytest.raises(StoreBusy, match=f"process {child.pid}"):
        Store(tmp_path, writer=True)
    child.kill()
    child.communicate(timeout=30)
    Store(tmp_path, writer=True).close()


def test_commits_are_normal_but_for_the_full_ones(tmp_path: Path) -> None:
    """https://www.sqlite.org/pragma.html#pragma_synchronous: 1 NORMAL, 2 FULL; read as each commit begins."""
    with Store(tmp_path, writer=True) as store:
        con = store.journal.db._writer
        seen: list[int] = []

        def look(_: apsw.Cursor, statement: str, __: object) -> bool:
            if statement == "BEGIN IMMEDIATE":
                seen.append(con.pragma("synchronous"))
            return True

        con.exec_trace = look
        for k in range(10):
            store.commit([("r", sample("stack", k))], full=k % 5 == 4)
        store.commit([], full=True)
        con.exec_trace = None
    assert seen == [1, 1, 1, 1, 2, 1, 1, 1, 1, 2]  # the last had nothing left to do


def test_a_full_commit_without_samples_still_writes(tmp_path: Path) -> None:
    """A commit that writes nothing syncs nothing, and what was committed before would not be safe."""
    with Store(tmp_path, writer=True) as store:
        store.commit([("r", sample("stack", 1))], full=False)
        log = tmp_path / "journal.db-wal"
        before = log.read_bytes()
        assert store.commit([], full=True) == 1
        after = log.read_bytes()
        assert after != before
        assert store.commit([], full=True) == 1
        assert log.read_bytes() == after
