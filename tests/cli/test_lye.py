"""`lyewatch lye`: entries kept as marks, and the strength that follows."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from daq.cli import main
from daq.store import Store
from tests.study.stored_runs import bench_text, sent, store_run


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A store with a run of ten minutes."""
    folder, text = tmp_path_factory.mktemp("lye"), bench_text()
    _, block = sent(text, seconds=600)
    with Store(folder) as store:
        return folder, store_run(store, text, block, build="A", day=0)


def printed_json(capsys: pytest.CaptureFixture[str], *arguments: str) -> Any:
    """What a command prints as JSON."""
    assert main(["lye", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_strength_and_entries_of_a_run(stored: tuple[Path, str], capsys: pytest.CaptureFixture[str]) -> None:
    where = ("latest", "--store", str(stored[0]))
    before = printed_json(capsys, *where)
    assert before["start"]["percent"]["value"] == pytest.approx(20.0)
    assert before["end"]["percent"]["value"] > 20.0
    kept = printed_json(
        capsys, *where, "--top-up", "--ml", "100", "--error", "3", "--at", "300", "--who", "Ada"
    )
    assert kept == {"run": stored[1], "t_s": 300.0, "message": "Topped up 100 ± 3 mL of water"}
    after = printed_json(capsys, *where)
    assert after["end"]["percent"]["value"] < before["end"]["percent"]["value"] - 1.5
    assert after["entries"][0]["before_percent"] - after["entries"][0]["after_percent"] > 1.5
    printed_json(capsys, *where, "--density", "1170", "--temp", "25", "--at", "500")
    assert main(["lye", *where]) == 0
    text = capsys.readouterr().out
    for part in ("KOH, % by mass", "Topped up 100 ± 3 mL of water", "1170 ± 4 kg/m³ at 25 °C"):
        assert part in text


def test_entries_that_can_not_be(stored: tuple[Path, str], capsys: pytest.CaptureFixture[str]) -> None:
    where = ("latest", "--store", str(stored[0]))
    for arguments, words in (
        (("--top-up",), "needs millilitres or grams"),
        (("--density", "1.17", "--temp", "25"), "900"),
        (("--level", "--litres", "1"), "has ended"),
        (("--ml", "100"), "what"),
    ):
        assert main(["lye", *where, *arguments]) in (1, 2)
        assert words in capsys.readouterr().err


def test_review_and_export_take_the_lye_from_the_same_place(
    stored: tuple[Path, str], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    here = printed_json(capsys, "latest", "--store", str(stored[0]))
    assert main(["review", "latest", "--store", str(stored[0]), "--json"]) == 0
    lye = json.loads(capsys.readouterr().out)["lye"]
    assert lye["end"]["percent"] == pytest.approx(here["end"]["percent"], rel=1e-9)
    assert main(["review", "latest", "--store", str(stored[0])]) == 0
    assert "lye, koh: at the start, at the end" in capsys.readouterr().out.lower()
    file = tmp_path / "numbers.csv"
    assert main(["export", "latest", str(file), "--numbers", "--store", str(stored[0])]) == 0
    head = file.read_text(encoding="utf-8").partition("\n")[0]
    assert "lye_percent" in head
    assert "lye_percent.u95" in head
