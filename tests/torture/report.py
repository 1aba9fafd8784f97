"""What a torture run found: kept as JSON part by part, and written as tables into `docs/reliability.md`."""

from __future__ import annotations

import json
import os
import platform
import re
import statistics
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import psutil

from tests.torture.trips import FAULTS

__all__ = ["DOCUMENT", "PARTS", "machine", "render", "shortfalls", "stamp", "write_document"]

ROOT = Path(__file__).parents[2]
DOCUMENT = ROOT / "docs" / "reliability.md"
PARTS = ("faults", "kills", "cuts", "cost", "model")
ALLOWED_MS = 500.0


def machine() -> str:
    """The class of machine: processor, cores, memory, system, Python."""
    name = platform.processor() or platform.machine()
    try:
        found = re.search(r"model name\s*:\s*(.+)", Path("/proc/cpuinfo").read_text(encoding="utf-8"))
    except OSError:
        found = None
    cores, memory = psutil.cpu_count() or 1, psutil.virtual_memory().total / 2**30
    return (
        f"{found[1].strip() if found else name}, {cores} cores, {memory:.0f} GiB, "
        f"{platform.system()} {platform.release().split('-')[0]}, Python {platform.python_version()}"
    )


def stamp(command: str) -> dict[str, Any]:
    """When, where and how a part was measured."""
    return {
        "date": time.strftime("%Y-%m-%d", time.gmtime()),
        "machine": machine(),
        "load": [round(x, 1) for x in os.getloadavg()],
        "niceness": os.nice(0),
        "command": command,
    }


def render(part: str, result: Mapping[str, Any]) -> str:
    """One part as Markdown: how it was measured, and its table."""
    how = result["stamp"]
    shared = f"load average {how['load'][0]:g} when it ended, niceness {how.get('niceness', 0)}"
    head = f"`{how['command']}`, {how['date']}, {how['machine']}; {shared}."
    table = {"faults": _faults, "kills": _kills, "cuts": _cuts, "cost": _cost, "model": _model}[part]
    return f"{head}\n\n{table(result)}"


def write_document(results: Mapping[str, Any], document: Path = DOCUMENT) -> None:
    """Put what was measured between the marks of each part."""
    text = document.read_text(encoding="utf-8")
    for part in PARTS:
        if part not in results:
            continue
        begin, end = f"<!-- measured: {part} -->\n", "<!-- end -->"
        before, found, after = text.partition(begin)
        assert found, f"{document.name} has no place for {part}"
        text = before + begin + "\n" + render(part, results[part]) + "\n" + end + after.partition(end)[2]
    document.write_text(text, encoding="utf-8")


# -- tables --------------------------------------------------------------------------------------------------


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [f"| {' | '.join(heads)} |", f"|{' --- |' * len(heads)}"]
    return "\n".join(lines + [f"| {' | '.join(row)} |" for row in rows]) + "\n"


def _times(values: Sequence[float | None], unit: str = "ms") -> str:
    """Median and longest; what did not come about is counted."""
    came = [v for v in values if v is not None]
    if not values:
        return "-"
    times = f"{_n(statistics.median(came))} / {_n(max(came))} {unit}" if came else ""
    never = len(values) - len(came)
    return ", ".join(filter(None, [times, f"**{never} never**" if never else ""]))


def _n(value: float) -> str:
    return f"{value:,.0f}" if value >= 10 else f"{value:.1f}"


def _faults(result: Mapping[str, Any]) -> str:
    words = {f.name: f.words for f in FAULTS}
    rows = []
    by_fault: dict[str, list[dict[str, Any]]] = {}
    for outcome in result["outcomes"]:
        by_fault.setdefault(outcome["fault"], []).append(outcome)
    for name, found in by_fault.items():
        limit = [o["cut_ms"] for o in found if o["how"] == "limit"]
        page = [o["cut_ms"] for o in found if o["how"] == "page"]
        counted = [o for o in found if o["frames"] is not None]
        lost, frames = sum(o["lost"] for o in counted), sum(o["frames"] for o in counted)
        doubled = sum(o["doubled"] for o in counted)
        longest = max((o["lost_s"] for o in counted), default=0.0)
        lost_words = f"{lost} of {frames}" + (f", {longest:.1f} s at a stretch" if lost else "")
        lost_words += f", **{doubled} twice**" if doubled else ""
        recovered = [o["recovered_s"] for o in found]
        tried = next(f for f in FAULTS if f.name == name).mended
        alarms = set.intersection(*(set(o["alarms"]) for o in found)) - {
            "lye_temp.high", "lye_temp.trip", "lye_temp.warn", "supply.tripped"
        }  # fmt: skip
        alarmed = [o for o in found if o["alarms"]]
        rows.append(
            (
                words.get(name, name),
                f"{len(limit)} + {len(page)}",
                lost_words if counted else "store not readable",
                _times(recovered, "s") if tried else "-",
                ", ".join(f"`{a}`" for a in sorted(alarms))
                or ("none of its own" if alarmed else "page away"),
                _times(limit),
                _times(page) if page else "no page",
                _times([o["guarding_s"] for o in found], "s"),
                f"{max(o['beats_paused_s'] for o in found):.1f} s",
            )
        )
    return _table(
        (
            "fault", "times: limit + Cut", "lost", "recovered in", "alarm", "trip, median / longest",
            "page's Cut, median / longest", "first beat after start", "longest pause of beats",
        ),
        rows,
    )  # fmt: skip


_KILL_HEADS = (
    "killed while",
    "kills",
    "most lost",
    "guarding again, median / longest",
    "less the new reader's wait for a processor",
)


