"""The status band: is the supply on, are the data fresh, are the alarms clear; in words."""

from __future__ import annotations

import math
import time
from collections.abc import Mapping, Sequence
from typing import Any

from daq.alarms import PRIORITIES, STANDING, TO_ACKNOWLEDGE, State
from daq.bench import Bench
from daq.store import RunRecord
from daq.utc import iso_utc

__all__ = [
    "alarm_words",
    "archive_words",
    "data_words",
    "recording_words",
    "supply_words",
    "trip_dict",
]

CUT_WITHIN_NS = 2_000_000_000
"""A relay opens, and the news of it arrives, within this time of a trip [ns]."""

_BY_PEOPLE = (State.SHELVED, State.OUT_OF_SERVICE)


def supply_words(
    bench: Bench,
    trip: Mapping[str, Any] | None,
    reader: Mapping[str, Any] | None,
    latest: Mapping[str, float],
    fresh: bool,
) -> dict[str, str]:
    """Whether the supply is on. What can not be known is said to be unknown, never off.

    Parameters
    ----------
    bench : Bench
    trip, reader : mapping or None
        The standing trip, and all else that the reader told last.
    latest : mapping of str to float
        The newest value of each channel.
    fresh : bool
        Whether these are of now.
    """
    reader = reader or {}
    amps, relay = latest.get("amps", math.nan), latest.get("relay", math.nan)
    flowing = bench.supply.flows(amps)
    if trip is not None:
        if time.time_ns() - int(trip["t_utc_ns"]) < CUT_WITHIN_NS:
            return {"state": "cutting", "words": "The supply is being cut"}
        if fresh and flowing:
            return {
                "state": "unknown",
                "words": f"Tripped, but {amps:.1f} A still flow: cut the supply by hand",
            }
        if not fresh or reader.get("trip_unconfirmed"):
            known = reader.get("cut_words") if fresh else None
            why = known or "nothing shows that the supply is cut"
            return {"state": "unknown", "words": f"Tripped, but {why}: look, cut by hand"}
        return {"state": "tripped", "words": "Supply was cut by a trip"}
    if not fresh:
        return {"state": "unknown", "words": "Not known whether the supply is on"}
    if flowing and (reader.get("current_though_open") or relay < 0.5):
        return {
            "state": "unknown",
            "words": f"The relay reports open, yet {amps:.1f} A flow: cut the supply by hand",
        }
    if flowing:
        return {"state": "on", "words": f"Supply is on, {amps:.1f} A"}
    if not math.isnan(relay) and relay < 0.5:
        return {"state": "off", "words": "Supply is off, its relay is open"}
    if not math.isnan(amps):
        return {"state": "off", "words": "No current flows"}
    return {"state": "unknown", "words": "Not known whether the supply is on: no current is measured"}


def data_words(age_s: float | None, unreachable: str | None, stale_after_s: float) -> dict[str, Any]:
    """Whether the data are fresh.

    Parameters
    ----------
    age_s : float, optional
        Age of the newest sample [s]; None where there is none yet.
    unreachable : str, optional
        Why the reader is not heard; None while it is.
    stale_after_s : float
        From which age on data are stale [s].
    """
    if unreachable is not None:
        return {
            "state": "none",
            "age_s": age_s,
            "words": f"Reader not reachable: {unreachable}. Nothing is known here",
        }
    if age_s is None:
        return {"state": "none", "age_s": None, "words": "No data yet"}
    if age_s > stale_after_s:
        return {"state": "stale", "age_s": age_s, "words": f"Data are {age_s:.0f} s old"}
    return {"state": "fresh", "age_s": age_s, "words": "Data are fresh"}


