"""`lyewatch fill`: a timed fill worked out, kept, and put beside earlier ones."""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from daq.bench import Bench, load_bench
from daq.cli.common import (
    find_run,
    json_option,
    open_store,
    print_json,
    store_options,
    utc_day,
)
from daq.errors import UsageError
from daq.store import FillRecord, RunRecord, Store

if TYPE_CHECKING:
    from daq.study.fill import FillForm, FillMade

__all__ = ["add", "run"]

_NUMBERS: Sequence[tuple[str, str, str, str]] = (
    ("volume-error", "volume_error_ml", "ML", "limit of error of the volume (default: 1 %% of it)"),
    ("reaction", "reaction_s", "S", "how far each press of the stop-watch may be off (default: 0.2 s)"),
    ("amps", "amps", "A", "mean current"),
    ("volts", "volts", "V", "mean volts at the stack"),
    ("watts", "watts", "W", "true mean power, where an instrument tells it; best with a chopped supply"),
    ("duty", "duty", "D", "of a chopped supply, 0 to 1, where no instrument tells the power"),
    ("volts-rms", "volts_rms", "V", "true RMS volts beside the mean, where the supply chops"),
    ("amps-rms", "amps_rms", "A", "true RMS amps beside the mean, where the supply chops"),
    ("lead-milliohms", "lead_milliohms", "MOHM", "resistance from where volts are sensed to the stack"),
    ("gas-temp", "gas_temp_c", "C", "temperature of the gas in the vessel (default: the room's)"),
    ("gas-temp-error", "gas_temp_error_c", "K", "its limit of error (default: 1 K)"),
    ("room-temp", "room_temp_c", "C", "temperature of the room"),
    ("pressure", "pressure_kpa", "KPA", "air pressure as a barometer shows it, not reduced to the sea"),
    ("pressure-error", "pressure_error_kpa", "KPA", "its limit of error (default: 0.3 kPa)"),
    ("altitude", "altitude_m", "M", "where the bench stands, where no pressure is known"),
    ("mass-fraction", "mass_fraction", "W", "of the lye, where that is the seal, such as 0.2"),
    (
        "head",
        "head_mm",
        "MM",
        "how much higher the liquid stood outside than inside at the stop; negative where lower",
    ),
    ("lye-temp", "lye_temp_c", "C", "of the stack, for the ceilings that a finding compares with"),
)
_ACCURACIES = ("amps", "volts", "watts")


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "fill",
        help="work out a timed fill: a vessel of known volume filled with gas against the clock",
        description="With --bench, what is not said is taken from the bench file. With --run, volts, amps, "
        "power and temperatures are the run's own over exactly that time, and its flow meter is calibrated. "
        "Where a store is named (--bench, --store), the fill is kept in its logbook.",
    )
    parser.add_argument("--volume", type=float, metavar="ML", help="gas in the vessel at the stop")
    parser.add_argument(
        "--seconds",
        type=float,
        nargs="+",
        metavar="S",
        help="time to fill it; several for a series of fills of the same volume",
    )
    parser.add_argument("--cells", type=int, metavar="N", help="gaps in series between powered plates")
    for flag, name, unit, words in _NUMBERS:
        parser.add_argument(f"--{flag}", dest=name, type=float, metavar=unit, help=words)
    for name in _ACCURACIES:
        parser.add_argument(
            f"--{name}-accuracy",
            metavar="LINE",
            help=f'accuracy of {name}, as in "0.5 %% of reading + 0.02"',
        )
    parser.add_argument("--pwm", action="store_true", default=None, help="the supply chops")
    parser.add_argument(
        "--off-volts",
        type=float,
        nargs=2,
        metavar=("LOW", "HIGH"),
        help="what the stack's volts fall to between the pulses of a chopped supply, at least and at most",
    )
    parser.add_argument(
        "--volts-at",
        choices=("stack", "supply"),
        help="with a chopped supply: volts read across the stack (default), or before the switch",
    )
    parser.add_argument(
        "--seal", choices=("water", "lye"), help="the liquid that the gas pushed out (default: water)"
    )
    parser.add_argument(
        "--dry", action="store_true", help="the gas went through a drier and met no liquid after"
    )
    parser.add_argument("--electrolyte", choices=("KOH", "NaOH"), help="of a seal of lye (default: KOH)")
    parser.add_argument(
        "--reference", metavar="COND", help="where dry gas is counted, as 0C_101.325kPa or 20C_100kPa"
    )
    store_options(parser)
    parser.add_argument("--run", dest="in_run", metavar="RUN", help="pin the fill to this run; needs --at")
    parser.add_argument("--at", type=float, metavar="S", help="the run's second at which the fill began")
    parser.add_argument(
        "--edges",
        action="store_true",
        help="with --run: keep every fill that the run's level switch (channel fill_level) timed",
    )
    parser.add_argument(
        "--build", help="the stack's build, for the logbook (default: the run's, the bench's)"
    )
    parser.add_argument("--who", default="", help="who made the fill, for the logbook")
    parser.add_argument("--note", default="", help="words for the logbook")
    parser.add_argument("--only-show", action="store_true", help="keep nothing in the logbook")
    parser.add_argument("--list", action="store_true", help="list the fills of the logbook, with their means")
    parser.add_argument(
        "--since", type=utc_day, metavar="YYYY-MM-DD", help="with --list: not before this day"
    )
    parser.add_argument("--until", type=utc_day, metavar="YYYY-MM-DD", help="with --list: before this day")
    parser.add_argument("--forget", type=int, metavar="N", help="remove fill N, which went wrong")
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Work out, list, or remove."""
    if args.forget is not None:
        return _forget(args)
    if args.edges:
        return _edges(args)
    return _list(args) if args.list else _fill(args)


def _edges(args: argparse.Namespace) -> int:
    from daq.study.fill import fills_by_edges, number_text

    if args.in_run is None:
        raise UsageError("needs a run", place="lyewatch fill --edges", remedy="name it with --run")
    with open_store(args) as store:
        kept, refused = fills_by_edges(store, find_run(store, args.in_run), who=args.who or "level switch")
    if args.json:
        print_json({"kept": [{**_facts(r), **r.body["result"]} for r in kept], "refused": refused})
        return 0
    for record in kept:
        mmw = number_text("mmw_dry_ref", record.body["result"]["mmw_dry_ref"])
        print(f"fill {record.id}, {record.body['form']['seconds']:.2f} s: MMW dry {mmw}")
    for text in refused:
        print(f"not kept, at {text}")
    if not kept and not refused:
        print("No fill by the level switch that is not kept yet.")
    return 0


def _fill(args: argparse.Namespace) -> int:
    from daq.study.fill import FillMade, fill_document, fill_record, made_in_run, series_of, timed_fill
    from daq.study.render import as_text
    from daq.study.runs import recorded_bench

    bench = load_bench(args.bench) if args.bench else None
    store = _store_of(args, bench)
    record: RunRecord | None = None
    fills: list[FillMade]
    try:
        if store is not None and args.in_run is not None:
            record = _run_of(args, store)
            bench = recorded_bench(store, record)
            fills = [made_in_run(store, record, _forms(args, bench)[0], round(args.at * 1e9))]
        else:
            fills = [FillMade(timed_fill(f)) for f in _forms(args, bench)]
        kept: list[FillRecord] = []
        if store is not None and not args.only_show:
            now = time.time_ns()
            stop_ns = (
                now if record is None else record.start_utc_ns + round((args.at + args.seconds[0]) * 1e9)
            )
            kept = [
                store.logbook.fills.add(
                    fill_record(
                        m,
                        bench=record.bench if record else bench.name if bench else "",
                        build=args.build or (record.build if record else bench.stack.build if bench else ""),
                        t_utc_ns=stop_ns,
                        run_id=record.id if record else None,
                        t_ns=None if record is None else round(args.at * 1e9),
                        who=args.who,
                        note=args.note,
                    )
                )
                for m in fills
            ]
    finally:
        if store is not None:
            store.close()
    series = series_of([m.fill.as_dict(shared=True) for m in fills]) if len(fills) > 1 else None
    if args.json:
        _print_json(fills, kept, series)
    else:
        print(as_text(fill_document(fills, series, record, kept)))
    return 0


def _print_json(fills: Sequence[FillMade], kept: Sequence[FillRecord], series: Any) -> None:
    from daq.study.render import as_json

    out = fills[0].fill.as_dict()
    if series is not None:
        # The numbers of a series are its means; each fill's own stand beside them.
        out = {**out, **{n: {"value": s.value, "u95": s.u95} for n, s in series.items()}}
        out["series"] = as_json(series)
        out["fills"] = [m.fill.as_dict() for m in fills]
    if fills[0].meter is not None:
        out["meter"] = fills[0].meter.as_dict()
    if kept:
        out["kept"] = [k.id for k in kept]
    print_json(out)


def _forms(args: argparse.Namespace, bench: Bench | None) -> list[FillForm]:
    """One form for each time."""
    from daq.study.fill import FillForm, form_from_bench, form_in_run

    flags = {name: getattr(args, name) for _, name, _, _ in _NUMBERS}
    flags |= {f"{n}_accuracy": getattr(args, f"{n}_accuracy") for n in _ACCURACIES}
    flags |= {"volts_at": args.volts_at, "off_volts": args.off_volts and tuple(args.off_volts)}
    pulsed = args.pwm or None if args.duty is None and args.amps_rms is None else True
    flags |= {"cells": args.cells, "chopped": pulsed, "electrolyte": args.electrolyte}
    flags |= {
        "seal": "dry" if args.dry else args.seal,
        "reference": args.reference,
        "volume_ml": args.volume,
    }
    flags = {name: value for name, value in flags.items() if value is not None}
    given: dict[str, Any] = {} if bench is None else form_from_bench(bench)
    if "pressure_kpa" in flags or "altitude_m" in flags:
        for name in ("pressure_kpa", "pressure_error_kpa", "altitude_m"):
            given.pop(name, None)
    missing = [f"--{n}" for n in ("volume", "seconds") if getattr(args, n) is None]
    if "cells" not in {**given, **flags}:
        missing.append("--cells (or --bench)")
    if missing:
        raise UsageError(
            f"needs {', '.join(missing)}", place="lyewatch fill", remedy="see `lyewatch fill --help`"
        )
    if bench is not None and args.in_run is not None:
        return [form_in_run(bench, {**flags, "seconds": s}) for s in args.seconds]
    return [FillForm(**{**given, **flags, "seconds": s}) for s in args.seconds]


def _store_of(args: argparse.Namespace, bench: Bench | None) -> Store | None:
    if args.in_run is not None or args.store is not None:
        return open_store(args)
    return Store(bench.store_folder) if bench is not None and not args.only_show else None


def _run_of(args: argparse.Namespace, store: Store) -> RunRecord:
    if args.at is None or len(args.seconds or ()) != 1:
        raise UsageError(
            "needs the second of the run at which the fill began, and one time",
            place="lyewatch fill --run",
            remedy="give --at, and --seconds once",
        )
    return find_run(store, args.in_run)


def _list(args: argparse.Namespace) -> int:
    from daq.study.fill import builds_of, fills_document, result_of, side_by_side
    from daq.study.render import as_json, as_text

    with open_store(args) as store:
        run_id = None if args.in_run is None else find_run(store, args.in_run).id
        records = store.logbook.fills.find(
            run_id=run_id, build=args.build, since_utc_ns=args.since, until_utc_ns=args.until
        )
    reference = args.reference or (str(records[-1].body["result"]["reference"]) if records else "")
    builds = builds_of(records, reference)
    beside = side_by_side(builds)
    if args.json:
        results = [result_of(r, reference) for r in records]
        print_json(
            {
                "reference": results[-1]["reference"] if records else None,
                "fills": [{**_facts(r), **result} for r, result in zip(records, results, strict=True)],
                "series": [
                    {"build": b, "fills": [r.id for r in kept], **as_json(dict(series))}
                    for b, kept, series in builds
                ],
                "builds": as_json(beside),
            }
        )
    elif records:
        print(as_text(fills_document(records, reference, builds, beside)))
    else:
        print("No fills yet.")
    return 0


def _facts(record: FillRecord) -> dict[str, Any]:
    return {
        "id": record.id,
        "stopped_utc": datetime.fromtimestamp(record.t_utc_ns / 1e9, UTC).isoformat(),
        "run": record.run_id,
        "t_s": None if record.t_ns is None else record.t_ns / 1e9,
        "bench": record.bench,
        "build": record.build,
        "who": record.who,
        "note": record.note,
        "form": record.body["form"],
    }


def _forget(args: argparse.Namespace) -> int:
    with open_store(args) as store:
        if not store.logbook.fills.forget(args.forget):
            raise UsageError(
                "no such fill", place="lyewatch fill --forget", value=args.forget, remedy="see --list"
            )
    if args.json:
        print_json({"forgotten": args.forget})
    else:
        print(f"fill {args.forget} is removed")
    return 0
