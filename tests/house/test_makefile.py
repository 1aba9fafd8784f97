"""The commands that a contributor and CI type."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.house.source_files import ROOT

TARGETS = (
    "setup",
    "demo",
    "test",
    "quick",
    "coverage",
    "pictures",
    "docs",
    "check",
    "format",
    "speed",
    "torture",
    "clean",
    "help",
)


def make(*arguments: str, folder: Path = ROOT) -> subprocess.CompletedProcess[str]:
    """Run make in the repository, or in `folder`, and return what it said."""
    return subprocess.run(
        ["make", "--no-print-directory", *arguments], cwd=folder, capture_output=True, text=True, check=False
    )


@pytest.mark.parametrize("target", TARGETS)
def test_target_exists(target: str) -> None:
    dry = make("--dry-run", target)
    assert dry.returncode == 0, dry.stderr


def test_help_names_every_target() -> None:
    listed = set(re.findall(r"^  make (\w+) ", make("help").stdout, re.MULTILINE))
    assert listed == set(TARGETS)


def test_test_runs_the_checks_first_and_installs_what_tests_need() -> None:
    steps = make("--dry-run", "test").stdout
    places = [
        steps.index(step)
        for step in (
            "ruff format --check",
            "ruff check",
            "bin/mypy",
            "bin/vulture daq docker hatch",
            "install_servers.sh",
            "-m pytest",
        )
    ]
    assert places == sorted(places)


def test_what_must_be_alone_runs_after_the_others() -> None:
    runs = [step for step in make("--dry-run", "test").stdout.splitlines() if "-m pytest" in step]
    (beside, beside_again), (alone, alone_again) = (step.split(" || ") for step in runs)
    assert "--numprocesses auto" in beside
    assert "numprocesses" not in beside_again + alone + alone_again
    for first, again, which in ((beside, beside_again, "-m 'not alone'"), (alone, alone_again, "-m 'alone'")):
        assert which.replace("'alone'", "alone") in first
        assert which in again
        assert "--last-failed" in again, "what fails runs once more, by itself"


def test_quick_leaves_out_what_waits_or_needs_a_program() -> None:
    (run,) = [step for step in make("--dry-run", "quick").stdout.splitlines() if "-m pytest" in step]
    assert "not (alone or browser or server or slow)" in run
    assert "install_servers" not in make("--dry-run", "quick").stdout


def test_setup_works_again_only_when_what_it_read_changed(tmp_path: Path) -> None:
    shutil.copy(ROOT / "Makefile", tmp_path)
    read = [tmp_path / name for name in ("pyproject.toml", "constraints.txt", "hatch_build.py")]
    built = [tmp_path / ".venv" / ".installed", tmp_path / "daq/_built/uplot/uPlot.iife.min.js"]
    for age, paths in ((1000, read), (2000, built)):
        for path in paths:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.touch()
            os.utime(path, (age, age))
    assert "pip install" not in make("--dry-run", "setup", folder=tmp_path).stdout
    os.utime(read[1], (3000, 3000))
    assert "pip install" in make("--dry-run", "setup", folder=tmp_path).stdout
    os.utime(read[1], (1000, 1000))
    built[1].unlink()
    assert (
        "pip install --quiet -c constraints.txt --no-deps"
        in make("--dry-run", "setup", folder=tmp_path).stdout
    )


def test_ci_runs_make_test_as_ci() -> None:
    script = ROOT / ".ci" / "run"
    text = script.read_text(encoding="utf-8")
    assert text.startswith("#!/usr/bin/env bash\n")
    assert "set -euo pipefail" in text
    assert "CI=true make test" in text


@pytest.mark.parametrize(
    ("shell", "script"),
    [
        ("bash", ".ci/run"),
        ("sh", "tests/set_up.sh"),
        ("bash", "tests/install_servers.sh"),
        ("sh", "docker/install.sh"),
    ],
)
def test_scripts_parse(shell: str, script: str) -> None:
    done = subprocess.run([shell, "-n", script], cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def run_script(
    script: str, *arguments: str, path: Path, **environment: str
) -> subprocess.CompletedProcess[str]:
    """Run a script with only the programs in the folder `path`."""
    shell = shutil.which("bash")
    assert shell is not None
    return subprocess.run(
        [shell, str(ROOT / script), *arguments],
        env={"PATH": str(path), **environment},
        capture_output=True,
        text=True,
        check=False,
    )


def program(folder: Path, name: str, text: str) -> None:
    """Put a program of our own into `folder`."""
    file = folder / name
    file.write_text(f"#!/bin/sh\n{text}\n", encoding="utf-8")
    file.chmod(0o755)


def bare_script(folder: Path) -> tuple[Path, str]:
    """A copy of the script for which nothing is installed, and its text: no folder of this machine counts."""
    text = (ROOT / "tests" / "install_servers.sh").read_text(encoding="utf-8")
    text = text.replace("PATH=$PATH:/usr/sbin:/sbin", "").replace("\n/usr/", f"\n{folder}/usr/")
    copy = folder / "install_servers.sh"
    copy.write_text(text, encoding="utf-8")
    return copy, text


def packages(script: str) -> str:
    """Every package that the script's own list names; none of their programs is on the made-up path."""
    listed = script.split('needed="')[1].split('"')[0].split()[1::2]
    assert {"chromium", "libatomic1"} <= set(listed)
    return " ".join(listed)


def test_an_old_python_is_refused_by_version(tmp_path: Path) -> None:
    program(tmp_path, "python3", 'case "$1" in --version) echo Python 3.9.2;; *) exit 1;; esac')
    done = run_script("tests/set_up.sh", str(tmp_path / "venv"), path=tmp_path)
    assert done.returncode == 1
    assert "Python 3.9.2 is too old" in done.stderr
    assert "3.11" in done.stderr


def test_a_missing_python_is_said(tmp_path: Path) -> None:
    done = run_script("tests/set_up.sh", str(tmp_path / "venv"), path=tmp_path, PYTHON="python3.99")
    assert done.returncode == 1
    assert "python3.99" in done.stderr
    assert "apt-get install python3 python3-venv" in done.stderr


def test_a_missing_venv_module_is_said_by_the_package_that_has_it(tmp_path: Path) -> None:
    program(
        tmp_path,
        "python3",
        'case "$2" in *version_info\\ *) exit 0;; *print*) echo python3.12-venv;; *) exit 1;; esac',
    )
    program(tmp_path, "id", "echo 1000")
    done = run_script("tests/set_up.sh", str(tmp_path / "venv"), path=tmp_path)
    assert done.returncode == 1
    assert "sudo apt-get install python3.12-venv" in done.stderr


@pytest.mark.parametrize(("ci", "status"), [("", 0), ("true", 1)])
def test_a_missing_browser_is_said_and_fails_only_ci(tmp_path: Path, ci: str, status: int) -> None:
    program(tmp_path, "id", "echo 1000")
    copy, text = bare_script(tmp_path)
    done = run_script(str(copy), path=tmp_path, CI=ci)
    assert done.returncode == status
    assert f"sudo apt-get install --no-install-recommends {packages(text)}" in done.stderr


def test_as_root_the_missing_browser_is_installed(tmp_path: Path) -> None:
    program(tmp_path, "id", "echo 0")
    program(tmp_path, "apt-get", 'echo "apt-get $*"')
    copy, text = bare_script(tmp_path)
    done = run_script(str(copy), path=tmp_path)
    assert done.stdout.splitlines() == [
        "apt-get update -qq",
        f"apt-get install -y -qq --no-install-recommends {packages(text)}",
    ]
