"""Where the pages' files are: inside the wheel, or beside the package in a source tree."""

from __future__ import annotations

from pathlib import Path

import daq

__all__ = ["chart_dir", "pages_dir"]

_PACKAGE = Path(daq.__file__).parent


def pages_dir() -> Path:
    """The folder of the pages."""
    shipped = _PACKAGE / "_pages"
    return shipped if shipped.is_dir() else _PACKAGE.parent / "dashboards"


def chart_dir() -> Path:
    """The folder of the chart library, which the build brings in."""
    return _PACKAGE / "_built" / "uplot"
