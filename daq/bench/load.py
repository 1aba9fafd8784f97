"""Reading a bench file, and saying what is wrong with one so that it can be mended."""

from __future__ import annotations

import difflib
import tomllib
import typing
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from daq.bench.models import Bench
from daq.bench.sanity import senseless
from daq.bench.sensors import SENSOR_KINDS
from daq.bench.source_base import SourceSpec
from daq.bench.sources import SOURCE_KINDS
from daq.errors import BenchFileError

__all__ = ["load_bench", "parse_bench"]

_SHARES = frozenset({"mass_fraction", "mass_fraction_u", "day_sd"})
_PERCENT = 100
_MAYBE_SECRET = frozenset({"host", "login", "password", "token", "user"})


def load_bench(path: Path | str) -> Bench:
    """Read and check the bench file at `path`, and that it makes sense (`daq.bench.sanity`).

    Raises
    ------
    BenchFileError
        Naming the file, the key, the value found and what would be right. Where several keys are wrong,
        each has a line of its own.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as exc:
        raise BenchFileError(
            f"is not UTF-8 text at byte {exc.start}", place=str(path), remedy="save it as UTF-8"
        ) from None
    except OSError as exc:
        raise BenchFileError(
            f"can not be read: {exc.strerror or exc}",
            place=str(path),
            remedy="give the path of a bench file; `lyewatch check --example` prints one to start from",
        ) from None
    bench = parse_bench(text, path)
    wrong = _senseless(bench, path)
    if wrong is not None:
        raise wrong
    return bench


def _senseless(bench: Bench, path: Path) -> BenchFileError | None:
    """What no bench can mean, as one error; None where all is well."""
    data = tomllib.loads(bench.text)
    errors = []
    for words in senseless(bench):
        key, _, rest = words.partition(": ")
        message, _, remedy = rest.rpartition(": ")
        value = _look_up(data, key)
        errors.append(
            BenchFileError(
                message,
                place=f"{path}: {key}",
                value=None if isinstance(value, Mapping) else value,
                remedy=remedy,
            )
        )
    return _combined(errors) if errors else None


def parse_bench(text: str, path: Path) -> Bench:
    """A bench from a file's text, as of a run of before; `path` names it in errors, and relative folders are
    taken from it.

    Raises
    ------
    BenchFileError
        As `load_bench`, but for what is well said and makes no sense.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise BenchFileError(
            f"is not TOML: {exc}", place=str(path), remedy="mend that line; text values need quotes"
        ) from None
    try:
        bench = Bench.model_validate(data)
    except ValidationError as exc:
        raise _plain_error(exc.errors(include_url=False), data, path) from None
    bench._path = path
    bench._text = text
    return bench


def _plain_error(errors: Sequence[ErrorDetails], data: Mapping[str, Any], path: Path) -> BenchFileError:
    # A mistyped key makes two errors; the one that says what was probably meant goes first.
    return _combined(
        [_one(e, data, path) for e in sorted(errors, key=lambda e: e["type"] != "extra_forbidden")]
    )


def _combined(errors: Sequence[BenchFileError]) -> BenchFileError:
    """The first error, with the others on lines of their own."""
    first = errors[0]
    if len(errors) == 1:
        return first
    rest = "\n".join(f"{err}" for err in errors[1:])
    return BenchFileError(
        first.message, place=first.place, value=first.value, remedy=f"{first.remedy or 'mend it'}\n{rest}"
    )


