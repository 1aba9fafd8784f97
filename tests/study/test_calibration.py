"""Calibrating a channel: points, curve, what is refused; a run worked out again without losing the old."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from daq.bench import Bench, Calibration, read_calibrations
from daq.errors import LogFileError, LyewatchError, RequestRefused, StoreCorrupt, UsageError
from daq.frame import Frame, Status
from daq.measure import Columns, assess_windows
from daq.quantity import fit_curve
from daq.reader import Calibrator
from daq.store import RunRecord, Store
from daq.study.calibration.channel_calibration import (
    calibrate,
    keep,
    recalibrated,
    warnings_of,
)
from daq.study.calibration.points import Points, read_points
from daq.study.review.recorded import review_run
from tests.watch.workshop import ALL, S, bench, steady

MADE_NS = 1_717_200_000_000_000_000
YEAR_NS = 365 * 86_400_000_000_000
AMPS = np.array([0.0, 5.0, 10.0, 15.0, 20.0])


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "store", writer=True) as opened:
        yield opened


def of_amps(made: Bench, *, gain: float = 1.02, offset: float = 0.1, u: float | None = 0.01) -> Calibration:
    """A calibration of the ammeter: true = gain * raw + offset."""
    points = Points(AMPS, gain * AMPS + offset, None if u is None else np.full(AMPS.size, u))
    return calibrate(
        "amps",
        made.channels["amps"],
        points,
        t_utc_ns=MADE_NS,
        who="Ada",
        reference="shunt 7",
        due_utc_ns=MADE_NS + YEAR_NS,
    ).calibration


# -- points ------------------------------------------------------------------------------------------------


def points_of(tmp_path: Path, text: str, **options: str) -> Points:
    file = tmp_path / "points.csv"
    file.write_text(text, encoding="utf-8")
    return read_points(file, bench(ALL).channels["volts"], **options)


def test_points_from_a_csv(tmp_path: Path) -> None:
    plain = points_of(tmp_path, "# taken warm\nraw,reference\n1.0,1.1\n\n2.0, 2.2\n")
    assert plain.rows() == ((1.0, 1.1), (2.0, 2.2))
    spread = points_of(tmp_path, "Raw;Reference;u95\n1;1.1;0.02\n2;2.2;0.04\n")
    assert spread.u is not None
    assert spread.u == pytest.approx([0.01, 0.02])
    limit = points_of(tmp_path, "raw,reference,limit\n1,1,0.3\n")
    assert limit.u is not None
    assert limit.u == pytest.approx([0.3 / np.sqrt(3.0)])  # JCGM 100, 4.3.7
    assert points_of(tmp_path, "raw,reference,u\n1,1000,20\n", unit="mV").rows() == ((1.0, 1.0, 0.02),)


def test_points_of_what_lyewatch_shows_go_back_to_raw(tmp_path: Path) -> None:
    spec = bench(ALL).channels["volts"].model_copy(update={"scale": 0.5, "offset": 1.0})
    file = tmp_path / "points.csv"
    file.write_text("shown,reference\n2.0,2.1\n3.0,3.1\n", encoding="utf-8")
    assert read_points(file, spec).raw == pytest.approx([2.0, 4.0])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "holds no points"),
        ("raw,reference\n", "holds no points"),
        ("x,reference\n1,2\n", "lacks a column raw or shown"),
        ("raw,shown,reference\n1,1,2\n", "more than one of raw or shown"),
        ("raw,true\n1,2\n", "lacks a column reference"),
        ("raw,reference,u,u95\n1,2,0.1,0.2\n", "twice"),
        ("raw,reference\n1,2\n# a remark\n3,three\n", "line 4, reference: is no number"),
        ("raw,reference\n1\n", "line 2, reference: is no number"),
        ("raw,reference\n1,nan\n", "is no number"),
    ],
)
def test_points_that_can_not_be_read_name_their_place(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(LogFileError, match=words):
        points_of(tmp_path, text)
    with pytest.raises(LogFileError, match="can not be read"):
        read_points(tmp_path / "none.csv", bench(ALL).channels["volts"])
    with pytest.raises(LogFileError, match="no unit of this channel"):
        points_of(tmp_path, "raw,reference\n1,2\n", unit="degC")


# -- the calibration ---------------------------------------------------------------------------------------


def test_it_is_kept_and_read_back_as_it_was(store: Store) -> None:
    made = bench(ALL)
    kept = keep(store, made, of_amps(made))
    assert kept.id == 1
    again = read_calibrations(store.logbook.calibrations.newest(made.name))["amps"]
    assert again == kept
    assert again.curve.at(7.0) == pytest.approx(7.24)
    assert again.points[1] == pytest.approx((5.0, 5.2, 0.01))
    assert again.words == "calibration 1 of 2024-06-01 against shunt 7"
    assert again.overdue(MADE_NS + YEAR_NS)
    assert not again.overdue(MADE_NS)
    json.dumps(again.as_dict())


def test_one_that_can_not_be_read_says_how_to_get_rid_of_it(store: Store) -> None:
    made = bench(ALL)
    kept = keep(store, made, of_amps(made))
    record = store.logbook.calibrations.get(kept.id)
    with pytest.raises(StoreCorrupt, match=r"--withdraw 1"):
        read_calibrations({"amps": replace(record, body={"curve": {}})})


def test_what_can_not_be_a_calibration_is_refused() -> None:
    spec = bench(ALL).channels["amps"]
    facts = {"t_utc_ns": MADE_NS, "who": "Ada", "reference": "x"}
    turning = Points(np.array([0.0, 1.0, 2.0, 3.0]), np.array([0.0, 2.0, 2.0, 0.0]), None)
    with pytest.raises(UsageError, match="turns back on itself"):
        calibrate("amps", spec, turning, kind="polynomial", **facts)  # type: ignore[arg-type]
    line = Points(AMPS, AMPS + 0.1, np.full(5, 0.01))
    with pytest.raises(UsageError, match="due before it was made"):
        calibrate("amps", spec, line, due_utc_ns=MADE_NS, **facts)  # type: ignore[arg-type]
    with pytest.raises(UsageError, match="does not say of what"):
        calibrate("amps", spec, line, reference_accuracy="1 %", **facts)  # type: ignore[arg-type]
    with pytest.raises(LyewatchError, match="nothing tells how well"):
        calibrate("amps", spec, Points(AMPS[:2], AMPS[:2], None), **facts)  # type: ignore[arg-type]


def test_its_uncertainty_stands_in_the_place_of_the_accuracy_line() -> None:
    """A calibration with known u: U of the mean is twice u, whatever the bench file's accuracy said."""
    made = bench(ALL, accuracy={"amps": "5 % of reading"})
    calibrated = made.calibrated({"amps": of_amps(made, gain=1.0, offset=0.0)})
    samples = Columns.from_blocks([steady(60.0, amps=10.0, volts=12.0)])
    edges = np.array([0, 30 * S], dtype=np.int64)
    before = assess_windows(samples, edges, made).u95["amps"][0]
    after = assess_windows(samples, edges, calibrated).u95["amps"][0]
    assert before == pytest.approx(2.0 * 0.5 / np.sqrt(3.0))
    # five points of u 0.01 about their middle: u/sqrt(5); t at 3 degrees of freedom is 3.1824
    assert after == pytest.approx(3.1824 * 0.01 / np.sqrt(5.0), rel=1e-3)
    noted = assess_windows(samples, edges, calibrated).assumptions(0)
    assert "amps: calibration 0 of 2024-06-01 against shunt 7" in noted
    remaining = replace(
        calibrated.calibrations["amps"], remaining="1 % of reading", reference_accuracy="0.05"
    )
    wider = made.calibrated({"amps": remaining})
    expected = np.sqrt(after**2 + (2 * 0.1) ** 2 / 3 + (2 * 0.05) ** 2 / 3)
    assert assess_windows(samples, edges, wider).u95["amps"][0] == pytest.approx(expected, rel=1e-6)


