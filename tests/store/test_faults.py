"""No exception of SQLite, Arrow or the system escapes: every one that they can raise is walked."""

from __future__ import annotations

import errno
import pickle
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import apsw
import orjson
import pyarrow as pa
import pytest

from daq.errors import LyewatchError, RunNotFound, StoreBusy, StoreCorrupt, StoreError
from daq.store import Logbook, Store
from daq.store._faults import fault, store_faults
from tests.store.made import sample


def kinds_below(kind: type[BaseException]) -> Iterator[type[BaseException]]:
    """An exception class and all its subclasses."""
    yield kind
    for sub in kind.__subclasses__():
        yield from kinds_below(sub)


NO_ERRORS = (apsw.SQLITE_OK, apsw.SQLITE_ROW, apsw.SQLITE_DONE, apsw.SQLITE_NOTICE, apsw.SQLITE_WARNING)
SQLITE_CODES: dict[str, int] = {
    name: code
    for codes in (apsw.mapping_result_codes, apsw.mapping_extended_result_codes)
    for name, code in codes.items()
    if isinstance(name, str) and isinstance(code, int) and code & 0xFF not in NO_ERRORS
}
SQLITE_ERRORS = list(kinds_below(apsw.Error))
ARROW_ERRORS = [k for k in vars(pa.lib).values() if isinstance(k, type) and issubclass(k, pa.ArrowException)]


def assert_ours(found: LyewatchError | None) -> None:
    assert isinstance(found, StoreError)
    assert found.place == "the file"
    assert found.message
    assert found.remedy
    again = pickle.loads(pickle.dumps(found))
    assert type(again) is type(found)
    assert str(again) == str(found)


@pytest.mark.parametrize("kind", SQLITE_ERRORS, ids=lambda k: k.__name__)
def test_every_exception_of_sqlite(kind: type[Exception]) -> None:
    assert_ours(fault(kind("some words"), "the file"))
    assert_ours(fault(kind(), "the file"))


@pytest.mark.parametrize("name", SQLITE_CODES)
def test_every_result_code_of_sqlite(name: str) -> None:
    found = fault(apsw.exception_for(SQLITE_CODES[name]), "the file")
    assert_ours(found)
    primary = SQLITE_CODES[name] & 0xFF
    if primary in (apsw.SQLITE_BUSY, apsw.SQLITE_LOCKED):
        assert isinstance(found, StoreBusy)
    if primary in (apsw.SQLITE_CORRUPT, apsw.SQLITE_NOTADB):
        assert isinstance(found, StoreCorrupt)


@pytest.mark.parametrize("kind", ARROW_ERRORS, ids=lambda k: k.__name__)
def test_every_exception_of_arrow(kind: type[Exception]) -> None:
    assert len(ARROW_ERRORS) >= 8
    assert_ours(fault(kind("some words"), "the file"))


@pytest.mark.parametrize("code", sorted(errno.errorcode), ids=lambda c: errno.errorcode[c])
def test_every_error_of_the_system(code: int) -> None:
    assert_ours(fault(OSError(code, "some words"), "the file"))


def test_arrows_words_for_bytes_that_do_not_decompress() -> None:
    assert isinstance(fault(OSError("ZSTD decompression failed"), "the file"), StoreCorrupt)


def test_the_systems_own_file_name_is_the_place() -> None:
    found = fault(OSError(errno.EACCES, "some words", "/a/b"), "the file")
    assert found is not None
    assert found.place == "/a/b"


@pytest.mark.parametrize(
    "exc", [MemoryError(), OverflowError("int too big"), orjson.JSONDecodeError("x", "y", 0)]
)
def test_the_rest_of_what_the_layers_raise(exc: Exception) -> None:
    assert_ours(fault(exc, "the file"))


def test_our_own_and_foreign_errors_pass_through() -> None:
    ours = RunNotFound("no such run")
    with pytest.raises(RunNotFound) as caught, store_faults("the file"):
        raise ours
    assert caught.value is ours
    with pytest.raises(KeyError), store_faults("the file"):
        raise KeyError("a mistake in the program stays one")
    with pytest.raises(StoreCorrupt), store_faults("the file", decoding=True):
        raise KeyError("a column that is not there")


