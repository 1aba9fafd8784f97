"""`lyewatch check BENCH`: is the file right, and do the devices say what it expects?"""

from __future__ import annotations

import argparse
import math
import queue
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any, Final

from daq.alarms import Rule, alarm_table, check_alarms
from daq.bench import Bench, load_bench, read_calibrations
from daq.bench.calibration import calibration_words
from daq.cli.common import json_option, print_json, print_table, seconds
from daq.errors import LyewatchError, UsageError
from daq.examples import EXAMPLES, example_text
from daq.frame import Frame, Status
from daq.measure import unit_words
from daq.reader import Calibrator
from daq.sources import Source, SourceEvent, make_source
from daq.store import SQLITE_VERSION, Store, device_bytes_per_hour, log_is_safe

__all__ = ["add", "run"]

SHOWN: Final = 12
"""How many of the lines, answers or messages heard are shown."""


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "check",
        help="check a bench file, open its ports, and show the first frames and what is wrong",
        description="Sends no command that changes anything; asks instruments only what the bench file says.",
    )
    parser.add_argument("bench", metavar="BENCH", nargs="?", help="the bench file (TOML)")
    parser.add_argument(
        "--for", dest="span", type=seconds, default=3.0, metavar="TIME", help="listen so long (3 s)"
    )
    parser.add_argument("--file-only", action="store_true", help="open no port")
    parser.add_argument(
        "--example", choices=EXAMPLES, nargs="?", const=EXAMPLES[0], help="print a worked bench file"
    )
    parser.add_argument("--alarms", action="store_true", help="list the bench's alarms; opens no port")
    json_option(parser)
    parser.set_defaults(run=run)


class _Listener:
    """Collects what the sources say."""

    def __init__(self) -> None:
        self.frames: queue.SimpleQueue[Frame] = queue.SimpleQueue()
        self.events: queue.SimpleQueue[SourceEvent] = queue.SimpleQueue()

    def frame(self, frame: Frame) -> None:
        self.frames.put(frame)

    def event(self, event: SourceEvent) -> None:
        self.events.put(event)


def run(args: argparse.Namespace) -> int:
    """Check; 1 when a source is silent or a channel has no good value."""
    if args.example:
        print(example_text(args.example), end="")
        return 0
    if args.bench is None:
        raise UsageError(
            "no bench file is given", place="lyewatch check", remedy="name one, or use --example"
        )
    bench, notes = _calibrated(load_bench(args.bench))
    rules = check_alarms(bench)
    if args.alarms:
        _print_alarms(bench, rules, as_json=args.json)
        return 0
    store = _store_report(bench)
    if args.file_only:
        if args.json:
            print_json(
                {
                    "bench": bench.name,
                    "ok": not store["wrong"],
                    "sources": [],
                    "store": store,
                    "calibrations": notes,
                }
            )
        else:
            print(f"{args.bench}: " + ("something is wrong; see below" if store["wrong"] else "in order"))
            _print_store(store)
            _print_notes(notes)
        return 1 if store["wrong"] else 0
    found = _listen(bench, args.span)
    broker = _knock(bench)
    ok = not store["wrong"] and all(not part["wrong"] for part in [*found, broker] if part is not None)
    if args.json:
        report = {"sources": found, "broker": broker, "store": store, "calibrations": notes}
        print_json({"bench": bench.name, "ok": ok, **report})
        return 0 if ok else 1
    for source in found:
        print(f"\n{source['source']} on {source['port']}: {source['frames']} frames in {args.span:g} s")
        if source["heard"]:
            print_table(
                ("heard", "taken as", "why not"),
                [
                    (f"{h['asked']} -> {h['text']}" if h["asked"] else h["text"], h["taken"], h["problem"])
                    for h in source["heard"]
                ],
            )
        if source["channels"]:
            print_table(
                ("channel", "field", "raw", "value", "status"),
                [(c["channel"], c["field"], c["raw"], c["value"], c["status"]) for c in source["channels"]],
            )
        for words in source["wrong"]:
            print(f"  wrong: {words}")
        for words in source["notes"]:
            print(f"  note: {words}")
    if broker is not None:
        print(f"\nbroker {broker['place']}: {broker['wrong'] or 'it lets this bench in'}")
    print()
    _print_store(store)
    _print_notes(notes)
    print("\neverything the bench file names is there" if ok else "\nsomething is wrong; see above")
    return 0 if ok else 1


def _calibrated(bench: Bench) -> tuple[Bench, list[str]]:
    """The bench with the newest calibrations of its logbook, and what is to be said of them."""
    if not (bench.store_folder / "logbook.db").is_file():
        return bench, []
    with Store(bench.store_folder) as store:
        newest = store.logbook.calibrations.newest(bench.name)
    bench = bench.calibrated(read_calibrations(newest))
    return bench, calibration_words(bench, newest, time.time_ns())


def _store_report(bench: Bench) -> dict[str, Any]:
    """Where samples go, with which SQLite, and what a recording will write."""
    fed = [spec.source for spec in bench.channels.values()]
    rate = device_bytes_per_hour((spec.rate_hz, fed.count(name)) for name, spec in bench.sources.items())
    wrong = (
        ""
        if log_is_safe(SQLITE_VERSION)
        else f"SQLite {SQLITE_VERSION} can damage a store that two programs use; "
        "install a newer apsw: `pip install --upgrade apsw`"
    )
    return {
        "folder": str(bench.store_folder),
        "sqlite": SQLITE_VERSION,
        "device_bytes_per_hour": round(rate, -5),
        "wrong": wrong,
    }