def test_the_band_covers_what_a_calibrated_sensor_really_says() -> None:
    """1,000 seeded sensors with a gain and an offset, calibrated at five noisy points, then read at 12."""
    rng = np.random.default_rng(7)
    covered = 0
    for _ in range(1000):
        gain, offset = 1.0 + 0.03 * rng.standard_normal(), 0.2 * rng.standard_normal()
        raw = (AMPS - offset) / gain + 0.02 * rng.standard_normal(AMPS.size)
        curve = fit_curve(raw, AMPS).curve
        indicated = (12.0 - offset) / gain + 0.02 * rng.standard_normal()
        covered += abs(curve.at(indicated) - 12.0) <= float(curve.band(indicated))
    assert 930 <= covered <= 970


def test_a_range_left_is_said() -> None:
    made = bench(ALL)
    calibrated = made.calibrated({"amps": of_amps(made)})
    samples = Columns.from_blocks([steady(60.0, amps=28.0)])
    noted = assess_windows(samples, np.array([0, 30 * S], dtype=np.int64), calibrated).assumptions(0)
    assert any(t.startswith("amps beyond its calibration, 0.1 to 20.5 A") for t in noted)


def test_a_calibration_that_would_move_a_trip_is_grave() -> None:
    made = bench(ALL)
    spec, limit = made.channels["lye_temp"], made.limits["lye_temp"]

    def of(*shown: tuple[float, float]) -> tuple[list[str], list[str]]:
        raw, true = np.array(shown).T
        points = Points(raw, true, np.full(raw.size, 0.1))
        done = calibrate("lye_temp", spec, points, t_utc_ns=1, who="A", reference="bath")
        return warnings_of(done.calibration, spec, limit)

    remarks, grave = of((20.0, 20.1), (50.0, 50.1), (80.0, 80.2))
    assert (remarks, grave) == ([], [])
    remarks, grave = of(
        (20.0, 20.0), (50.0, 40.0), (80.0, 60.0)
    )  # a typing mistake: the trip would come late
    assert "65 degC, where the supply is cut, will be shown as 50 degC" in grave[0]
    remarks, grave = of((20.0, 20.1), (30.0, 30.1), (40.0, 40.2))
    assert any("do not reach 65 degC" in r for r in remarks)


