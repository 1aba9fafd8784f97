"""Many runs in one pass: the same sums as reading each, files that do not count left out, memory bounded.

Outside check: numpy over what `Store.read` gives; object storage is a server that speaks what Arrow's S3
client asks.
"""

from __future__ import annotations

import math
import re
import threading
from collections.abc import Iterator
from email.utils import formatdate
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs, unquote, urlsplit

import numpy as np
import orjson
import pytest

from daq.cli import main
from daq.errors import StoreCorrupt, UsageError
from daq.frame import Block
from daq.store import Store
from daq.study.tables.scan import by_build, live_files, named_now, scan_runs
from tests.store.made import sample


def made(rows: int, run: int) -> Block:
    rng = np.random.default_rng(run)
    amps = np.where(np.arange(rows) < rows // 4, 0.0, 8 + rng.normal(0, 1, rows))
    volts = 12 + rng.normal(0, 1, rows)
    temp = 30 + run + np.arange(rows) / rows
    temp[5] = np.nan
    values = {"volts": volts, "amps": amps, "lye_temp": temp, "gas_flow": amps * 0.07, "other": volts}
    return Block("head", np.arange(rows, dtype=np.int64) * 100_000_000, np.arange(rows), values)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "store", writer=True) as opened:
        for k in range(6):
            run = opened.logbook.create_run(
                bench="bench", build="AB"[k % 2], start_utc_ns=1_700_000_000_000_000_000 + k * 10**12
            ).id
            opened.add_blocks(
                run, [made(2000, k), Block("room", np.arange(9), np.arange(9), {"room_temp": np.ones(9)})]
            )
        yield opened


def test_the_sums_are_those_of_each_run(store: Store) -> None:
    scan = scan_runs(store.folder / "segments")
    assert [r.run for r in scan.runs] == sorted(r.id for r in store.logbook.list_runs())
    assert scan.files == 12
    for run in scan.runs:
        block = store.read(run.run)["head"]
        on = block.values["amps"] > 0.3
        power = (block.values["volts"] * block.values["amps"])[on]
        assert run.rows == np.count_nonzero(on) + 9
        for channel in ("volts", "amps", "lye_temp", "gas_flow"):
            values = block.values[channel][on]
            assert run.channels[channel].mean == pytest.approx(np.nanmean(values), rel=1e-12)
            assert run.channels[channel].highest == np.nanmax(values)
        assert run.mmw_as_read == pytest.approx(
            1000 * block.values["gas_flow"][on].sum() / power.sum(), rel=1e-12
        )
    everything = scan_runs(store.folder / "segments", powered_above_amps=None)
    assert everything.rows == 6 * 2009
    one = scan_runs(store.folder / "segments", runs=[scan.runs[2].run])
    assert [r.run for r in one.runs] == [scan.runs[2].run]


def test_a_build_is_the_mean_of_its_runs(store: Store) -> None:
    runs = scan_runs(store.folder / "segments").runs
    a, b = by_build(runs)
    mine = [r.mmw_as_read for r in runs if r.build == "A"]
    assert (a.build, a.runs, b.build, b.runs) == ("A", 3, "B", 3)
    assert a.mmw_as_read == pytest.approx(np.mean(np.array(mine, dtype=float)))
    assert a.mmw_se == pytest.approx(np.std(np.array(mine, dtype=float), ddof=1) / math.sqrt(3))
    assert b.highest_lye_temp == pytest.approx(30 + 5 + 1999 / 2000)


def test_pieces_that_were_merged_do_not_count_twice(tmp_path: Path) -> None:
    """The small files stay for a minute after they were merged."""
    with Store(tmp_path, writer=True) as store:
        run = store.logbook.create_run(bench="b").id
        for k in range(30):
            store.commit([(run, sample("stack", 10 * k + j)) for j in range(10)], full=False)
            store.seal(run, all_rows=k % 2 == 0)
        assert len(list((tmp_path / "segments" / run).iterdir())) > 10
        assert scan_runs(tmp_path / "segments", powered_above_amps=None).rows == 300 - store.journal.count(
            run
        )


def test_names_tell_what_counts() -> None:
    merged, young, other = "000000000001-a-1-20.parquet", "000000000021-a.parquet", "000000000011-b.parquet"
    apart = ["import-77-000000-a.parquet", "m-000000000001-c.parquet"]
    doubled = ["000000000001-a.parquet", "000000000011-a.parquet"]
    found = live_files([*doubled, merged, young, other, *apart, "x.parquet.part"])
    assert found == [merged, other, young, *apart]


def test_memory_is_a_few_batches_however_many_runs(tmp_path: Path) -> None:
    """40 runs of 40,000 rows are 64 MB as columns; what is held at a time is a fraction of that."""
    with Store(tmp_path, writer=True) as store:
        for k in range(40):
            run = store.logbook.create_run(bench="b", start_utc_ns=10**18 + k * 10**12).id
            store.add_blocks(run, [made(40_000, k)])
    assert 0 < scan_runs(tmp_path / "segments").peak_bytes < 25e6


