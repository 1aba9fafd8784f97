"""`lyewatch calibrate BENCH CHANNEL --points FILE`: fit a channel's calibration, keep it in the logbook."""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from daq.bench import Bench, Calibration, load_bench
from daq.cli.common import bench_argument, json_option, print_json, print_table, utc_day
from daq.errors import RequestRefused, UsageError
from daq.measure import unit_words
from daq.quantity import KINDS, shown
from daq.store import CalibrationRecord, Store
from daq.utc import iso_day

if TYPE_CHECKING:
    from daq.study.calibration import Calibrated

__all__ = ["add", "run"]


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "calibrate",
        help="fit a channel's calibration to points and keep it in the logbook; list those that are there",
        description="POINTS is a CSV with a header: raw (the number that the device sends) or shown (the "
        "number that lyewatch shows), reference (what was true, in the channel's unit), and where known its "
        "uncertainty as u (standard), u95 (k = 2) or limit (of error). Runs that begin afterwards use the "
        "newest calibration of each channel; earlier runs can be reviewed under it: lyewatch review RUN "
        "--calibration newest.",
    )
    bench_argument(parser)
    parser.add_argument("channel", metavar="CHANNEL", nargs="?", help="the channel to calibrate, or to list")
    parser.add_argument("--points", metavar="FILE.csv", type=Path, help="the points")
    parser.add_argument("--unit", metavar="UNIT", help="of shown and reference, when not the channel's own")
    parser.add_argument("--kind", choices=KINDS, default="linear", help="of curve (default: linear)")
    parser.add_argument(
        "--degree", type=int, default=2, metavar="N", help="of a polynomial, 2 to 5 (default 2)"
    )
    parser.add_argument(
        "--knots",
        type=float,
        nargs="+",
        metavar="RAW",
        help="where the pieces meet (default: at every point)",
    )
    parser.add_argument("--who", metavar="NAME", help="who took the points")
    parser.add_argument(
        "--reference", metavar="TEXT", help="the instrument or standard they were taken against"
    )
    parser.add_argument(
        "--reference-accuracy",
        metavar="LINE",
        default="",
        help='its accuracy, shared by all points, as in "0.1 %% of reading + 0.02"',
    )
    parser.add_argument(
        "--remaining",
        metavar="LINE",
        default="",
        help="accuracy that no calibration gives, such as drift until the next (default: none)",
    )
    parser.add_argument("--date", metavar="YYYY-MM-DD", type=utc_day, help="of the points (default: now)")
    parser.add_argument("--due", metavar="YYYY-MM-DD", type=utc_day, help="when it is due again")
    parser.add_argument("--sure", action="store_true", help="keep it although it moves a trip limit")
    parser.add_argument("--only-show", action="store_true", help="fit and show, keep nothing")
    parser.add_argument("--list", action="store_true", help="list the calibrations in the logbook")
    parser.add_argument(
        "--withdraw", metavar="N", type=int, help="say that calibration N was wrong; runs no longer use it"
    )
    parser.add_argument("--why", metavar="TEXT", default="", help="why it is withdrawn")
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Fit and keep, list, or withdraw."""
    bench = load_bench(args.bench)
    if args.channel is not None and args.channel not in bench.channels:
        raise UsageError(
            "is no channel of the bench file",
            place=str(args.bench),
            value=args.channel,
            remedy=f"name one of {', '.join(bench.channels)}",
        )
    if args.list:
        return _list(bench, args)
    if args.withdraw is not None:
        return _withdraw(bench, args)
    missing = [f"--{n}" for n in ("points", "who", "reference") if not getattr(args, n)]
    if args.channel is None:
        missing.insert(0, "CHANNEL")
    if missing:
        raise UsageError(
            f"needs {', '.join(missing)}",
            place="lyewatch calibrate",
            remedy="a calibration is worth what is known of it; or use --list",
        )
    return _calibrate(bench, args)


def _calibrate(bench: Bench, args: argparse.Namespace) -> int:
    from daq.study.calibration import calibrate, keep, read_points, warnings_of

    spec = bench.channels[args.channel]
    points = read_points(args.points, spec, unit=args.unit)
    calibrated = calibrate(
        args.channel,
        spec,
        points,
        kind=args.kind,
        degree=args.degree,
        knots=args.knots,
        t_utc_ns=args.date or time.time_ns(),
        who=args.who,
        reference=args.reference,
        due_utc_ns=args.due,
        reference_accuracy=args.reference_accuracy,
        remaining=args.remaining,
    )
    remarks, grave = warnings_of(calibrated.calibration, spec, bench.limits.get(args.channel))
    kept = calibrated.calibration
    if not args.only_show:
        if grave and not args.sure:
            raise RequestRefused(
                grave[0],
                place=args.channel,
                remedy="look for a mistake in the points; if this is right, say so with --sure",
            )
        with Store(bench.store_folder) as store:
            kept = keep(store, bench, kept)
    if args.json:
        print_json({**_facts(calibrated, kept), "remarks": [*grave, *remarks], "kept": not args.only_show})
        return 0
    print("\n".join(_words(calibrated, kept)))
    for text in (*grave, *remarks):
        print(f"  look: {text}")
    print(
        "\nnot kept: --only-show"
        if args.only_show
        else f"\nkept as calibration {kept.id}; runs that begin from now on use it"
    )
    return 0


def _facts(calibrated: Calibrated, kept: Calibration) -> dict[str, Any]:
    curve, points = calibrated.calibration.curve, calibrated.points
    return {
        **kept.as_dict(),
        "curve": curve.as_dict(),
        "r_squared": calibrated.fit.r_squared,
        "scatter": curve.scatter,
        "degrees_of_freedom": curve.dof,
        "chi_squared": calibrated.fit.chi_squared,
        "points": [
            {
                "raw": float(raw),
                "reference": float(true),
                "curve": float(curve(raw)),
                "residual": float(residual),
                "u95": float(curve.band(raw)),
            }
            for raw, true, residual in zip(
                points.raw, points.reference, calibrated.fit.residuals, strict=True
            )
        ],
    }


def _words(calibrated: Calibrated, kept: Calibration) -> list[str]:
    curve, fit, unit = calibrated.calibration.curve, calibrated.fit, unit_words(kept.unit)
    lines = [f"{kept.channel}, {curve.kind}, {calibrated.points.raw.size} points against {kept.reference}"]
    if curve.kind != "piecewise":
        coefficients, covariance = curve.monomials()
        for power, (c, u) in enumerate(zip(coefficients, np.sqrt(np.diag(covariance)), strict=True)):
            of = {0: "", 1: " · raw"}.get(power, f" · raw^{power}")
            lines.append(f"  {shown(float(c), 2.0 * float(u)).text}{of}")
    lines += ["", f"  {'raw':>12} {'reference':>12} {'curve':>12} {'residual':>12} {'± 95 %':>10}"]
    for raw, true, residual in zip(
        calibrated.points.raw, calibrated.points.reference, fit.residuals, strict=True
    ):
        lines.append(
            f"  {raw:>12.6g} {true:>12.6g} {float(curve(raw)):>12.6g} {residual:>12.3g} "
            f"{float(curve.band(raw)):>10.2g}"
        )
    lines += ["", f"  scatter about the curve {curve.scatter:.3g} {unit}, {curve.dof} degrees of freedom"]
    if fit.scaled_by > 1.0:
        lines.append(
            f"  the points scatter {fit.scaled_by:.2g} times more than their uncertainties say, "
            "which was widened by as much"
        )
    due = "no due date" if kept.due_utc_ns is None else f"due again on {iso_day(kept.due_utc_ns)}"
    lines.append(f"  taken on {iso_day(kept.t_utc_ns)} by {kept.who}, {due}")
    return lines


def _list(bench: Bench, args: argparse.Namespace) -> int:
    with Store(bench.store_folder) as store:
        kept = store.logbook.calibrations.of_bench(bench.name, args.channel)
        newest = {c.id for c in store.logbook.calibrations.newest(bench.name).values()}
    now = time.time_ns()
    rows = [_row(c, used=c.id in newest, now_ns=now) for c in kept]
    if args.json:
        print_json(rows)
    elif not rows:
        print("No calibrations yet; the bench file's scales and accuracies are used.")
    else:
        print_table(
            ("no.", "channel", "made", "against", "by", "kind", "range", "due", "state"),
            [
                (
                    str(r["id"]),
                    r["channel"],
                    r["made"],
                    r["reference"],
                    r["who"],
                    r["kind"],
                    f"{r['from']:.4g} to {r['to']:.4g} {unit_words(r['unit'])}",
                    r["due"] or "–",
                    r["state"],
                )
                for r in rows
            ],
        )
    return 0


def _row(kept: CalibrationRecord, *, used: bool, now_ns: int) -> dict[str, Any]:
    calibration = Calibration.read(kept)
    state = "used by new runs" if used else "replaced by a newer one"
    if kept.withdrawn_utc_ns is not None:
        state = f"withdrawn by {kept.withdrawn_by}: {kept.withdrawn_reason or 'no reason given'}"
    elif used and calibration.overdue(now_ns):
        state = "overdue, and still used by new runs"
    return {
        **calibration.as_dict(),
        "made": iso_day(kept.t_utc_ns),
        "due": None if kept.due_utc_ns is None else iso_day(kept.due_utc_ns),
        "points": len(calibration.points),
        "state": state,
    }


def _withdraw(bench: Bench, args: argparse.Namespace) -> int:
    if not args.who:
        raise UsageError(
            "needs --who", place="lyewatch calibrate --withdraw", remedy="the logbook keeps who did it"
        )
    with Store(bench.store_folder) as store:
        kept = store.logbook.calibrations.get(args.withdraw)
        if kept.bench != bench.name:
            raise RequestRefused(
                f"is of another bench, {kept.bench!r}",
                place=f"calibration {kept.id}",
                remedy="name that bench's file",
            )
        done = store.logbook.calibrations.withdraw(kept.id, args.who, args.why)
    if not done:
        raise RequestRefused(
            f"was withdrawn already by {kept.withdrawn_by}",
            place=f"calibration {kept.id}",
            remedy="nothing to do",
        )
    if args.json:
        print_json({"withdrawn": kept.id, "channel": kept.channel})
    else:
        print(f"calibration {kept.id} of {kept.channel} is withdrawn; runs that used it still say so")
    return 0
