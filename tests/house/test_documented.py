"""What is offered is documented: addresses, commands, and public names."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from pathlib import Path
from typing import Any

import pytest

import daq
from daq.bench import load_bench
from daq.cli import COMMANDS
from daq.examples import example_text
from daq.fleet.app import create_fleet_app
from daq.fleet.settings import load_fleet
from daq.service import create_app
from tests.documented import answer_schemas

ROOT = Path(__file__).resolve().parents[2]
FLEET = """
[broker]
host = "127.0.0.1"
[influxdb]
url = "http://127.0.0.1:1"
bucket = "lyewatch"
"""


def documents(folder: Path) -> dict[str, dict[str, Any]]:
    (folder / "bench.toml").write_text(example_text("water_torch"), encoding="utf-8")
    (folder / "fleet.toml").write_text(FLEET, encoding="utf-8")
    return {
        "service": create_app(load_bench(folder / "bench.toml")).openapi(),
        "fleet": create_fleet_app(load_fleet(folder / "fleet.toml")).openapi(),
    }


def undescribed(schema: dict[str, Any]) -> bool:
    """Whether a schema says nothing of what it holds."""
    return not ("$ref" in schema or schema.get("type") == "string" or schema.get("properties"))


def test_every_address_says_what_it_answers(tmp_path: Path) -> None:
    for name, document in documents(tmp_path).items():
        answers = list(answer_schemas(document))
        good = [(method, path) for method, path, status, _ in answers if status == "200"]
        assert len(good) > 3, name
        silent = [
            f"{method} {path}"
            for method, path, _, content in answers
            if not content or any(undescribed(body.get("schema", {})) for body in content.values())
        ]
        # A JSON Schema is described by the specification that it names.
        assert silent == (["GET /api/schemas/{name}"] if name == "service" else [])


def test_every_command_is_in_the_readme_or_the_docs() -> None:
    pages = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]
    text = "\n".join(page.read_text(encoding="utf-8") for page in pages)
    assert len(COMMANDS) > 10
    assert [name for name in COMMANDS if f"lyewatch {name}" not in text] == []


def modules() -> list[str]:
    found = pkgutil.walk_packages(daq.__path__, "daq.")
    return [m.name for m in found if not any(part.startswith("_") for part in m.name.split("."))]


def undocumented(module: Any) -> list[str]:
    """Public names of a module, and public methods of its classes, with no docstring of their own."""
    missing = [] if module.__doc__ else [module.__name__]
    for name in getattr(module, "__all__", ()):
        thing = getattr(module, name)
        if getattr(thing, "__module__", None) != module.__name__:
            continue
        if not (inspect.isclass(thing) or inspect.isfunction(thing)):
            continue
        if not thing.__doc__:
            missing.append(f"{module.__name__}.{name}")
        # What a protocol's parts are is said by its own docstring, or by who implements it.
        if inspect.isclass(thing) and not getattr(thing, "_is_protocol", False):
            missing += [
                f"{module.__name__}.{name}.{part}"
                for part, made in vars(thing).items()
                if not part.startswith("_")
                and (inspect.isfunction(made) or isinstance(made, property))
                and not inspect.getdoc(getattr(thing, part))
            ]
    return missing


@pytest.mark.parametrize("name", modules())
def test_every_public_name_has_a_docstring(name: str) -> None:
    assert undocumented(importlib.import_module(name)) == []


def test_the_look_for_docstrings_sees_what_it_is_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "bare_module.py").write_text(
        "__all__ = ['f', 'C']\ndef f(): ...\nclass C:\n  def g(self): ...\n"
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    bare = importlib.import_module("bare_module")
    assert undocumented(bare) == ["bare_module", "bare_module.f", "bare_module.C", "bare_module.C.g"]
