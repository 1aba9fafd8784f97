"""ParquetBackend as files: what other tools see of them, and what damage does."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from daq.errors import StoreCorrupt, StoreError
from daq.store import ParquetBackend, SegmentAbout, Store
from tests.store.made import assert_same, block, sample, segment_for

ABOUT = SegmentAbout("torch bench", "B", 1_700_000_000_000_000_000, {"volts": "V", "amps": "A"})


def test_columns_and_metadata_that_any_tool_reads(tmp_path: Path) -> None:
    made = block("stack", 50)
    backend = ParquetBackend(tmp_path)
    backend.write("run", segment_for(made), made, ABOUT)
    table = pq.read_table(backend.path("run", "p"))
    assert table.column_names == ["t_ns", "seq", "volts", "amps", "amps.status", "amps.raw"]
    assert table["t_ns"].to_pylist() == made.t_ns.tolist()
    # Null, not NaN: a tool's own mean leaves nulls out and is spoilt by NaN.
    assert table["amps"].null_count == np.isnan(made.values["amps"]).sum()
    assert table["amps"].to_pylist()[4] == 2.0
    metadata = table.schema.metadata or {}
    assert metadata[b"lyewatch.run"] == b"run"
    assert metadata[b"lyewatch.bench"] == b"torch bench"
    assert metadata[b"lyewatch.source"] == b"stack"
    assert metadata[b"lyewatch.start_utc_ns"] == b"1700000000000000000"
    assert (table.schema.field("volts").metadata or {})[b"unit"] == b"V"
    chunk = pq.ParquetFile(backend.path("run", "p")).metadata.row_group(0).column(2)
    assert chunk.compression == "ZSTD"


def test_bench_and_units_come_from_the_run(tmp_path: Path) -> None:
    with Store(tmp_path, writer=True) as store:
        metadata = '{"channels": {"volts": {"unit": "V"}, "amps": {"unit": "A"}}}'
        run = store.logbook.create_run(bench="torch bench", build="B", bench_json=metadata)
        store.commit([(run.id, sample("stack", k)) for k in range(3)], full=True)
        store.seal(run.id, all_rows=True)
    (file,) = (tmp_path / "segments" / run.id).glob("*.parquet")
    schema = pq.read_schema(file)
    assert (schema.metadata or {})[b"lyewatch.bench"] == b"torch bench"
    assert (schema.field("amps").metadata or {})[b"unit"] == b"A"


def test_a_file_is_whole_or_not_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from daq.store.parquet import files as _parquet

    backend, made = ParquetBackend(tmp_path), block("stack", 50)
    backend.write("run", segment_for(made), made, ABOUT)

    def half(path: Path, *_: object) -> None:
        path.write_bytes(b"PAR1 half of it")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(_parquet, "write_file", half)
    with pytest.raises(StoreError, match="the disk is full"):
        backend.write("run", segment_for(made), block("stack", 99), ABOUT)
    assert [p.name for p in (tmp_path / "run").iterdir()] == ["p.parquet"]
    assert_same(backend.read("run", [segment_for(made)], raw=True)[0], made)


def test_a_file_cut_anywhere_is_said_to_be_damaged(tmp_path: Path) -> None:
    backend, made = ParquetBackend(tmp_path), block("stack", 200)
    backend.write("run", segment_for(made), made, ABOUT)
    path = backend.path("run", "p")
    whole = path.read_bytes()
    for size in [*range(40), *range(40, len(whole), 97), *range(len(whole) - 40, len(whole))]:
        path.write_bytes(whole[:size])
        with pytest.raises(StoreCorrupt) as caught:
            backend.read("run", [segment_for(made)], raw=True)
        assert str(path) in str(caught.value)
        assert caught.value.remedy


def test_no_flipped_bit_of_the_data_goes_unnoticed(tmp_path: Path) -> None:
    """Every data page carries a CRC-32 (Parquet format, PageHeader.crc)."""
    backend, made = ParquetBackend(tmp_path), block("stack", 3000)
    backend.write("run", segment_for(made), made, ABOUT)
    path = backend.path("run", "p")
    whole = path.read_bytes()
    footer = len(whole) - 8 - int.from_bytes(whole[-8:-4], "little")
    rng = random.Random(5)
    noticed = 0
    for _ in range(400):
        at = rng.randrange(4, footer)
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 1 << rng.randrange(8)]) + whole[at + 1 :])
        try:
            (found,) = backend.read("run", [segment_for(made)], raw=True)
        except StoreCorrupt:
            noticed += 1
        else:
            # A page's header also says what nobody needs, such as statistics.
            assert_same(found, made)
    assert noticed > 300


def test_no_flipped_bit_of_the_footer_lets_a_foreign_exception_out(tmp_path: Path) -> None:
    backend, made = ParquetBackend(tmp_path), block("stack", 30)
    backend.write("run", segment_for(made), made, ABOUT)
    path = backend.path("run", "p")
    whole = path.read_bytes()
    footer = len(whole) - 8 - int.from_bytes(whole[-8:-4], "little")
    noticed = 0
    for at in range(footer, len(whole)):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 1 << at % 8]) + whole[at + 1 :])
        try:
            backend.read("run", [segment_for(made)], raw=True)
        except StoreError:
            noticed += 1
    assert noticed > 50


def test_a_damaged_or_foreign_file_is_left_out_of_a_survey(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    backend, made = ParquetBackend(tmp_path), block("stack", 10)
    for name in ("good", "cut"):
        backend.write("run", segment_for(made, name=name), made, ABOUT)
    backend.path("run", "cut").write_bytes(backend.path("run", "cut").read_bytes()[:-9])
    pq.write_table(
        pq.read_table(backend.path("run", "good")).replace_schema_metadata(), tmp_path / "run" / "x.parquet"
    )
    assert [p.name for p in backend.survey()] == ["good"]
    assert "cut.parquet" in caplog.text
