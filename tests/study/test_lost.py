"""A run of which something is lost: reviewed and exported as far as it goes, and what is lost is named."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from daq.bench import parse_bench
from daq.cli import main
from daq.examples import example_text
from daq.store import Gap, Store
from daq.store._blocks import sliced
from daq.study.tables.log_import import import_log
from tests.study.stored_runs import START_NS, bench_text, sent


@pytest.fixture
def damaged(tmp_path: Path) -> tuple[Path, str, Path]:
    """A store, a run of ten minutes in it, and the one of its three segments that is damaged."""
    text = bench_text()
    bench, block = sent(text, seconds=600)
    with Store(tmp_path / "store") as store:
        run = store.logbook.create_run(bench=bench.name, start_utc_ns=START_NS, bench_toml=text)
        for part in sliced(block, len(block) // 3):
            store.add_blocks(run.id, [part])
        store.logbook.add_gap(Gap(run.id, 10**9, 3 * 10**9, 20, "the disk was full", "head"))
        store.logbook.stop_run(run.id, int(block.t_ns[-1]))
        path = store.folder / "segments" / run.id / f"{store.segments.of(run.id)[1].name}.parquet"
    content = bytearray(path.read_bytes())
    content[200:2000] = np.random.default_rng(1).bytes(1800)
    path.write_bytes(content)
    return tmp_path / "store", run.id, path


def test_a_review_names_what_is_lost(
    damaged: tuple[Path, str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    folder, run_id, path = damaged
    assert main(["review", run_id, "--store", str(folder), "--json"]) == 0
    body = json.loads(capsys.readouterr().out)
    dropped, lost = body["gaps"]["not_kept"]
    assert dropped == {
        "source": "head",
        "from_s": 1.0,
        "to_s": 3.0,
        "samples": 20,
        "why": "the disk was full",
    }
    assert lost["source"] == "head"
    assert 150 < lost["from_s"] < 250 < 350 < lost["to_s"] < 450
    assert path.name in lost["why"]
    assert sum(body["samples"].values()) + lost["samples"] in (1199, 1200)
    assert any(path.name in note for note in body["notes"])
    assert body["gaps"]["count"] == 1
    assert main(["review", run_id, "--store", str(folder)]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert "20 samples of head from 1.0 s to 3.0 s were not kept: the disk was full" in printed
    assert "can not be read" in printed


def test_an_export_names_what_is_lost(
    damaged: tuple[Path, str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, run_id, path = damaged
    assert main(["export", run_id, str(tmp_path / "x.csv"), "--store", str(folder), "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert 790 <= result["rows"] <= 810
    assert len(result["notes"]) == 2
    assert main(["export", run_id, str(tmp_path / "x.csv"), "--store", str(folder)]) == 0
    assert path.name in capsys.readouterr().out


def test_the_remedy_for_a_damaged_logbook_makes_the_run_reviewable(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = tmp_path / "log.csv"
    log.write_text(
        "elapsed_s,volts,amps,lye_temp\n" + "".join(f"{k},12.1,8,{40 + k / 60}\n" for k in range(300))
    )
    folder = tmp_path / "store"
    with Store(folder) as store:
        done = import_log(store, parse_bench(example_text("water_torch"), Path("torch.toml")), log)
    assert main(["review", "latest", "--store", str(folder), "--json"]) == 0
    before = json.loads(capsys.readouterr().out)
    (folder / "logbook.db").write_bytes(b"this is no database at all " * 1000)
    assert main(["runs", "--store", str(folder)]) == 1
    assert "`lyewatch runs --rebuild`" in capsys.readouterr().err
    for end in ("", "-wal", "-shm"):
        if (file := folder / f"logbook.db{end}").exists():
            file.rename(folder / f"aside{end}")
    assert main(["runs", "--rebuild", "--store", str(folder)]) == 0
    assert f"1 runs made again: {done.run_id}" in capsys.readouterr().out
    assert main(["review", "latest", "--store", str(folder), "--json"]) == 0
    after = json.loads(capsys.readouterr().out)
    assert after["run"] == before["run"]
    assert after["numbers"] == before["numbers"]
    assert after["totals"] == before["totals"]


def test_an_import_that_dies_leaves_no_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = tmp_path / "log.csv"
    log.write_text("elapsed_s,volts\n0,12.1\n1,12.2\n")
    bench = parse_bench(example_text("water_torch"), Path("torch.toml"))

    def die(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with Store(tmp_path / "store") as store:
        with monkeypatch.context() as patched:
            patched.setattr("daq.study.tables.log_import.replay_events", die)
            with pytest.raises(KeyboardInterrupt):
                import_log(store, bench, log)
        assert store.logbook.list_runs() == []
        done = import_log(store, bench, log)
        (record,) = store.logbook.list_runs()
        assert (record.id, record.ended_ns, record.rows) == (done.run_id, 10**9, 2)
        # One of an older version that died: it has no samples, and is not the latest to look at.
        store.logbook.create_run(bench=bench.name, kind="import", bench_toml=bench.text)
    assert main(["review", "latest", "--store", str(tmp_path / "store"), "--json"]) == 0