def _kills(result: Mapping[str, Any]) -> str:
    rows = []
    for phase in ("recording", "sealing", "run ending", "starting"):
        kills = [k for k in result["kills"] if k["phase"] == phase]
        backs = [k["back_s"] for k in kills if k["back_s"] is not None or k["never_back"]]
        own = [k["back_s"] - k["queued_s"] for k in kills if k["back_s"] is not None]
        rows.append(
            (
                phase,
                str(len(kills)),
                f"{max((k['lost_s'] for k in kills), default=0.0):.2f} s",
                _times(backs, "s"),
                _times(own, "s"),
            )
        )
    total = len(result["kills"])
    return (
        _table(_KILL_HEADS, rows)
        + f"\n{total} kills of {result['ups']} `lyewatch up`, {result['samples']:,} samples in "
        f"{result['runs']} runs, {len(result['doubled'])} twice.\n"
    )


def _cuts(result: Mapping[str, Any]) -> str:
    return _table(
        (
            "states",
            "opened",
            "sealed to their end besides",
            "oldest sample lost",
            "a logged trip had to stand in",
            "faults",
        ),
        [
            (
                str(result["states"]),
                str(result["opened"]),
                str(result["sealed"]),
                f"{result['lost_s']:.2f} s before the cut",
                str(result["with_trip"]),
                str(len(result["faults"])),
            )
        ],
    ) + (
        f"\nOf {result['recorded_s']:.0f} s at ten frames a second, {result['runs_ended']} runs that ended, "
        f"{result['trips']} trips and resets, {result['written_mib']:.1f} MiB in "
        f"{result['writes']:,} writes and {result['flushes']:,} flushes; "
        f"looked at in {result['seconds']:.0f} s.\n"
    )


def _cost(result: Mapping[str, Any]) -> str:
    late, idle = result["latency"], result["idle"]
    delay = (
        f"p50 {late['p50_ms']:.0f} ms, p99 {late['p99_ms']:.0f} ms, longest {late['max_ms']:.0f} ms of "
        f"{late['frames']:,} frames"
    )
    reader, service, both = (100 * idle[k] for k in ("reader_share", "service_share", "cpu_share"))
    share = f"{reader:.1f} + {service:.1f} = {both:.1f} % of a core over {idle['seconds']:.0f} s"
    memory = f"{idle['reader_mib']:.0f} + {idle['service_mib']:.0f} = {idle['pss_mib']:.0f} MiB"
    return _table(
        ("what", "figure"),
        [
            ("byte in to event at a client, 10 Hz", delay),
            ("processor, reader + service, no page open", share),
            ("memory (PSS), reader + service", memory),
        ],
    )


def _model(result: Mapping[str, Any]) -> str:
    return _table(
        ("sequences", "steps", "faults injected", "calls that failed by them", "contradictions found"),
        [tuple(f"{result[k]:,}" for k in ("sequences", "steps", "injected", "bitten", "found"))],
    )


# -- judgement -----------------------------------------------------------------------------------------------


def shortfalls(results: Mapping[str, Any]) -> list[str]:
    """What is not as it must be, one line each."""
    short = []
    for o in results.get("faults", {}).get("outcomes", ()):
        name = f"{o['fault']}, {o['how']}"
        fault = next(f for f in FAULTS if f.name == o["fault"])
        if not o["bitten"]:
            short.append(f"{name}: the fault had no effect, so nothing is shown")
        if o["cut_ms"] is None or o["cut_ms"] > ALLOWED_MS:
            when = "never" if o["cut_ms"] is None else f"after {o['cut_ms']:.0f} ms"
            short.append(f"{name}: cut {when}")
        if o["how"] == "page" and o["page_status"] != 200:
            short.append(f"{name}: the page answered {o['page_status']}")
        if fault.lossless and (o["frames"] is None or o["lost"] or o["doubled"]):
            short.append(f"{name}: {o['lost']} samples lost, {o['doubled']} twice")
        if fault.alarm is not None and fault.alarm not in o["alarms"]:
            short.append(f"{name}: no alarm {fault.alarm}, but {o['alarms']}")
        if fault.mended and o["recovered_s"] is None:
            short.append(f"{name}: not recovered")
        if o["beats_paused_s"] > 2.0:
            short.append(f"{name}: beats paused for {o['beats_paused_s']:.1f} s")
    kills = results.get("kills", {})
    for k in kills.get("kills", ()):
        if k["lost_s"] > 0.5:
            short.append(f"kill while {k['phase']}: {k['lost_s']:.2f} s lost")
        if k["never_back"] or (k["back_s"] or 0.0) > 2.0:
            short.append(f"kill while {k['phase']}: guarding again after {k['back_s']} s")
    if kills.get("doubled"):
        short.append(f"kills: {len(kills['doubled'])} samples twice")
    short += results.get("cuts", {}).get("faults", ())
    if results.get("model", {}).get("found"):
        short.append("the model-based test found a sequence that contradicts the model")
    cost = results.get("cost")
    if cost:
        if cost["latency"]["p99_ms"] > 60.0:
            short.append(f"latency: p99 {cost['latency']['p99_ms']:.0f} ms")
        if cost["idle"]["cpu_share"] > 0.02:
            short.append(f"idle: {100 * cost['idle']['cpu_share']:.1f} % of a core")
        if cost["idle"]["pss_mib"] > 120.0:
            short.append(f"idle: {cost['idle']['pss_mib']:.0f} MiB")
    return short


def load(file: Path) -> dict[str, Any]:
    """What was measured before; nothing where there is no such file."""
    if not file.exists():
        return {}
    kept: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
    return kept
