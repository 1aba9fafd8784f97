"""Where the pages' files are, and the one palette of pages, reports and pictures.

The files are inside the wheel, or beside the package in a source tree.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Final, Literal

import daq

__all__ = ["chart_dir", "colours", "pages_dir", "style_sheet"]

_PACKAGE: Final = Path(daq.__file__).parent
_DARK: Final = "@media screen and (prefers-color-scheme: dark)"


def pages_dir() -> Path:
    """The folder of the pages."""
    shipped = _PACKAGE / "_pages"
    return shipped if shipped.is_dir() else _PACKAGE.parent / "dashboards"


def chart_dir() -> Path:
    """The folder of the chart library, which the build brings in."""
    return _PACKAGE / "_built" / "uplot"


@cache
def style_sheet() -> str:
    """The style sheet of colours and sizes, as pages load it and as reports carry it within them."""
    return (pages_dir() / "styles" / "theme.css").read_text(encoding="utf-8")


@cache
def colours(scheme: Literal["light", "dark"] = "light") -> Mapping[str, str]:
    """Colour by name, ``#rrggbb``, of the style sheet.

    Parameters
    ----------
    scheme : {"light", "dark"}
        For a bright room and for paper, or for the dark.
    """
    light, _, dark = style_sheet().partition(_DARK)
    found = dict(re.findall(r"--([a-z0-9-]+):\s*(#[0-9a-f]{6});", light))
    if scheme == "dark":
        found |= dict(re.findall(r"--([a-z0-9-]+):\s*(#[0-9a-f]{6});", dark))
    return found
