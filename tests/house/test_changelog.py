"""The changelog has the form of Keep a Changelog 1.1.0, and its newest version is the package's."""

from __future__ import annotations

import re
from datetime import date

import daq
from tests.house.source_files import ROOT

LINES = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8").splitlines()
KINDS = {"Added", "Changed", "Deprecated", "Removed", "Fixed", "Security"}
"""The kinds of change that Keep a Changelog names."""


def test_versions_are_dated_and_the_newest_is_the_packages() -> None:
    heads = [line for line in LINES if line.startswith("## ")]
    assert heads[0] == "## [Unreleased]"
    versions = [re.fullmatch(r"## \[(\d+\.\d+\.\d+)\] - (\d{4}-\d{2}-\d{2})", head) for head in heads[1:]]
    dated = [(found[1], date.fromisoformat(found[2])) for found in versions if found is not None]
    assert len(dated) == len(heads) - 1
    assert dated[0][0] == daq.__version__
    assert [day for _, day in dated] == sorted((day for _, day in dated), reverse=True)


def test_changes_are_of_the_known_kinds() -> None:
    assert {line[4:] for line in LINES if line.startswith("### ")} <= KINDS
