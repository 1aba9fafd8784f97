"""The status band: is the supply on, are the data fresh, are the alarms clear; in words."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from daq.bench import Bench
from daq.store import TripRecord

__all__ = ["alarm_words", "archive_words", "data_words", "iso_utc", "supply_words", "trip_dict"]

CUT_WITHIN_NS = 2_000_000_000
"""A relay opens, and the news of it arrives, within this time of a trip [ns]."""

_ORDER = ("critical", "high", "medium", "low")
_UNACKNOWLEDGED = ("unacknowledged", "latched_unack")
_BY_PEOPLE = ("shelved", "out_of_service")
_ABNORMAL = (*_UNACKNOWLEDGED, "acknowledged", "latched_ack")


def iso_utc(utc_ns: int | None) -> str | None:
    """ISO 8601 with milliseconds, UTC."""
    if utc_ns is None:
        return None
    return datetime.fromtimestamp(utc_ns / 1e9, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def supply_words(
    bench: Bench,
    trip: TripRecord | None,
    reader: dict[str, Any] | None,
    latest: dict[str, float],
    fresh: bool,
) -> dict[str, str]:
    """Whether the supply is on. What can not be known is said to be unknown, never off."""
    amps, relay = latest.get("amps", math.nan), latest.get("relay", math.nan)
    flowing = not math.isnan(amps) and abs(amps) > bench.supply.powered_above_amps
    if trip is not None:
        if time.time_ns() - trip.t_utc_ns < CUT_WITHIN_NS:
            return {"state": "tripped", "words": "The supply is being cut"}
        if fresh and flowing:
            return {
                "state": "unknown",
                "words": f"Tripped, but {amps:.1f} A still flow: cut the supply by hand",
            }
        if not fresh or (reader or {}).get("trip_unconfirmed"):
            return {
                "state": "unknown",
                "words": "Tripped, but nothing shows that the supply is cut: look, cut by hand",
            }
        return {"state": "tripped", "words": "Supply was cut by a trip"}
    if not fresh:
        return {"state": "unknown", "words": "Not known whether the supply is on"}
    if flowing:
        return {"state": "on", "words": f"Supply is on, {amps:.1f} A"}
    if not math.isnan(relay) and relay < 0.5:
        return {"state": "off", "words": "Supply is off, its relay is open"}
    if not math.isnan(amps):
        return {"state": "off", "words": "No current flows"}
    return {"state": "unknown", "words": "Not known whether the supply is on: no current is measured"}


def data_words(age_s: float | None, reader_age_s: float | None, stale_after_s: float) -> dict[str, Any]:
    """Whether the data are fresh."""
    if reader_age_s is None or reader_age_s > 5.0:
        return {
            "state": "none",
            "age_s": age_s,
            "words": "The reader is not running: nothing is watched or recorded",
        }
    if age_s is None:
        return {"state": "none", "age_s": None, "words": "No data yet"}
    if age_s > stale_after_s:
        return {"state": "stale", "age_s": age_s, "words": f"Data are {age_s:.0f} s old"}
    return {"state": "fresh", "age_s": age_s, "words": "Data are fresh"}


def alarm_words(standing: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Whether the alarms are clear."""
    shown = [a for a in standing if a["state"] in (*_ABNORMAL, "returned")]
    waiting = [a for a in shown if a["state"] in (*_UNACKNOWLEDGED, "returned")]
    worst = min((a["priority"] for a in shown), key=_ORDER.index, default=None)
    aside = sum(a["state"] in _BY_PEOPLE for a in standing)
    beside = f" ({aside} put aside)" if aside else ""
    if not shown:
        return {"state": "clear", "count": 0, "worst": None, "aside": aside, "words": "No alarms" + beside}
    number = f"{len(shown)} alarm" + "s" * (len(shown) > 1) + beside
    if waiting:
        words = f"{number}, {len(waiting)} to acknowledge: {waiting[0]['title']}"
        return {
            "state": "unacknowledged",
            "count": len(shown),
            "worst": worst,
            "aside": aside,
            "words": words,
        }
    words = f"{number} acknowledged"
    return {"state": "standing", "count": len(shown), "worst": worst, "aside": aside, "words": words}


def trip_dict(trip: TripRecord | None) -> dict[str, Any] | None:
    """A standing trip as the API gives it."""
    if trip is None:
        return None
    return {
        "cause": trip.cause,
        "detail": trip.detail,
        "utc": iso_utc(trip.t_utc_ns),
        "value": trip.value,
        "by": trip.by,
        "later": [
            {"cause": t.cause, "detail": t.detail, "utc": iso_utc(t.t_utc_ns), "by": t.by} for t in trip.later
        ],
    }


def archive_words(told: dict[str, Any] | None, waiting_rows: int) -> dict[str, Any] | None:
    """How the archive's server is: None when the archive is segments, or all is well.

    Parameters
    ----------
    told : dict, optional
        What the sealing process said last (`ARCHIVE_STATE`).
    waiting_rows : int
        Samples in the journal.
    """
    if told is None:
        return None
    away, refused = told.get("away_since_ns"), int(told.get("refused_rows") or 0)
    if away is None and not refused:
        return None
    words = []
    if away is not None:
        error = told.get("error") or {}
        words.append(
            f"The archive's server takes no samples since {iso_utc(away)}: "
            f"{error.get('message', 'unknown')}. {waiting_rows:,} samples wait in the journal "
            f"(room for {told.get('spool_rows', 0):,}, then they go to segments); "
            "nothing is lost, and it is tried again."
        )
    if refused:
        words.append(
            f"{refused:,} samples were refused by the server; they are kept here, with its reason, and "
            "are read with their run."
        )
    return {
        "state": "away" if away is not None else "refused",
        "words": " ".join(words),
        "away_since_utc": iso_utc(away),
        "waiting_rows": waiting_rows,
        "refused_rows": refused,
    }