def _print_store(store: Mapping[str, Any]) -> None:
    """The store in two lines."""
    print(
        f"store {store['folder']}: SQLite {store['sqlite']}; while recording some "
        f"{store['device_bytes_per_hour'] / 1e6:.0f} MB an hour are written to its disk"
    )
    if store["wrong"]:
        print(f"  wrong: {store['wrong']}")


def _print_notes(notes: Sequence[str]) -> None:
    """Notes that belong to no source."""
    for words in notes:
        print(f"  note: {words}")


def _knock(bench: Bench) -> dict[str, str] | None:
    """Whether the broker that is published to lets this bench in; nothing is published. None without one."""
    spec = bench.broker
    if spec is None:
        return None
    from daq.broker.look import look  # only benches that have one pay for its library

    place, wrong = f"{spec.host}:{spec.number}", ""
    try:
        look(spec)
    except LyewatchError as exc:
        wrong = str(exc)
    return {"place": place, "wrong": wrong}


def _listen(bench: Bench, span_s: float) -> list[dict[str, Any]]:
    listeners = {name: _Listener() for name in bench.sources}
    sources = {name: make_source(name, spec, trial=True) for name, spec in bench.sources.items()}
    for name, source in sources.items():
        source.start(listeners[name])
    try:
        time.sleep(span_s)
    finally:
        for source in sources.values():
            source.stop()
    return [_source_report(bench, name, sources[name], listeners[name], span_s) for name in sources]


def _source_report(
    bench: Bench, name: str, source: Source, listener: _Listener, span_s: float
) -> dict[str, Any]:
    frames: list[Frame] = []
    while not listener.frames.empty():
        frames.append(listener.frames.get())
    counters = source.counters
    wrong, notes = [], []
    spec = bench.sources[name]
    if not frames:
        wrong.append(
            counters.last_error or "it is open but no frame came; look at its baud rate and settings"
        )
    for label, count in (
        ("bad checksum", counters.bad_crc),
        ("malformed", counters.malformed),
        ("overlong", counters.overlong),
    ):
        if count:
            wrong.append(f"{count} lines were {label}")
    if counters.unchecked:
        notes.append(f"{counters.unchecked} frames carried no checksum: a flipped bit would go unseen")
    if counters.gaps:
        notes.append(f"{counters.gaps} frames are missing by their sequence numbers")
    rate = len(frames) / span_s
    if frames and not 0.5 * spec.rate_hz <= rate <= 2.0 * spec.rate_hz and spec.clock != "device":
        notes.append(f"{rate:.1f} frames a second came; the bench file expects {spec.rate_hz:g}")
    rows = []
    calibrate = Calibrator(bench)
    last = _latest(frames, together=spec.sparse)
    sample = calibrate(last, 0)[0] if last else None
    for channel, channel_spec in bench.channels.items():
        if channel_spec.source != name or sample is None or last is None:
            continue
        status = sample.status.get(channel, Status.GOOD) if channel in sample.values else Status.MISSING
        raw = last.fields.get(channel_spec.field)
        rows.append(
            {
                "channel": channel,
                "field": channel_spec.field,
                "raw": "absent" if raw is None else f"{raw:g}",
                "value": f"{sample.values.get(channel, math.nan):.4g} {channel_spec.unit}",
                "status": status.name.lower(),
            }
        )
        if status is Status.MISSING:
            wrong.append(
                f"channels.{channel}: the frames hold no field {channel_spec.field!r}; "
                f"they hold {', '.join(last.fields)}"
            )
        elif status is Status.BAD:
            wrong.append(
                f"channels.{channel}: {'no number' if raw is None else f'{raw:g}'} is no valid value; "
                "look at the sensor, its wires, and `valid`"
            )
    if last is not None:
        used = {c.field for c in bench.channels.values() if c.source == name} | {"trip"}
        spare = [f for f in last.fields if f not in used]
        if spare:
            notes.append(f"fields that no channel uses: {', '.join(spare)}")
    return {
        "source": name,
        "port": spec.place,
        "frames": len(frames),
        "rate_hz": round(rate, 2),
        "channels": rows,
        "heard": [asdict(exchange) for exchange in source.transcript.all()[-SHOWN:]],
        "first_frames": [dict(f.fields) for f in frames[:3]],
        "wrong": wrong,
        "notes": notes,
        "counters": counters.as_dict(),
    }


def _latest(frames: Sequence[Frame], *, together: bool) -> Frame | None:
    """The latest frame; where each carries only some fields, the latest of every field in one."""
    if not frames or not together:
        return frames[-1] if frames else None
    fields: dict[str, float] = {}
    for frame in frames:
        fields |= frame.fields
    return replace(frames[-1], fields=fields)


def _print_alarms(bench: Bench, rules: Sequence[Rule], *, as_json: bool) -> None:
    """Print every alarm, worst first, with its settings and rationale."""
    rows = alarm_table(rules)
    if as_json:
        print_json({"bench": bench.name, "ok": True, "alarms": rows})
        return
    headings = ("alarm", "priority", "limit", "delays on/off", "deadband", "cuts", "shelving", "what to do")
    print_table(headings, [_alarm_row(row) for row in rows])
    print("\nchange one under [alarms.rules.SUBJECT.WHAT] in the bench file; --json tells all of each")


def _alarm_row(row: dict[str, Any]) -> tuple[str, ...]:
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
