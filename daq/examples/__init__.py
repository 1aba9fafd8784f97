"""Worked bench files that ship with the package: start from the one that is nearest to your bench."""

from __future__ import annotations

from importlib.resources import files

__all__ = ["EXAMPLES", "example_text"]

EXAMPLES = ("water_torch", "chopped_supply", "instruments")
"""The names of the worked examples."""


def example_text(name: str) -> str:
    """The text of the worked example `name`."""
    return files(__package__).joinpath(f"{name}.toml").read_text(encoding="utf-8")
