"""Sensor Measurement Lists as JSON (SenML, RFC 8428): a pack of records, resolved, and made into frames.

Reference: C. Jennings, Z. Shelby, J. Arkko, A. Keranen, C. Bormann, "Sensor Measurement Lists (SenML)",
RFC 8428, August 2018, https://www.rfc-editor.org/rfc/rfc8428. Section numbers below are its.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final, NoReturn

import orjson

from daq.bench.units import turned_into
from daq.errors import FrameError
from daq.frame import NO_SEQ
from daq.sources.reading import MAX_COUNT, Reading

__all__ = ["MAX_RECORDS", "SENML_VERSION", "Record", "decode_pack", "field_of", "pack_frames", "resolve"]

SENML_VERSION: Final = 10
"""The version of RFC 8428; a pack that calls for a later one may mean something else (section 4.4)."""
MAX_RECORDS: Final = 10_000
_ABSOLUTE_S: Final = 2.0**28
"""Times below are relative to now, all others absolute: seconds since 1970-01-01 UTC (section 4.5.3)."""
_MOST_S: Final = 2.0**40
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_LONGEST_NAME: Final = 512
_FIELD: Final = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,31}")
_TEXTS: Final = ("bn", "bu", "n", "u", "vs", "vd")
_NUMBERS: Final = ("bt", "bv", "bs", "v", "s", "t", "ut")


# Units of RFC 8428 (section 12.1) and RFC 8798 (section 3) that have another name here, or a factor to one.
_UNITS: Final = {
    "Cel": (1.0, "degC"),
    "%RH": (1.0, "%"),
    "/": (1.0, "1"),
    "/100": (1.0, "%"),
    "l/s": (60.0, "L/min"),
    "m3/s": (60_000.0, "L/min"),
}


@dataclass(frozen=True, slots=True)
class Record:
    """One resolved record (section 4.6).

    Attributes
    ----------
    name : str
    time_s : float
        Seconds since 1970-01-01 UTC; from `decode_pack` a relative time stays one.
    unit : str
        "" for none.
    value : float or None
        A number.
    flag : bool or None
        A Boolean value.
    text, data : str or None
        A string value, and octets in base64; lyewatch records neither.
    total : float or None
        The integrated sum, which is not recorded either.
    update_s : float or None
        Within how long the sensor will give another reading [s].
    """

    name: str
    time_s: float
    unit: str = ""
    value: float | None = None
    flag: bool | None = None
    text: str | None = None
    data: str | None = None
    total: float | None = None
    update_s: float | None = None


def decode_pack(payload: bytes) -> list[Record]:
    """The records of a pack in their order, base values applied.

    Raises
    ------
    FrameError
        For what is no SenML pack in JSON, or is of a later version.
    """
    try:
        pack = orjson.loads(payload)
    except orjson.JSONDecodeError as exc:
        _wrong(f"is not JSON: {exc}", None)
    if not isinstance(pack, list) or not 1 <= len(pack) <= MAX_RECORDS:
        _wrong(f"is no array of 1 to {MAX_RECORDS} records", None)
    base: dict[str, Any] = {}
    return [record for item in pack if (record := _record(item, base)) is not None]


def resolve(records: Iterable[Record], now_s: float) -> list[Record]:
    """Records with absolute times, in the order of time (section 4.6).

    `now_s` is what relative times are relative to: the time of receipt [s since 1970-01-01 UTC].
    """
    resolved = [
        Record(
            r.name,
            r.time_s if r.time_s >= _ABSOLUTE_S else now_s + r.time_s,
            r.unit,
            r.value,
            r.flag,
            r.text,
            r.data,
            r.total,
            r.update_s,
        )
        for r in records
    ]
    return sorted(resolved, key=lambda r: r.time_s)


def pack_frames(
    records: Iterable[Record],
    names: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
) -> list[Reading]:
    """One frame for each time of a pack's records, in the order of time.

    The fields `seq` and `ms` are the node's own count and milliseconds. Without `ms` an absolute time stands
    for it, modulo 2**32; a relative one says how long ago it was. Only numbers and Booleans make fields.

    Parameters
    ----------
    records : iterable of Record
        As `decode_pack` gives them.
    names : mapping of str to str, optional
        What a record's field is called, by the record's name; without an entry, the last part of that name.
    units : mapping of str to str, optional
        In which unit each field is wanted: a record that names another is turned into it. Records that name
        none, and fields of which no unit is known here, are taken as they are.

    Raises
    ------
    FrameError
        When two records of one time would be the same field, a name makes none, or a unit does not fit.
    """
    by_time: dict[float, dict[str, float]] = {}
    for record in records:
        value = float(record.flag) if record.flag is not None else record.value
        if value is None:
            continue
        fields = by_time.setdefault(record.time_s, {})
        field = field_of(record.name, names or {})
        if record.unit and field in (units or {}):
            value = _in_unit(record, value, (units or {})[field])
        if field in fields:
            _wrong(f"two records of one time are the field {field!r}", record.name)
        fields[field] = value
    frames = [_frame(time_s, by_time[time_s]) for time_s in sorted(by_time)]
    return [frame for frame in frames if frame.fields]


def _in_unit(record: Record, value: float, wanted: str) -> float:
    """A record's number in the unit that its channel takes it for."""
    factor, ours = _UNITS.get(record.unit, (1.0, record.unit))
    if ours == wanted and factor == 1.0:
        return value
    try:
        turned = turned_into(ours, wanted)
    except KeyError as unknown:
        if unknown.args[0] == wanted:  # a unit of the bench's own: there is nothing to hold it against
            return value
        turned = None
    if turned is None:
        _wrong(
            f"the unit of {record.name!r} can not be turned into the channel's {wanted}",
            record.unit,
            f"send it in {wanted}, or write the channel's unit as what is sent",
        )
    return factor * value * turned[0] + turned[1]


