"""The package's source files and the repository's tracked files, for the tests of the house."""

from __future__ import annotations

import ast
import subprocess
from collections.abc import Iterator
from functools import cache
from pathlib import Path

__all__ = ["PACKAGE", "ROOT", "imports_of", "modules", "tracked_texts", "tree_of"]

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "daq"


def modules() -> list[Path]:
    """Every Python file of the package."""
    return sorted(path for path in PACKAGE.rglob("*.py") if "_built" not in path.parts)


@cache
def tree_of(path: Path) -> ast.Module:
    """The syntax tree of a file."""
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def imports_of(path: Path) -> Iterator[tuple[str, int]]:
    """What `path` imports, anywhere in it, with the line; `from a import b` gives a and a.b."""
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                package = path.relative_to(ROOT).with_suffix("").parts[: -node.level]
                base = ".".join([*package, *([base] if base else [])])
            yield base, node.lineno
            for alias in node.names:
                yield f"{base}.{alias.name}", node.lineno


def tracked_texts() -> Iterator[tuple[str, str]]:
    """Name and text of every tracked file that is text."""
    command = ["git", "ls-files", "-z"]
    listed = subprocess.run(command, cwd=ROOT, capture_output=True, check=True).stdout.decode()
    for name in filter(None, listed.split("\0")):
        path = ROOT / name
        if not path.is_file():
            continue  # removed, and the removal not committed yet
        content = path.read_bytes()
        if b"\0" not in content:
            yield name, content.decode("utf-8")
