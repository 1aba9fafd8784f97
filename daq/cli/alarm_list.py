"""The alarms of a bench as a table or as JSON: what `lyewatch check BENCH --alarms` prints."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from daq.alarms import Rule, alarm_table
from daq.bench import Bench
from daq.cli.common import print_json, print_table
from daq.measure import unit_words

__all__ = ["print_alarms"]


def print_alarms(bench: Bench, rules: Sequence[Rule], *, as_json: bool) -> None:
    """Print every alarm, worst first, with its settings and rationale.

    Parameters
    ----------
    bench : Bench
    rules : sequence of Rule
        All of the bench's alarms.
    as_json : bool
        Whether to print them as JSON, rather than as a table.
    """
    rows = alarm_table(rules)
    if as_json:
        print_json({"bench": bench.name, "ok": True, "alarms": rows})
        return
    headings = ("alarm", "priority", "limit", "delays on/off", "deadband", "cuts", "shelving", "what to do")
    print_table(headings, [_row(row) for row in rows])
    print("\nchange one under [alarms.rules.SUBJECT.WHAT] in the bench file; --json tells all of each")


def _row(row: dict[str, Any]) -> tuple[str, ...]:
    limit = "" if row["limit"] is None else f"{row['limit']:.4g} {unit_words(row['unit'])}".rstrip()
    delays = "" if row["on_delay_s"] is None else f"{row['on_delay_s']:g}/{row['off_delay_s']:g} s"
    deadband = "" if not row["deadband"] else f"{row['deadband']:.3g}"
    shelving = f"{row['shelve_s'] / 60:g} min" if row["shelve_s"] else "none"
    return (
        str(row["alarm"]) + ("" if row["in_service"] else " (out of service)"),
        str(row["priority"]),
        limit,
        delays,
        deadband,
        {"reader": "by the reader", "watch": "by the watch"}.get(row["cuts"], ""),
        shelving,
        str(row["do"]),
    )
