"""The fleet file (TOML): the broker where benches publish, the server that keeps samples, where the page is
served.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated

from pydantic import Field, PrivateAttr, ValidationError

from daq.bench import PREFIX_PATTERN, BrokerAddress, InfluxSpec, ServiceSpec
from daq.bench._table import Table
from daq.errors import BenchFileError

__all__ = ["Fleet", "GatherSpec", "load_fleet"]


class FleetBroker(BrokerAddress):
    """``[broker]``: as in a bench file."""

    prefix: Annotated[str, Field(pattern=PREFIX_PATTERN)] = "lyewatch"
    """The levels above, which all benches of the broker share."""


class GatherSpec(Table):
    """``[gather]``: the workers."""

    workers: Annotated[int, Field(ge=1, le=64, strict=True)] = 2
    group: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,40}$")] = "gather"
    """Name of the shared subscription, and of the workers' sessions at the broker."""
    session_s: Annotated[int, Field(ge=60, le=31_536_000, strict=True)] = 86_400
    """How long the broker keeps messages for a worker that is away [s]."""
    in_flight: Annotated[int, Field(ge=20, le=65_535, strict=True)] = 2000
    """Messages that one worker may hold before the server has answered."""


class Fleet(Table):
    """A fleet file, whole."""

    broker: FleetBroker
    influxdb: InfluxSpec
    gather: GatherSpec = GatherSpec()
    service: ServiceSpec = ServiceSpec(port=8738)
    stale_after_s: Annotated[float, Field(ge=1, le=3600, strict=True)] = 5.0
    """A bench whose newest sample is older is shown as silent [s]."""

    _path: Path = PrivateAttr(default=Path("fleet.toml"))

    @property
    def path(self) -> Path:
        """The file it was read from."""
        return self._path


def load_fleet(path: Path | str) -> Fleet:
    """Read and check a fleet file.

    Raises
    ------
    BenchFileError
        Naming the file, the key, the value found and what would be right.
    """
    path = Path(path)
    try:
        fleet = Fleet.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
        fleet._path = path
        return fleet
    except OSError as exc:
        raise BenchFileError(
            f"can not be read: {exc.strerror or exc}",
            place=str(path),
            remedy="give the path of a fleet file; docs/fleet.md shows one",
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as exc:
        raise BenchFileError(f"is not TOML: {exc}", place=str(path), remedy="mend that line") from None
    except ValidationError as exc:
        first = exc.errors(include_url=False)[0]
        raise BenchFileError(
            str(first["msg"]).removeprefix("Value error, "),
            place=f"{path}: {'.'.join(map(str, first['loc']))}",
            value=first.get("input"),
            remedy="docs/fleet.md lists the keys",
        ) from None
