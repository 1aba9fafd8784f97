"""A run's series for its page, and its line in the list of runs."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.errors import UsageError
from daq.measure import NUMBERS, RATIOS
from daq.service.results import kept_result
from daq.store import FillRecord, RunRecord, Store
from daq.study.runs import recorded_bench, stored_lye, window_numbers
from daq.utc import iso_utc

__all__ = ["run_series", "run_summary"]

_OF_THE_LYE = {"lye_percent", "lye_litres", "top_up_ml", "heat_w", "vapour_w"}
"""Numbers that the lye's strength bears on."""
_NUMBER_UNITS = {n.key: n.unit for n in NUMBERS}


def run_series(
    store: Store,
    record: RunRecord,
    names: list[str],
    *,
    points: int,
    from_s: float | None,
    to_s: float | None,
) -> dict[str, Any]:
    """Channels and numbers of a run against time.

    A channel is answered by the lowest and the highest sample of each span, so that no spike of one sample is
    lost; a number by windows over the raw samples of about the spans' width, with its U (k = 2).

    Parameters
    ----------
    store : Store
    record : RunRecord
    names : list of str
        Channels of the run's bench, and keys of `NUMBERS`.
    points : int
        How many spans at most, at least 1.
    from_s, to_s : float, optional
        From and to which second of the run; None for its start and its end.

    Raises
    ------
    UsageError
        When a name is neither a channel of the run nor a number.
    """
    bench = recorded_bench(store, record)
    unknown = [n for n in names if n not in bench.channels and n not in _NUMBER_UNITS]
    if unknown:
        raise UsageError(
            "is neither a channel of the run nor a number",
            place="channels",
            value=unknown[0],
            remedy=f"ask for {', '.join([*bench.channels, *_NUMBER_UNITS])}",
        )
    start_ns = None if from_s is None else int(from_s * 1e9)
    end_ns = None if to_s is None else int(to_s * 1e9)
    channels = [n for n in names if n in bench.channels]
    numbers = [n for n in names if n not in bench.channels]
    out: dict[str, Any] = {}
    for name, env in store.envelope(
        record.id, channels, points=points, start_ns=start_ns, end_ns=end_ns
    ).items():
        out[name] = {
            "unit": bench.channels[name].unit,
            "t": _round(env.t_ns / 1e9, 3),
            "lo": _null(env.lo),
            "hi": _null(env.hi),
        }
    if numbers:
        last_ns = record.ended_ns if record.ended_ns is not None else (store.last_t_ns(record.id) or 0)
        span_s = ((end_ns or last_ns) - (start_ns or 0)) / 1e9
        window_s = max(bench.service.window_s, span_s / min(points, 600))
        blocks = store.read(record.id, start_ns=start_ns, end_ns=end_ns)
        by_lye = bench.gas.wet_over == "lye" or not _OF_THE_LYE.isdisjoint(numbers)
        lye = stored_lye(store, record, until_ns=end_ns) if by_lye else None
        windows = window_numbers(bench, blocks, window_s=window_s, lye=lye)
        for name in numbers:
            value, u95 = windows.value[name], windows.u95[name]
            if name in RATIOS and name != "leak_amps":
                # A ratio not known to within itself, as while the supply is switched, hides the rest.
                value = np.where(u95 < np.abs(value), value, np.nan)
            out[name] = {
                "unit": _NUMBER_UNITS[name],
                "t": _round(windows.end_ns / 1e9, 3),
                "lo": _null(value),
                "hi": _null(value),
                "u95": _null(np.where(np.isnan(value), np.nan, u95)),
                "window_s": window_s,
            }
    return {"run": record.id, "from_s": from_s or 0.0, "to_s": to_s, "channels": out}


def run_summary(
    store: Store,
    record: RunRecord,
    *,
    whole: bool = False,
    kept: Mapping[str, tuple[str, dict[str, Any]]] | None = None,
) -> dict[str, Any]:
    """A run's line in the list, or all of its record.

    Parameters
    ----------
    store : Store
    record : RunRecord
    whole : bool
        All of its record.
    kept : mapping, optional
        All results of the logbook, where many runs are listed.
    """
    trips, fills = store.logbook.trips.of(record.id), store.logbook.fills.find(run_id=record.id)
    last_ns = record.ended_ns if record.ended_ns is not None else store.last_t_ns(record.id)
    transitions = store.logbook.alarms.transitions(record.id)
    out: dict[str, Any] = {
        "id": record.id,
        "name": record.name,
        "build": record.build,
        "kind": record.kind,
        "bench": record.bench,
        "start_utc": iso_utc(record.start_utc_ns),
        "duration_s": (last_ns or 0) / 1e9,
        "state": "recording" if record.ended_ns is None else "ended",
        "peak_lye_temp": _peak(store, record),
        "alarm_count": len({t.alarm for t in transitions}),
        "mmw_by_fills": _by_fills(fills),
        "fill_count": len(fills),
        "cut": bool(trips),
        "note": record.note,
        "result": kept_result(store, record, store.logbook.results.all() if kept is None else kept),
    }
    if whole:
        bench = recorded_bench(store, record)
        out["bench_file"] = json.loads(record.bench_json)
        out["channels"] = [
            {
                "name": n,
                "unit": c.unit,
                "source": c.source,
                "limits": bench.limits[n].model_dump(exclude_none=True) if n in bench.limits else None,
            }
            for n, c in bench.channels.items()
        ]
        out["trips"] = [
            {
                "cause": t.cause,
                "detail": t.detail,
                "utc": iso_utc(t.t_utc_ns),
                "t_s": t.t_ns / 1e9,
                "value": t.value,
            }
            for t in trips
        ]
        out["links"] = [{"source": s, **c} for s, c in store.logbook.load_links(record.id).items()]
    return out


def _by_fills(fills: Sequence[FillRecord]) -> dict[str, Any] | None:
    if not fills:
        return None
    from daq.study.fill import mmw_by_fills  # most runs have none, and it takes a while to import

    return None if (found := mmw_by_fills(fills)) is None else asdict(found)


def _peak(store: Store, record: RunRecord) -> float | None:
    peak = store.extreme(record.id, "lye_temp")
    return None if peak is None or math.isnan(peak[1]) else peak[1]


def _null(values: NDArray[np.float64]) -> list[float | None]:
    return [None if math.isnan(v) else v for v in values.tolist()]


def _round(values: NDArray[np.float64], digits: int) -> list[float]:
    out: list[float] = np.round(values, digits).tolist()
    return out
