"""A wheel built from this tree and what is in it; offline, since the chart library is in the tree."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

import hatch_build
from tests.house.source_files import ROOT

pytestmark = pytest.mark.slow

SHIPPED = ("daq", "dashboards", "hatch_build.py", "pyproject.toml", "README.md", "LICENSE", ".gitignore")
NO_NETWORK = {"npm_config_registry": "http://127.0.0.1:9/", "PIP_NO_INDEX": "1", "NO_PROXY": "*"}


def run(*command: str, cwd: Path, **environment: str) -> str:
    """Run a command that may not reach any network; returns its output."""
    done = subprocess.run(
        command,
        cwd=cwd,
        env={**os.environ, **NO_NETWORK, **environment},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of what a build reads, so that others may write in the tree meanwhile."""
    folder = tmp_path_factory.mktemp("tree")
    for name in SHIPPED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, folder / name)
    return folder


@pytest.fixture(scope="module")
def wheel(tree: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel."""
    folder = tmp_path_factory.mktemp("wheel")
    run(sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder), cwd=tree)
    (built,) = folder.glob("*.whl")
    return built


def test_holds_every_page_file_as_it_is_in_the_tree(wheel: Path, tree: Path) -> None:
    pages = tree / "dashboards"
    expected = {
        f"daq/_pages/{path.relative_to(pages).as_posix()}": path.read_bytes()
        for path in pages.rglob("*")
        if path.is_file()
    }
    assert "daq/_pages/index.html" in expected
    with zipfile.ZipFile(wheel) as archive:
        found = {name: archive.read(name) for name in archive.namelist() if name.startswith("daq/_pages/")}
    assert found == expected


def test_holds_the_chart_library_with_its_licence(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        for member, digest in hatch_build.FILES.items():
            content = archive.read(f"daq/_built/uplot/{Path(member).name}")
            assert hashlib.sha256(content).hexdigest() == digest
        assert b"MIT License" in archive.read("daq/_built/uplot/LICENSE")


def test_holds_the_worked_examples_the_typing_marker_and_our_licence(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    assert {"daq/examples/water_torch.toml", "daq/examples/chopped_supply.toml", "daq/py.typed"} <= names
    assert len([name for name in names if name.endswith(".dist-info/licenses/LICENSE")]) == 1


def test_holds_nothing_else(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        roots = sorted({name.split("/", 1)[0] for name in archive.namelist()})
        strays = [name for name in archive.namelist() if name.endswith((".pyc", ".db", ".parquet", ".log"))]
    assert roots[0] == "daq"
    assert [root.endswith(".dist-info") for root in roots[1:]] == [True]
    assert strays == []


def test_an_installed_wheel_finds_its_pages_its_chart_library_and_its_examples(
    wheel: Path, tmp_path: Path
) -> None:
    target = tmp_path / "site"
    pip = (sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--target", str(target))
    run(*pip, str(wheel), cwd=tmp_path)
    program = (
        "import daq; from daq.theme import chart_dir, pages_dir;"
        "from daq.examples import example_text;"
        "print(daq.__file__); print(pages_dir()); print(chart_dir());"
        "print((chart_dir() / 'uPlot.iife.min.js').stat().st_size, len(example_text('water_torch')) > 500)"
    )
    # -I would hide PYTHONPATH too; the folder to run in holds no `daq`.
    output = run(sys.executable, "-c", program, cwd=tmp_path, PYTHONPATH=str(target)).splitlines()
    assert output[0] == str(target / "daq" / "__init__.py")
    assert output[1] == str(target / "daq" / "_pages")
    assert output[2] == str(target / "daq" / "_built" / "uplot")
    assert output[3] == "51081 True"


def test_an_editable_install_serves_the_tree_itself(tree: Path, tmp_path: Path) -> None:
    program = (
        "import sys; from hatchling.builders.wheel import WheelBuilder;"
        f"print(next(WheelBuilder({str(tree)!r}).build(directory={str(tmp_path)!r}, versions=['editable'])))"
    )
    built = run(sys.executable, "-c", program, cwd=tree).strip()
    with zipfile.ZipFile(built) as archive:
        assert [name for name in archive.namelist() if name.startswith("daq/")] == []
        (pth,) = [name for name in archive.namelist() if name.endswith(".pth")]
        assert archive.read(pth).decode().strip() == str(tree)


def test_a_source_distribution_holds_what_a_build_from_it_needs(tree: Path, tmp_path: Path) -> None:
    run(sys.executable, "-m", "hatchling", "build", "-t", "sdist", "-d", str(tmp_path), cwd=tree)
    (archive,) = tmp_path.glob("*.tar.gz")
    (tmp_path / "unpacked").mkdir()
    # By tar, since Debian 12's Python 3.11.2 has no extraction filter and later ones warn when none is named.
    run("tar", "-xzf", str(archive), "-C", "unpacked", cwd=tmp_path)
    (unpacked,) = (tmp_path / "unpacked").iterdir()
    assert not (unpacked / "daq" / "_built").exists(), (
        "third-party files are not ours to distribute as source"
    )
    shutil.copytree(tree / "daq" / "_built", unpacked / "daq" / "_built")  # in place of the fetching
    run(sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path), cwd=unpacked)
    with zipfile.ZipFile(next(tmp_path.glob("*.whl"))) as wheel:
        assert {"daq/_pages/index.html", "daq/_built/uplot/LICENSE"} <= set(wheel.namelist())


def test_the_images_install_script_installs_without_docker(wheel: Path, tmp_path: Path) -> None:
    prefix, home = tmp_path / "opt", tmp_path / "srv"
    run(
        "sh",
        str(ROOT / "docker" / "install.sh"),
        str(wheel),
        cwd=tmp_path,
        PREFIX=str(prefix),
        HOME_DIR=str(home),
        PYTHON=sys.executable,
        OWNER="",
        PIP_NO_DEPS="1",
    )
    assert (home / "lyewatch-data").is_dir()
    # The dependencies come from this environment, as the test may not fetch them.
    libraries = sysconfig.get_paths()["purelib"]
    program = "import daq, sys; print(daq.__file__)"
    output = run(str(prefix / "bin" / "python"), "-c", program, cwd=tmp_path, PYTHONPATH="").strip()
    assert Path(output).is_relative_to(prefix)
    version = run(str(prefix / "bin" / "lyewatch"), "--version", cwd=tmp_path, PYTHONPATH=libraries)
    assert version.startswith("lyewatch ")