def test_what_can_not_be_scanned_is_said(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="holds no runs"):
        scan_runs(tmp_path)
    with pytest.raises(UsageError, match="no place to read from"):
        scan_runs("nowhere://x/y")
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "a.parquet").write_bytes(b"PAR1 not at all")
    with pytest.raises(StoreCorrupt, match="can not be scanned"):
        scan_runs(tmp_path)


def test_the_command(store: Store, capsys: pytest.CaptureFixture[str]) -> None:
    where = str(store.folder / "segments")
    assert main(["scan", where]) == 0
    out = capsys.readouterr().out
    assert re.search(r"^ *A +3 ", out, re.MULTILINE)
    assert "6 runs" in out
    assert "MB held at a time" in out
    assert main(["scan", where, "--runs", "--json"]) == 0
    result = orjson.loads(capsys.readouterr().out)
    assert len(result["lines"]) == 6
    assert result["lines"][0]["mean_watts"] is None
    assert result["lines"][0]["mmw_as_read"] == pytest.approx(5.8, rel=0.1)


# -- object storage ----------------------------------------------------------------------------------------


def test_a_build_that_was_renamed_is_scanned_under_its_new_name(
    store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its files carry the name that it was recorded under; the logbook knows better."""
    run = next(r for r in store.logbook.list_runs() if r.build == "A")
    store.logbook.rename_run(run.id, name=run.name, build="A, plates sanded")
    segments = store.folder / "segments"
    builds = {r.id: r.build for r in store.logbook.list_runs()}
    renamed = {b.build: b.runs for b in by_build(named_now(scan_runs(segments).runs, builds))}
    assert renamed == {"A": 2, "A, plates sanded": 1, "B": 3}
    assert main(["scan", str(segments), "--json"]) == 0
    lines = orjson.loads(capsys.readouterr().out)["lines"]
    assert {line["build"]: line["runs"] for line in lines} == renamed


class _Bucket(BaseHTTPRequestHandler):
    """A folder as a bucket: what Arrow's S3 client asks of it, reading only."""

    protocol_version = "HTTP/1.1"
    root: Path

    def _answer(self, status: int, body: bytes, kind: str = "application/xml", **headers: str) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", headers.pop("length", str(len(body))))
        self.send_header("Last-Modified", formatdate(usegmt=True))
        self.send_header("ETag", '"1"')
        for name, value in headers.items():
            self.send_header(name.replace("_", "-"), value)
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(body)

    def do_HEAD(self) -> None:
        path = self.root / unquote(urlsplit(self.path).path).lstrip("/").partition("/")[2]
        if path.is_file():
            self._answer(200, b"", "application/octet-stream", length=str(path.stat().st_size))
        else:
            self._answer(404, b"")

    def do_GET(self) -> None:
        parts = urlsplit(self.path)
        key = unquote(parts.path).lstrip("/").partition("/")[2]
        if not key:
            self._list(parse_qs(parts.query).get("prefix", [""])[0])
            return
        data = (self.root / key).read_bytes()
        asked = re.fullmatch(r"bytes=(\d+)-(\d*)", self.headers.get("Range", ""))
        if asked is None:
            self._answer(200, data, "application/octet-stream")
            return
        first, last = int(asked[1]), int(asked[2] or len(data) - 1)
        part = data[first : last + 1]
        where = f"bytes {first}-{first + len(part) - 1}/{len(data)}"
        self._answer(206, part, "application/octet-stream", Content_Range=where)

    def _list(self, prefix: str) -> None:
        found = [p for p in sorted(self.root.rglob("*")) if p.is_file()]
        keys = [(p.relative_to(self.root).as_posix(), p.stat().st_size) for p in found]
        entries = "".join(
            f"<Contents><Key>{k}</Key><Size>{s}</Size><LastModified>2026-01-01T00:00:00.000Z</LastModified></Contents>"
            for k, s in keys
            if k.startswith(prefix)
        )
        body = f"<ListBucketResult><Name>b</Name><IsTruncated>false</IsTruncated>{entries}</ListBucketResult>"
        self._answer(200, body.encode())

    def log_message(self, *_: object) -> None:
        pass


def test_the_same_query_over_object_storage(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    handler = type("Bucket", (_Bucket,), {"root": store.folder})
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
    thread.start()
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "a")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "b")
    monkeypatch.setenv("AWS_EC2_METADATA_DISABLED", "true")
    uri = f"s3://bucket/segments?scheme=http&endpoint_override=127.0.0.1:{server.server_address[1]}&region=x"
    try:
        far, near = scan_runs(uri), scan_runs(store.folder / "segments")
    finally:
        server.shutdown()
        server.server_close()
    assert [r.line for r in far.runs] == [r.line for r in near.runs]
    assert (far.files, far.rows) == (near.files, near.rows)
