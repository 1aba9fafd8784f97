"""In CI a skipped browser or server test fails the session; elsewhere it does not."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.house.source_files import ROOT

CONFTEST = """
from tests import ci_rule

def pytest_configure(config):
    config.addinivalue_line("markers", "browser: a")
    config.addinivalue_line("markers", "server: b")
    ci_rule.watch_skips(config)
"""
SKIPPED_BROWSER = """
import pytest
@pytest.mark.browser
def test_it():
    pytest.skip("no browser")
def test_other():
    assert 1 + 1 == 2
"""
SKIPPED_OTHER = """
import pytest
def test_it():
    pytest.skip("not on this system")
def test_other():
    assert 1 + 1 == 2
"""
SKIPPED_MODULE = """
import pytest
pytest.skip("nothing here", allow_module_level=True)
"""
MISSING = """
import pytest
from tests.ci_rule import missing_program
@pytest.mark.server
def test_it():
    missing_program("mosquitto", "apt-get install mosquitto")
def test_other():
    assert 1 + 1 == 2
"""


def session(folder: Path, test_file: str, *, ci: bool, workers: int = 0) -> subprocess.CompletedProcess[str]:
    """A pytest session of its own over one file."""
    (folder / "conftest.py").write_text(CONFTEST, encoding="utf-8")
    (folder / "test_sample.py").write_text(test_file, encoding="utf-8")
    environment = {name: value for name, value in os.environ.items() if name != "CI"}
    environment["PYTHONPATH"] = str(ROOT)
    if ci:
        environment["CI"] = "true"
    return subprocess.run(
        [
            sys.executable,
            "-m",
            "pytest",
            "-q",
            "-rs",
            "-p",
            "no:cacheprovider",
            *(["--numprocesses", str(workers)] if workers else []),
            "--rootdir",
            str(folder),
            str(folder),
        ],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("workers", [0, 2], ids=["alone", "in parallel"])
@pytest.mark.parametrize(
    ("test_file", "in_ci"), [(SKIPPED_BROWSER, 1), (SKIPPED_OTHER, 0), (SKIPPED_MODULE, 1), (MISSING, 1)]
)
def test_skips_fail_ci_where_they_hide_a_missing_program(
    tmp_path: Path, test_file: str, in_ci: int, workers: int
) -> None:
    done = session(tmp_path, test_file, ci=True, workers=workers)
    assert done.returncode == in_ci, done.stdout


@pytest.mark.parametrize("test_file", [SKIPPED_BROWSER, SKIPPED_OTHER, MISSING])
def test_skips_are_only_skips_on_a_contributors_machine(tmp_path: Path, test_file: str) -> None:
    done = session(tmp_path, test_file, ci=False)
    assert done.returncode == 0, done.stdout
    assert "1 passed, 1 skipped" in done.stdout


def test_the_reason_names_the_program_and_the_remedy(tmp_path: Path) -> None:
    for ci in (False, True):
        output = session(tmp_path, MISSING, ci=ci).stdout
        assert "mosquitto is not installed; apt-get install mosquitto" in output


def test_ci_names_what_was_skipped(tmp_path: Path) -> None:
    output = session(tmp_path, SKIPPED_BROWSER, ci=True).stdout
    assert "skipped, which CI forbids" in output
    assert "test_sample.py::test_it" in output