@pytest.mark.parametrize("name", ["journal.db", "logbook.db"])
def test_a_database_that_is_garbage(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"this is no database at all, whatever its name says " * 100)
    with pytest.raises(StoreCorrupt) as caught:
        Store(tmp_path)
    assert name in str(caught.value)
    assert "move it aside" in str(caught.value)


def test_a_database_damaged_in_the_middle(tmp_path: Path) -> None:
    with Store(tmp_path, writer=True) as store:
        for k in range(500):
            store.commit([("r", sample("stack", k))], full=False)
    (tmp_path / "journal.db-wal").unlink()  # all of it is in the database
    path = tmp_path / "journal.db"
    content = bytearray(path.read_bytes())
    content[len(content) // 2 : -4096] = bytes(len(content) - len(content) // 2 - 4096)
    path.write_bytes(content)
    with pytest.raises(StoreCorrupt, match=r"journal\.db"), Store(tmp_path) as store:
        store.read("r")


def test_a_row_whose_body_is_damaged(tmp_path: Path) -> None:
    with Store(tmp_path, writer=True) as store:
        store.commit([("r", sample("stack", 1))], full=True)
        with store.journal.db.writing() as con:
            con.execute("UPDATE packs SET body = ?", (b'{"v": {"volts',))
        with pytest.raises(StoreCorrupt, match=r"journal\.db"):
            store.tail(0)
        with pytest.raises(StoreCorrupt, match=r"journal\.db"):
            store.read("r")
        with pytest.raises(StoreCorrupt, match=r"journal\.db"):
            store.seal("r", all_rows=True)


def test_a_folder_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "store").write_text("in the way")
    with pytest.raises(StoreError, match="is in the way"):
        Store(tmp_path / "store")
    with pytest.raises(StoreError):
        Store(tmp_path / "store" / "deeper")


def test_a_store_that_is_closed(tmp_path: Path) -> None:
    store = Store(tmp_path, writer=True)
    store.close()
    store.close()
    with pytest.raises(StoreError, match="is closed already"):
        store.tail(0)
    with pytest.raises(StoreError, match="is closed already"):
        store.commit([("r", sample("stack", 1))], full=False)
    with pytest.raises(StoreError, match="is closed already"):
        store.logbook.get_state("reader")


def test_a_store_opened_for_reading_does_not_write(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        for what in (
            lambda: store.commit([("r", sample("stack", 1))], full=True),
            lambda: store.seal("r"),
            lambda: store.seal_apart("r"),
            lambda: store.prune("r", 0),
        ):
            with pytest.raises(StoreError, match="opened for reading"):
                what()


def test_a_number_that_does_not_fit(tmp_path: Path) -> None:
    with Store(tmp_path, writer=True) as store:
        with pytest.raises(StoreError, match="does not fit"):
            store.commit([("r", sample("stack", 1, t_ns=2**63))], full=True)
        assert store.commit([("r", sample("stack", 1))], full=True) == 1


def test_a_run_that_is_not_there(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        for what in (
            lambda: store.read("20250101-000000"),
            lambda: store.channel("20250101-000000", "volts"),
            lambda: store.envelope("20250101-000000", ["volts"], points=10),
            lambda: store.extreme("20250101-000000", "volts"),
            lambda: store.logbook.get_run("20250101-000000"),
        ):
            with pytest.raises(RunNotFound, match="20250101-000000: no such run"):
                what()


def test_a_logbook_of_a_newer_version(tmp_path: Path) -> None:
    Logbook(tmp_path / "logbook.db").close()
    with closing(apsw.Connection(str(tmp_path / "logbook.db"))) as con:
        con.execute("INSERT INTO migrations VALUES ('9999 of the future', 1)")
    con.close()
    with pytest.raises(StoreError, match=r"was made by a newer version \(found '9999 of the future'\)"):
        Logbook(tmp_path / "logbook.db")
