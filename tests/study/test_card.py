"""The result card: its size, its words, its contrast, and nothing on it without unit, reference and U."""

from __future__ import annotations

import json
import re
import struct
import zlib
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from matplotlib import colors

from daq.cli import main
from daq.frame import Block
from daq.store import RunRecord, Store
from daq.study.render.pictures import FIRST, FOURTH, INK, QUIET, SECOND, SHADES, SHEET, THIRD
from daq.study.review import Review, review
from daq.study.review.card import HEIGHT, WIDTH, card_dict, card_facts, result_card
from daq.theme import colours
from tests.study.made_run import torch, workshop_run
from tests.study.stored_runs import bench_text, store_run
from tests.watch.workshop import S, run_of
from tests.watch.workshop import bench as any_bench

RECORD = RunRecord(
    "20260711-101500", "water-torch", "run", "first light", "A: plates as cut", 1_783_764_900 * S
)


@cache
def made() -> Review:
    return review(torch(), workshop_run(), record=RECORD)


def chunks(png: bytes) -> dict[bytes, list[bytes]]:
    """A PNG's chunks by name (ISO/IEC 15948), their check sums checked."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    found: dict[bytes, list[bytes]] = {}
    at = 8
    while at < len(png):
        (size,) = struct.unpack(">I", png[at : at + 4])
        name, data = png[at + 4 : at + 8], png[at + 8 : at + 8 + size]
        assert struct.unpack(">I", png[at + 8 + size : at + 12 + size]) == (zlib.crc32(name + data),)
        found.setdefault(name, []).append(data)
        at += 12 + size
    return found


def test_it_is_one_picture_of_the_size_that_pages_share() -> None:
    png = result_card(made())
    found = chunks(png)
    assert struct.unpack(">II", found[b"IHDR"][0][:8]) == (1200, 630) == (WIDTH, HEIGHT)
    assert len(png) < 300_000
    assert png == result_card(made()), "the same run is the same file"
    words = b" ".join(found.get(b"tEXt", []) + found.get(b"iTXt", []))
    assert b"Description" in words


def test_no_number_stands_without_unit_reference_and_u() -> None:
    facts = card_facts(made())
    assert re.fullmatch(r"4\.\d\d ± 0\.\d\d", facts.headline)
    assert facts.unit == "mL/min/W"
    assert "0 °C, 101.325 kPa" in facts.basis
    assert "k = 2" in facts.basis
    for label, number in facts.facts:
        assert " ± " in number, label
        if "efficiency" not in label.lower():
            assert re.search(r"[A-Za-z°]+$", number), (label, number)
    for _, words in facts.spent.values():
        assert " ± " in words
        assert words.endswith(" W")
    assert sum(share for share, _ in facts.spent.values()) == pytest.approx(1.0)


def test_it_says_build_conditions_duration_and_limits() -> None:
    facts = card_facts(made())
    assert facts.build == "A: plates as cut"
    assert "6 cells" in facts.stack
    assert "KOH 20 % by mass" in facts.stack
    assert "steady" in facts.held
    assert "2026-07-11" in facts.when
    assert any("One run" in text for text in facts.limits)
    assert any("variance behind U comes from gas flow" in text for text in facts.limits)
    assert "no fuel saving" in facts.foot
    svg = result_card(made(), "svg").decode("utf-8")
    for words in ("A: plates as cut", "measured, dry ± U", "no cell can pass", "What limits this"):
        assert words in svg, words


def test_words_stand_out_from_the_paper() -> None:
    def light(colour: str) -> float:
        parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in colors.to_rgb(colour)]
        return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]

    def ratio(a: str, b: str) -> float:
        high, low = sorted((light(a), light(b)), reverse=True)
        return (high + 0.05) / (low + 0.05)

    assert ratio("#767676", "white") == pytest.approx(4.5422, abs=1e-4)  # WCAG 2.2's own example
    for ink in (INK, QUIET, FIRST, SECOND, THIRD, FOURTH, colours()["medium"]):
        assert ratio(ink, SHEET) >= 4.5, ink
    assert ratio(SHEET, FIRST) >= 4.5
    for shade in SHADES:
        assert ratio(INK, shade) >= 4.5, shade
    dark = colours("dark")
    for name in ("ink", "ink-2", "trace", "second", "third", "fourth"):
        assert ratio(dark[name], dark["sheet"]) >= 4.5, name
    for k in range(5):
        assert ratio(dark["ink"], dark[f"shade-{k}"]) >= 4.5, k


def test_a_run_without_gas_has_a_card_that_says_so() -> None:
    poor = review(any_bench({"amps": "head", "volts": "head"}), [run_of(600.0)])
    facts = card_facts(poor)
    assert facts.headline == ""
    assert result_card(poor)[:4] == b"\x89PNG"
    empty = review(torch(), [])
    assert "never powered" in card_facts(empty).limits[-1]
    assert result_card(empty)[:4] == b"\x89PNG"


def test_a_finding_comes_first() -> None:
    body = made().as_dict()
    assert body["findings"] == [] or card_facts(made()).limits[0].startswith("Finding")
    json.dumps(card_dict(made()), allow_nan=False)


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "store"
    with Store(folder, writer=True) as store:
        whole = workshop_run(gap=False)[0]
        rows = np.arange(4, len(whole), 5)
        few = Block("head", whole.t_ns[rows], whole.seq[rows], {c: v[rows] for c, v in whole.values.items()})
        run_id = store_run(store, bench_text(), few, build="A", day=0)
    file = tmp_path / "card.png"
    assert main(["card", run_id, "--store", str(folder), "--png", str(file)]) == 0
    assert "card written" in capsys.readouterr().out
    assert struct.unpack(">II", file.read_bytes()[16:24]) == (1200, 630)
    assert main(["card", run_id, "--store", str(folder), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["schema"] == "lyewatch.card/1"
