"""Every public name of `daq.physics`, of all its modules, in one place for the tests that hold for all."""

from __future__ import annotations

import pkgutil
from importlib import import_module
from types import SimpleNamespace
from typing import Any

import daq.physics

__all__ = ["NAMES", "physics"]

_FOUND: dict[str, Any] = {}
for _module in pkgutil.walk_packages(daq.physics.__path__, "daq.physics."):
    if not _module.name.rpartition(".")[2].startswith("_"):
        _made = import_module(_module.name)
        _FOUND |= {name: getattr(_made, name) for name in _made.__all__}
NAMES = tuple(_FOUND)
physics: Any = SimpleNamespace(**_FOUND)
