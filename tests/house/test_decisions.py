"""Decisions are short dated records of one form, numbered without a gap."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest

from tests.house.source_files import ROOT

RECORDS = sorted((ROOT / "docs" / "decisions").glob("*.md"))
FORM = re.compile(
    r"# (?P<number>\d{4})\. (?P<title>[^\n]+)\n\n"
    r"Date: (?P<date>\d{4}-\d{2}-\d{2})\n\n"
    r"## Context\n\n(?P<context>[^#]+)\n\n"
    r"## Decision\n\n(?P<decision>[^#]+)\n\n"
    r"## Consequence\n\n(?P<consequence>[^#]+)\n"
)
MOST_WORDS = 200


def test_records_are_numbered_without_a_gap() -> None:
    assert [path.name[:4] for path in RECORDS] == [f"{n:04}" for n in range(1, len(RECORDS) + 1)]


@pytest.mark.parametrize("path", RECORDS, ids=lambda path: path.stem)
def test_a_record_has_the_form(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    found = FORM.fullmatch(text)
    assert found is not None, "number and title, date, context, decision, consequence"
    assert date.fromisoformat(found["date"]) >= date(2026, 11, 25), "the repository is not older"
    slug = re.sub(r"[^a-z0-9]+", "-", found["title"].lower().replace("'", "")).strip("-")
    assert path.stem == f"{found['number']}-{slug}"
    assert len(text.split()) <= MOST_WORDS


def test_they_follow_one_another_in_time() -> None:
    dates = [FORM.fullmatch(path.read_text(encoding="utf-8")) for path in RECORDS]
    days = [found["date"] for found in dates if found is not None]
    assert days == sorted(days)