def _frame(time_s: float, fields: dict[str, float]) -> Reading:
    seq, ms = _count("seq", fields.pop("seq", None)), _count("ms", fields.pop("ms", None))
    age_ns = 0
    if time_s < _ABSOLUTE_S:
        age_ns = max(0, round(-time_s * 1e9))
    elif ms is None:
        ms = math.floor(time_s * 1e3 + 0.5) & MAX_COUNT
    return Reading(fields, NO_SEQ if seq is None else seq, ms, True, age_ns)


def _count(name: str, value: float | None) -> int | None:
    if value is None:
        return None
    if not (0 <= value <= MAX_COUNT and value == math.floor(value)):
        _wrong(f"{name} is a whole number from 0 to {MAX_COUNT}", value)
    return int(value)


def field_of(name: str, names: Mapping[str, str]) -> str:
    """The field that a record's resolved name is. Raises FrameError where it makes none."""
    field = names.get(name)
    if field is None:
        last = re.split(r"[:/]", name.rstrip(":/"))[-1]
        field = re.sub(r"[^A-Za-z0-9_]", "_", last)
    if not _FIELD.fullmatch(field):
        _wrong("the last part of the name is no field's name", name, "say under `names` what its field is")
    return field


# -- records -----------------------------------------------------------------------------------------------


def _record(item: Any, base: dict[str, Any]) -> Record | None:
    """A record with the base values of its own and of those before it; None for one that only sets them."""
    if not isinstance(item, dict):
        _wrong("holds a record that is no object", None)
    _check_types(item)
    base.update({key: item[key] for key in ("bn", "bt", "bu", "bv", "bs") if key in item})
    given = [key for key in ("v", "vs", "vb", "vd") if key in item]
    if len(given) > 1:
        _wrong("a record has more than one value", ", ".join(given))
    number = "v" in item or ("bv" in base and not given)
    total = base.get("bs", 0.0) + item.get("s", 0.0) if "s" in item or "bs" in base else None
    if not given and total is None and not number:
        return None
    time_s = base.get("bt", 0.0) + item.get("t", 0.0)
    if not -_MOST_S < time_s < _MOST_S:
        _wrong("a time is beyond all calendars", time_s)
    value = float(base.get("bv", 0.0) + item.get("v", 0.0)) if number else None
    if value is not None and not math.isfinite(value):
        _wrong("a value is too large", None)
    return Record(
        _full_name(base.get("bn", "") + item.get("n", "")),
        float(time_s),
        item.get("u", base.get("bu", "")),
        value,
        item.get("vb"),
        item.get("vs"),
        item.get("vd"),
        None if total is None else float(total),
        None if "ut" not in item else float(item["ut"]),
    )


def _check_types(item: Mapping[str, Any]) -> None:
    for key, value in item.items():
        if key in _TEXTS:
            right = isinstance(value, str)
        elif key in _NUMBERS:
            right = type(value) in (int, float)
        elif key == "vb":
            right = isinstance(value, bool)
        elif key == "bver":
            right = type(value) is int and value > 0
            if right and value > SENML_VERSION:
                _wrong(f"is of version {value}; this is read up to version {SENML_VERSION}", None)
        else:
            # Section 4.4: whoever does not know such a label must not use the pack; others are passed over.
            right = not key.endswith("_")
        if not right:
            _wrong(f"the label {key!r} is not known, or its value is not as it should be", _shown(value))


def _full_name(name: str) -> str:
    if len(name) > _LONGEST_NAME or not _NAME.fullmatch(name):
        _wrong("is no name of SenML (section 4.5.1)", _shown(name))
    return name


def _shown(value: object) -> str:
    return repr(value)[:80]


def _wrong(message: str, value: object, remedy: str = "see RFC 8428 and docs/broker.md") -> NoReturn:
    raise FrameError(message, place="SenML", value=value, remedy=remedy)