def recording_words(reader: Mapping[str, Any] | None, impaired: str | None) -> dict[str, Any]:
    """Whether what happens is kept.

    Parameters
    ----------
    reader : mapping or None
        The state that the reader told last; None while it is not heard.
    impaired : str or None
        Why the service's own logbook is not kept.
    """
    recorder = dict((reader or {}).get("recording") or {})
    rate, why = recorder.get("written_bytes_per_hour"), recorder.get("impaired")
    if reader is None:
        state, words = "unknown", "Not known whether anything is kept"
    elif why:
        state, words = "impaired", f"Nothing is being kept: {why}"
        if recorder.get("held"):
            words += f" ({recorder['held']:,} samples wait in memory)"
    elif impaired:
        state, words = "impaired", f"Samples are kept, but alarms are not written down: {impaired}"
    else:
        state, words = "ok", "Samples are kept"
    if recorder.get("dropped"):
        words += f"; {recorder['dropped']:,} samples of this run are lost"
    return {
        "state": state,
        "words": words,
        "held": recorder.get("held"),
        "dropped": recorder.get("dropped"),
        "written_bytes_per_hour": rate,
        "committed_utc": iso_utc(recorder.get("committed_utc_ns") or None),
    }


def alarm_words(standing: Sequence[dict[str, Any]], blind: str | None = None) -> dict[str, Any]:
    """Whether the alarms are clear; `blind` is why that can not be known now, None while it can."""
    shown = [a for a in standing if a["state"] in STANDING]
    waiting = [a for a in shown if a["state"] in TO_ACKNOWLEDGE]
    worst = min((a["priority"] for a in shown), key=PRIORITIES.index, default=None)
    aside = sum(a["state"] in _BY_PEOPLE for a in standing)
    beside = f" ({aside} put aside)" if aside else ""
    if not shown and blind is not None:
        words = f"Not known: {blind}{beside}"
        return {"state": "unknown", "count": 0, "worst": None, "aside": aside, "words": words}
    if not shown:
        return {"state": "clear", "count": 0, "worst": None, "aside": aside, "words": "No alarms" + beside}
    number = f"{len(shown)} alarm" + "s" * (len(shown) > 1) + beside
    if blind is not None:
        number += ", others not known"
    if waiting:
        # The newest of the gravest: it is the one nobody has read yet.
        rank = {p: -i for i, p in enumerate(PRIORITIES)}
        named = max(waiting, key=lambda a: (rank[a["priority"]], str(a["since_utc"])))
        words = f"{number}, {len(waiting)} to acknowledge: {named['title']}"
        return {
            "state": "unacknowledged",
            "count": len(shown),
            "worst": worst,
            "aside": aside,
            "words": words,
        }
    words = f"{number} acknowledged"
    return {"state": "standing", "count": len(shown), "worst": worst, "aside": aside, "words": words}


def trip_dict(trip: Mapping[str, Any] | None, run: RunRecord | None = None) -> dict[str, Any] | None:
    """A standing trip as the API gives it.

    Parameters
    ----------
    trip : mapping or None
        As the reader told it.
    run : RunRecord, optional
        The run that is being read: a trip in it is dated by its clock, as its alarms are. The two clocks
        differ where a device paces the run, and after a step of the computer's.
    """
    if trip is None:
        return None

    def when(one: Mapping[str, Any]) -> str | None:
        own = run is not None and one.get("run_id") == run.id and one.get("t_ns") is not None
        return iso_utc(run.start_utc_ns + int(one["t_ns"]) if run is not None and own else one["t_utc_ns"])

    return {
        "cause": trip["cause"],
        "detail": trip["detail"],
        "utc": when(trip),
        "value": trip.get("value"),
        "by": trip["by"],
        "logged": bool(trip.get("logged", True)),
        "later": [
            {"cause": t["cause"], "detail": t["detail"], "utc": when(t), "by": t["by"]}
            for t in trip.get("later") or ()
        ],
    }


def archive_words(server: dict[str, Any] | None, waiting_rows: int) -> dict[str, Any] | None:
    """How the archive's server is: None when the archive is segments, or all is well.

    Parameters
    ----------
    server : dict, optional
        What the sealing process said last (`ARCHIVE_STATE`).
    waiting_rows : int
        Samples in the journal.
    """
    if server is None:
        return None
    away, refused = server.get("away_since_ns"), int(server.get("refused_rows") or 0)
    if away is None and not refused:
        return None
    words = []
    if away is not None:
        error = server.get("error") or {}
        words.append(
            f"The archive's server takes no samples since {iso_utc(away)}: "
            f"{error.get('message', 'unknown')}. {waiting_rows:,} samples wait in the journal "
            f"(room for {server.get('spool_rows', 0):,}, then they go to segments); "
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
