"""`python -m tests.torture`: break what can break, measure, and write the tables of docs/reliability.md."""

from __future__ import annotations

import argparse
import dataclasses
import json
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.torture import cost, kills, powercuts, report, trips
from tests.torture.blocklog import BlockLog
from tests.torture.disks import is_root


def faults(args: argparse.Namespace) -> dict[str, Any]:
    """Every fault, each way, so many times."""
    # Faults that are not named keep what was measured of them before.
    kept = report.load(args.results).get("faults", {}).get("outcomes", []) if args.fault else []
    outcomes = [o for o in kept if o["fault"] not in args.fault]
    for fault in trips.FAULTS:
        if args.fault and fault.name not in args.fault:
            continue
        if fault.needs == "root" and not is_root():
            print(f"{fault.words}: left out, it needs root", flush=True)
            continue
        for how in fault.hows:
            for number in range(args.times):
                outcome = trips.provoke(fault, how, args.seed + number)
                late = "never" if outcome.cut_ms is None else f"{outcome.cut_ms:.0f} ms"
                print(
                    f"{fault.words}, {how}: cut {late}; {', '.join(outcome.alarms) or 'no alarm'}", flush=True
                )
                if not outcome.in_time:
                    print("    " + "\n    ".join(outcome.log_lines), flush=True)
                outcomes.append(dataclasses.asdict(outcome))
    order = [fault.name for fault in trips.FAULTS]
    return {"outcomes": sorted(outcomes, key=lambda o: order.index(o["fault"]))}


def killed(args: argparse.Namespace) -> dict[str, Any]:
    """The kill campaign."""
    return dataclasses.asdict(kills.campaign(args.kills, args.seed))


def cuts(args: argparse.Namespace) -> dict[str, Any]:
    """Power cuts by block replay."""
    if not is_root():
        raise SystemExit("power cuts need root: a disk is mounted")
    base = Path("/dev/shm") if Path("/dev/shm").is_dir() else None
    with tempfile.TemporaryDirectory(prefix="cuts-", dir=base) as place:
        recorded = powercuts.record(Path(place), args.record_s, args.seed)
        log = BlockLog(recorded.log)
        states = powercuts.replay(recorded, args.states, args.seed)
        writes = [r for r in log.records if not r.flush]
        return {
            **dataclasses.asdict(states),
            "recorded_s": recorded.ended_s - recorded.began_s,
            "runs_ended": recorded.runs_ended,
            "trips": len(recorded.trips),
            "written_mib": sum(r.length for r in writes) / 2**20,
            "writes": len(writes),
            "flushes": len(log.flushes),
        }


def costs(args: argparse.Namespace) -> dict[str, Any]:
    """Latency and idle cost."""
    return {
        "latency": dataclasses.asdict(cost.latency(args.frames)),
        "idle": dataclasses.asdict(cost.idle_cost(args.idle_s)),
    }


def sequences(args: argparse.Namespace) -> dict[str, Any]:
    """The model-based test, on sequences that are new each time."""
    from tests.torture.model import run_model, tally

    found = 0
    try:
        run_model(args.sequences, args.steps, same_each_time=False)
    except Exception:  # shown, and counted: the other parts go on
        traceback.print_exc()
        found = 1
    return {
        "sequences": tally.sequences,
        "steps": tally.steps,
        "injected": tally.injected,
        "bitten": tally.bitten,
        "found": found,
    }


PARTS: dict[str, Callable[[argparse.Namespace], dict[str, Any]]] = {
    "faults": faults,
    "kills": killed,
    "cuts": cuts,
    "cost": costs,
    "model": sequences,
}


def main() -> int:
    """Measure the parts that are named, or all; status 1 when something is not as it must be."""
    parser = argparse.ArgumentParser(prog="python -m tests.torture", description=__doc__)
    parser.add_argument("part", nargs="*", choices=[*PARTS, []], help="all unless named")
    parser.add_argument("--fault", action="append", choices=[f.name for f in trips.FAULTS])
    parser.add_argument("--times", type=int, default=3, help="repetitions of each fault, each way")
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--states", type=int, default=1000)
    parser.add_argument("--record-s", type=float, default=150.0, help="how long the disk is logged [s]")
    parser.add_argument("--frames", type=int, default=1000, help="of the latency")
    parser.add_argument("--idle-s", type=float, default=60.0)
    parser.add_argument("--sequences", type=int, default=300, help="of the model-based test")
    parser.add_argument("--steps", type=int, default=50, help="of each sequence")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--results", type=Path, default=report.ROOT / "build" / "torture.json")
    parser.add_argument("--no-document", action="store_true", help="leave docs/reliability.md as it is")
    args = parser.parse_args()
    results = report.load(args.results)
    measured = {}
    for part in args.part or PARTS:
        began = time.monotonic()
        command = " ".join(["python -m tests.torture", part, *_flags(sys.argv[1:])])
        measured[part] = {**PARTS[part](args), "stamp": report.stamp(command)}
        results[part] = measured[part]
        args.results.parent.mkdir(exist_ok=True)
        args.results.write_text(json.dumps(results, indent=1), encoding="utf-8")
        print(f"\n{report.render(part, results[part])}\n({time.monotonic() - began:.0f} s)\n", flush=True)
    if not args.no_document:
        report.write_document(results)
    short = report.shortfalls(measured)
    for line in short:
        print(f"NOT AS IT MUST BE: {line}")
    return 1 if short else 0


def _flags(arguments: list[str]) -> list[str]:
    """What was given beside the parts and where results go."""
    kept, skip = [], False
    for word in arguments:
        if skip or word in PARTS or word == "--no-document":
            skip = False
        elif word == "--results":
            skip = True
        else:
            kept.append(word)
    return kept


if __name__ == "__main__":
    sys.exit(main())
