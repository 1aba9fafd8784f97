"""The glossary has every key of the bench file, every number and every priority, and no word twice."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from typing import get_args

from pydantic import BaseModel

from daq.alarms import Priority
from daq.bench import Bench
from daq.measure import NUMBERS
from daq.service.glossary import entries, glossary_section
from tests.house.source_files import ROOT

TEXT = (ROOT / "docs" / "glossary.md").read_text(encoding="utf-8")
ROWS = [line.split(" | ") for line in TEXT.splitlines() if line.startswith("| ") and "---" not in line]
WORDS = [row[0].removeprefix("| ") for row in ROWS if row[0] != "| word"]


def bench_file_keys(table: type[BaseModel], seen: set[type[BaseModel]]) -> Iterator[str]:
    """Keys of a table of the bench file and of all tables below it."""
    if table in seen:
        return
    seen.add(table)
    for name, field in table.model_fields.items():
        yield field.alias or name
        below = [field.annotation]
        while below:
            kind = below.pop()
            below += get_args(kind)
            if isinstance(kind, type) and issubclass(kind, BaseModel):
                yield from bench_file_keys(kind, seen)


def test_every_key_of_the_bench_file_is_in_it() -> None:
    known = set(re.findall(r"[a-z][a-z0-9_]*", TEXT.lower()))
    assert {key for key in bench_file_keys(Bench, set()) if key.lower() not in known} == set()


def test_every_number_is_in_it_by_the_name_the_pages_show() -> None:
    assert [spec.label for spec in NUMBERS if spec.label not in TEXT] == []


def test_every_priority_is_in_it() -> None:
    assert [p.name.lower() for p in Priority if f"`{p.name.lower()}`" not in TEXT] == []


def test_no_word_has_two_meanings() -> None:
    apart = [word.split(";" if ";" in word else ",") for word in WORDS]
    terms = Counter(term.strip().lower() for terms in apart for term in terms)
    assert [term for term, count in terms.items() if count > 1] == []


def test_what_the_pages_explain_is_in_it_word_for_word() -> None:
    section = TEXT.partition("## What the pages explain\n")[2].partition("\n\n")[2].rstrip("\n")
    assert section == glossary_section(), "write the section anew: daq.service.glossary.glossary_section()"


def test_every_number_and_every_phase_is_explained() -> None:
    known = {entry.key for entry in entries()}
    assert [spec.key for spec in NUMBERS if spec.key not in known] == []
    assert {"warm_up", "steady", "cool_down", "supply_off", "disturbed"} <= known
    assert {priority.name.lower() for priority in Priority} <= known
    assert all(entry.what and entry.how and entry.good for entry in entries())


def test_every_word_names_where_it_is_from() -> None:
    assert [row for row in ROWS if len(row) != 3 or not row[2].strip(" |")] == []