def _one(error: ErrorDetails, data: Mapping[str, Any], path: Path) -> BenchFileError:
    loc = _as_written(error["loc"])
    # pydantic puts "[key]" after the name of a mapping's entry whose key is wrong.
    key = ".".join(str(part) for part in loc if part != "[key]")
    message, remedy, value = error["msg"], None, error.get("input")
    kind = error["type"]
    if kind == "extra_forbidden":
        known = _keys_at(loc[:-1], data)
        near = difflib.get_close_matches(str(loc[-1]), known, n=1, cutoff=0.5)
        message = "is no key of a bench file here"
        remedy = (f"did you mean {near[0]!r}? " if near else "") + f"the keys here are {', '.join(known)}"
    elif kind == "missing":
        message, value = "is missing", None
        remedy = f"add {loc[-1]!r} to " + (f"[{key.rpartition('.')[0]}]" if "." in key else "the file")
    elif kind.startswith("union_tag") and loc[0] == "channels":
        key, value = f"{key}.kind", error.get("ctx", {}).get("tag")
        message, remedy = "no sensor is of this kind", f"use {', '.join(SENSOR_KINDS)}"
    elif kind == "union_tag_invalid":
        key, message, value = f"{key}.kind", "no source is of this kind", error.get("ctx", {}).get("tag")
        remedy = f"use {', '.join(SOURCE_KINDS)}"
    elif kind == "string_pattern_mismatch" and loc[-1] == "[key]":
        value = loc[-2]
        message = "is no name"
        remedy = "use a lower-case letter, then lower-case letters, digits and underscores, 32 at the most"
    elif kind in ("model_type", "dict_type"):
        message, remedy = "is no table", f"open a table [{key}] and write its keys below"
    elif kind == "value_error":
        message, value, remedy = _split(error["msg"].removeprefix("Value error, "), value)
        head, sep, tail = message.partition(": ")
        if sep and "." in head and " " not in head:
            key, message = head, tail
            value = _look_up(data, key)
    else:
        context = error.get("ctx", {})
        if "expected" in context:
            message, remedy = "is not one of the words allowed", f"use {context['expected']}"
        else:
            message, remedy = "is not allowed", f"it {_lower(message)}"
            if loc[-1] in _SHARES and isinstance(value, int | float) and 1 < value <= _PERCENT:
                remedy += f"; it is a share: for {value:g} % write {value / _PERCENT:g}"
    secret = key.startswith("notify") or key.rpartition(".")[2] in _MAYBE_SECRET
    if isinstance(value, Mapping) or (secret and not isinstance(value, int | float)):
        value = None  # what somebody wrote there may be an address with its password
    return BenchFileError(message, place=f"{path}: {key}" if key else str(path), value=value, remedy=remedy)


def _split(text: str, value: Any) -> tuple[str, Any, str | None]:
    """A validator's own text is "key: what is wrong: what would be right", with either end optional."""
    body, sep, remedy = text.rpartition(": ")
    return (body, value, remedy) if sep else (text, value, None)


def _lower(text: str) -> str:
    text = text.replace("Input should", "should")
    return text[:1].lower() + text[1:]


def _look_up(data: Any, key: str) -> Any:
    for part in key.split("."):
        if not isinstance(data, Mapping) or part not in data:
            return None
        data = data[part]
    return data


def _as_written(loc: tuple[int | str, ...]) -> tuple[int | str, ...]:
    """Where in the file: pydantic puts the kind of a source between its name and its keys."""
    if len(loc) > 3 and loc[0] == "channels" and loc[2] == "sensor" and loc[3] in SENSOR_KINDS:
        return (*loc[:3], *loc[4:])
    tagged = len(loc) > 2 and loc[0] == "sources" and loc[2] in SOURCE_KINDS
    return (*loc[:2], *loc[3:]) if tagged else loc


def _keys_at(loc: Sequence[int | str], data: Mapping[str, Any]) -> list[str]:
    """The keys that the table at `loc` may hold."""
    model: Any = Bench
    for depth, part in enumerate(loc):
        if depth == 1 and loc[0] == "sources":
            kind = _look_up(data, f"sources.{part}.kind") or "line"
            model = SOURCE_KINDS.get(kind, SourceSpec)
        elif depth == 2 and (loc[0], part) == ("channels", "sensor"):
            model = SENSOR_KINDS.get(_look_up(data, f"channels.{loc[1]}.sensor.kind") or "")
        elif isinstance(model, type) and issubclass(model, BaseModel):
            field = model.model_fields.get(str(part))
            model = _table_in(field.annotation) if field else None
        elif typing.get_origin(model) is dict:
            model = typing.get_args(model)[1]
    if isinstance(model, type) and issubclass(model, BaseModel):
        return list(model.model_fields)
    return []


def _table_in(annotation: Any) -> Any:
    """The table's class within ``Table | None`` or ``tuple[Table, ...]``; a mapping is left as it is."""
    if typing.get_origin(annotation) is dict:
        return annotation
    for part in (annotation, *typing.get_args(annotation)):
        if isinstance(part, type) and issubclass(part, BaseModel):
            return part
    return annotation