# -- a run worked out again --------------------------------------------------------------------------------


def recorded(store: Store, made: Bench, raw: dict[str, float], seconds: float = 120.0) -> RunRecord:
    """A run as the reader records it, with the calibrations of the logbook."""
    used = made.calibrated(read_calibrations(store.logbook.calibrations.newest(made.name)))
    record = store.logbook.create_run(
        bench=made.name,
        bench_toml=made.text,
        start_utc_ns=MADE_NS + 2 * YEAR_NS,
        calibrations={n: c.id for n, c in used.calibrations.items()},
    )
    calibrator = Calibrator(used)
    samples = []
    for k in range(round(10 * seconds)):
        sample, _ = calibrator(Frame("head", 0, raw), (k + 1) * S // 10)
        samples.append((record.id, sample))
    store.commit(samples, full=True)
    store.seal(record.id, all_rows=True)
    store.logbook.stop_run(record.id, ended_ns=round(seconds * 1e9))
    return store.logbook.get_run(record.id)


def mean_amps(store: Store, record: RunRecord, calibration: str | None = None) -> float:
    body = review_run(store, record, calibration=calibration).review.as_dict()
    return float(body["channels"]["amps"]["mean"])


def test_a_run_is_worked_out_again_without_losing_the_old_result(store: Store) -> None:
    made = bench(ALL, site={"room_temp_c": 20.0})
    raw = {"volts": 11.5, "amps": 10.0, "lye_temp": 40.0, "gas_flow": 0.65, "relay": 1.0}
    bare = recorded(store, made, raw)
    first = keep(store, made, of_amps(made, gain=1.02, offset=0.1))
    with_first = recorded(store, made, raw)
    second = keep(store, made, replace(of_amps(made, gain=0.99, offset=0.0), t_utc_ns=MADE_NS + 1))
    with_second = recorded(store, made, raw)

    assert [mean_amps(store, r) for r in (bare, with_first, with_second)] == pytest.approx([10.0, 10.3, 9.9])
    for record in (bare, with_first, with_second):
        assert mean_amps(store, record, "none") == pytest.approx(10.0)
        assert mean_amps(store, record, str(first.id)) == pytest.approx(10.3)
        assert mean_amps(store, record, str(second.id)) == pytest.approx(9.9)
        assert mean_amps(store, record, "newest") == pytest.approx(9.9)
    assert [mean_amps(store, r) for r in (bare, with_first, with_second)] == pytest.approx([10.0, 10.3, 9.9])

    body = review_run(store, with_first, calibration="newest").review.as_dict()
    assert body["calibrations"]["amps"]["id"] == second.id
    assert any(
        "worked out again with calibration 2" in n and "recorded with calibration 1" in n
        for n in body["notes"]
    )
    # the ratios follow: more amps for the same gas is less efficiency
    efficiency = [
        review_run(store, with_first, calibration=c).review.as_dict()["numbers"]["faradaic_efficiency"][
            "value"
        ]
        for c in (None, "newest")
    ]
    assert efficiency[1] / efficiency[0] == pytest.approx(10.3 / 9.9, rel=1e-6)
    # it was due again a year before the run
    assert [f["code"] for f in body["findings"]].count("calibration_overdue") == 1


def test_what_is_no_calibration_of_the_run_is_refused(store: Store) -> None:
    made = bench(ALL)
    record = recorded(store, made, {"volts": 11.5, "amps": 10.0}, 5.0)
    with pytest.raises(UsageError, match="is no calibration"):
        review_run(store, record, calibration="latest")
    with pytest.raises(RequestRefused, match="no such calibration"):
        review_run(store, record, calibration="7")
    foreign = keep(
        store,
        made.model_copy(update={"bench": made.bench.model_copy(update={"name": "other"})}),
        of_amps(made),
    )
    with pytest.raises(RequestRefused, match="of another bench"):
        review_run(store, record, calibration=str(foreign.id))
    odd = keep(store, made, replace(of_amps(made), field="i2"))
    with pytest.raises(RequestRefused, match="field 'i2'"):
        review_run(store, record, calibration=str(odd.id))


def test_status_follows_the_new_values_and_given_blocks_stay(store: Store) -> None:
    made = bench(ALL)  # amps valid from -1 to 60 A
    block = steady(1.0, amps=25.0, volts=12.0)
    block.values["amps"][3] = np.nan
    block.status["amps"] = np.where(np.isnan(block.values["amps"]), Status.BAD, Status.GOOD).astype(np.uint8)
    block.raw["amps"] = np.where(np.isnan(block.values["amps"]), 70.0, np.nan)
    now = made.calibrated({"amps": of_amps(made, gain=0.5, offset=0.0)})
    again = recalibrated(made, now, {"head": block})["head"]
    assert again.values["amps"] == pytest.approx(np.where(np.arange(10) == 3, 35.0, 12.5))
    assert set(again.status["amps"]) == {Status.UNCERTAIN}, "beyond the points, and now a number again"
    assert again.values["volts"] is block.values["volts"]
    assert block.values["amps"][0] == 25.0
    back = recalibrated(now, made, {"head": block})["head"]
    assert np.isnan(back.values["amps"][3])
    assert back.status["amps"].tolist() == [0, 0, 0, 2, 0, 0, 0, 0, 0, 0]


def test_an_imported_runs_numbers_are_values_and_not_raw() -> None:
    made = bench(ALL)
    scaled = made.channels["amps"].model_copy(update={"scale": 0.01, "offset": 0.0})
    made.channels["amps"] = scaled
    points = Points(100.0 * AMPS, AMPS + 0.5, np.full(AMPS.size, 0.01))
    one = calibrate("amps", scaled, points, t_utc_ns=1, who="A", reference="x").calibration
    block = steady(1.0, amps=10.0)
    again = recalibrated(made, made.calibrated({"amps": one}), {"head": block}, imported=True)["head"]
    assert again.values["amps"] == pytest.approx(np.full(10, 10.5))
