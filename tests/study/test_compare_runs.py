"""Recorded runs of a simulated bench compared, against what the simulation knows, and all that is written."""

from __future__ import annotations

import json
import struct
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Page

from daq.cli import main
from daq.store import Store
from daq.study.compare.comparison import compare_groups, group_runs
from daq.study.compare.document import comparison_document
from daq.study.compare.picture import comparison_picture
from daq.study.compare.result import as_dict
from daq.study.compare.run_blocks import read_run, run_blocks
from daq.study.render import as_text
from tests.study.stored_runs import bench_text, sent, store_run

# A barometer on the bench: without it the weather of two days would hide what is to be seen.
PRESSURE = {"altitude_m = 240 ": "pressure_kpa = 98.5 "}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with two runs of build A and two of B, which leaks half as much, on unequal days."""
    where = tmp_path_factory.mktemp("runs") / "store"
    text = bench_text(**PRESSURE)
    with Store(where, writer=True) as store:
        for day, (build, leak, room) in enumerate(
            [("A", 0.5, 19.0), ("B: sealed", 0.25, 22.5), ("B: sealed", 0.25, 20.0), ("A", 0.5, 21.0)]
        ):
            _, block = sent(text, seconds=1500, seed=day, leak_siemens=leak, room_c=room)
            store_run(store, text, block, build=build, day=day)
    return where


def test_the_leak_that_was_sealed_is_found(folder: Path) -> None:
    with Store(folder) as store:
        records = sorted(store.logbook.list_runs(limit=10), key=lambda r: r.start_utc_ns)
        runs = [read_run(store, r, 60) for r in records]
    (c,) = compare_groups(group_runs(runs))
    assert c.repeated
    d = c.difference("faradaic_efficiency")
    # The simulation's leak is 0.5 S and 0.25 S at 25 degC and follows the lye's conductivity: at some 42 degC
    # and 2.2 V a cell about 0.55 A less of 17.9 A.
    assert d.low <= 0.035 <= d.high
    assert d.low > 0.0
    leak = c.difference("leak_amps")
    assert leak.high < 0.0
    resistance = c.difference("thermal_resistance")
    assert resistance.low < 0.0 < resistance.high, "nothing about the housing was changed"
    assert "better than A" in as_text(comparison_document([c]))
    json.dumps(as_dict([c]), allow_nan=False)


def test_reading_in_pieces_is_reading_at_once(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Store(folder) as store:
        record = store.logbook.list_runs(limit=1)[0]
        monkeypatch.setattr("daq.study.compare.run_blocks.CHUNK_NS", 311 * 1_000_000_000)
        seen: list[float] = []
        pieces = read_run(store, record, 60, seen.append)
        whole = run_blocks(sent(bench_text(**PRESSURE), seconds=1)[0], [store.read(record.id)], record=record)
    assert pieces.at.tolist() == whole.at.tolist()
    for key, response in whole.responses.items():
        assert pieces.responses[key].value == pytest.approx(response.value, rel=1e-9, nan_ok=True)
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
    assert whole.shared["gas_flow: accuracy"]
    assert not any(v for k, v in whole.shared.items() if "resolution" in k)


def test_the_command_writes_all_its_forms(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Store(folder) as store:
        ids = sorted(r.id for r in store.logbook.list_runs(limit=10))
    page, picture = tmp_path / "c.html", tmp_path / "c.png"
    assert main(["compare", *ids, "--store", str(folder), "--html", str(page), "--png", str(picture)]) == 0
    printed = capsys.readouterr().out
    assert printed.splitlines()[1].startswith(
        ("B: sealed is better than A: MMW dry higher by", "Cannot tell the build from the day")
    )
    assert "from run to run" in printed
    assert picture.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">II", picture.read_bytes()[16:24]) == (1200, 630)
    text = page.read_text(encoding="utf-8")
    assert "can detonate" in text
    assert "<svg" in text
    assert "<script" not in text
    assert main(["compare", ids[0], ids[1], "--store", str(folder), "--json", "--matters", "5%"]) == 0
    body = json.loads(capsys.readouterr().out)
    assert body["schema"] == "lyewatch.compare/1"
    assert body["matters"] == 0.05
    (one,) = body["comparisons"]
    assert one["verdict"]["kind"] in ("day", "better")
    assert one["looks"]["count"] >= 1
    assert {d["metric"] for d in one["differences"]} >= {"mmw_dry_ref", "leak_amps", "thermal_resistance"}
    for d in one["differences"]:
        assert d["unit"]
        assert d["value"] is None or d["low95"] <= d["value"] <= d["high95"]
    three = ["compare", *ids[:3], "--by", "run", "--store", str(folder), "--png", str(tmp_path / "t.png")]
    assert main(three) == 0
    assert sorted(f.name for f in tmp_path.glob("t*.png")) == ["t-2.png", "t.png"]
    printed = capsys.readouterr().out
    assert "No change with temperature" in printed or "slopes differ" in printed
    assert "Dry gas is counted at 0 °C, 101.325 kPa; ± is U, k = 2." in printed
    assert main(["compare", ids[0], ids[0], "--store", str(folder)]) == 2
    assert "named twice" in capsys.readouterr().err
    assert main(["compare", ids[0], "--store", str(folder)]) == 2
    assert main(["compare", ids[0], ids[1], "--store", str(folder), "--png", str(tmp_path / "no" / "x")]) == 2
    assert "can not be written" in capsys.readouterr().err


def test_the_picture_is_the_same_file_each_time_and_speaks(folder: Path) -> None:
    with Store(folder) as store:
        records = sorted(store.logbook.list_runs(limit=10), key=lambda r: r.start_utc_ns)[:2]
        (c,) = compare_groups(group_runs([read_run(store, r, 60) for r in records]))
    first, again = (comparison_picture(c, "svg") for _ in range(2))
    assert first == again
    root = ET.fromstring(first)
    words = " ".join("".join(t.itertext()) for t in root.iter("{http://www.w3.org/2000/svg}text"))
    assert "MMW dry [mL/min/W]" in words
    assert "B: sealed" in words
    description = root.find("{http://www.w3.org/2000/svg}desc")
    for part in ("Second less first [% of the first]", "dotted: at all together", "Lye temperature [°C]"):
        assert part in words
    assert description is not None
    assert "for each 10 K" in (description.text or "")
    assert (description.text or "").startswith("Cannot tell the build from the day; ")


@pytest.mark.browser
def test_the_page_stands_in_a_browser(folder: Path, tmp_path: Path, page: Page) -> None:
    with Store(folder) as store:
        ids = sorted(r.id for r in store.logbook.list_runs(limit=10))
    file = tmp_path / "c.html"
    assert main(["compare", *ids, "--store", str(folder), "--html", str(file)]) == 0
    page.goto(file.as_uri())
    assert page.locator("svg[role=img]:visible").count() == 1
    box = page.locator("svg[role=img]:visible").bounding_box()
    assert box is not None
    assert box["width"] > 600
    assert page.get_by_text("MMW dry").count() >= 1
    assert page.get_by_text("95 %, any look").count() >= 1
    wide = page.evaluate("document.documentElement.scrollWidth")
    assert wide <= 1280
    page.set_viewport_size({"width": 390, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 688, "height": 1000})
    assert page.evaluate("document.documentElement.scrollWidth") <= 688, "between the margins of A4"
    assert np.isfinite(box["height"])
