"""A fill made while a run was recorded: means over its very time, and the run's flow meter calibrated."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from daq.bench import Bench, parse_bench
from daq.errors import UsageError
from daq.measure import Columns, assess_windows
from daq.physics.moist_gas import psat_water
from daq.sources.virtual_bench import VirtualStack
from daq.store import RunRecord, Store
from daq.study.fill.book import FillMade, builds_of, fill_record, made_in_run, result_of
from daq.study.fill.document import bench_file_lines
from daq.study.fill.form import FillForm, form_in_run
from daq.study.fill.result import timed_fill
from tests.watch.workshop import ALL, HZ, S, bench, block, steady

AIR = {"pressure_kpa": 98.2, "room_temp_c": 20.0}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path, writer=True) as opened:
        yield opened


def recorded(store: Store, made: Bench, *blocks: object) -> RunRecord:
    record = store.logbook.create_run(
        bench=made.name, build="A", bench_toml=made.text, bench_json=json.dumps(made.model_dump(mode="json"))
    )
    store.add_blocks(record.id, blocks)  # type: ignore[arg-type]
    store.logbook.stop_run(record.id, ended_ns=store.last_t_ns(record.id) or 0)
    return store.logbook.get_run(record.id)


def test_means_are_of_exactly_the_fills_time(store: Store) -> None:
    """10 A before and after, 20 A in the 22.7 s of the fill: nothing of the 10 A may enter."""
    made = bench(ALL, accuracy={}, site=AIR)
    t = (np.arange(120 * HZ) + 1) / HZ
    inside = (t > 40.0) & (t <= 62.7)
    values = {
        "volts": np.where(inside, 11.55, 10.0),
        "amps": np.where(inside, 20.0, 10.0),
        "lye_temp": np.full(t.size, 45.0),
        "gas_flow": np.where(inside, 1.3, 0.6),
        "relay": np.ones(t.size),
    }
    record = recorded(store, made, block(t, values))
    form = form_in_run(made, {"volume_ml": 500.0, "seconds": 22.7, "gas_temp_c": 21.0})
    done = made_in_run(store, record, form, 40 * S)
    result = done.fill.as_dict()
    assert result["mmw_as_read"]["value"] == pytest.approx(1321.5859 / 231.0, rel=1e-6)
    assert result["cell_volts"]["value"] == pytest.approx(11.55 / 6.0)
    assert not any("not steady" in text for text in result["assumptions"])
    late = made_in_run(store, record, form, 50 * S)
    assert any("not steady: 20.0 A at first" in text for text in late.fill.assumptions)
    watts = 1321.5859 / late.fill.as_dict()["mmw_as_read"]["value"]
    assert watts == pytest.approx((12.7 * 231.0 + 10.0 * 100.0) / 22.7, rel=1e-6)


def test_power_is_the_mean_of_products_and_a_chopped_supply_is_refused(store: Store) -> None:
    on = np.arange(60 * HZ) % 2 == 0
    t = (np.arange(on.size) + 1) / HZ
    values = {"volts": np.where(on, 13.8, 0.0), "amps": np.where(on, 20.0, 0.0)}
    made = bench({"volts": "head", "amps": "head"}, accuracy={}, site=AIR, limits={})
    record = recorded(store, made, block(t, values))
    form = form_in_run(made, {"volume_ml": 500.0, "seconds": 20.0})
    fill = made_in_run(store, record, form, 10 * S).fill
    assert fill.as_dict()["mmw_as_read"]["value"] == pytest.approx(1500.0 / 138.0, rel=1e-6)
    chopped = bench(
        {"volts": "head", "amps": "head"}, accuracy={}, site=AIR, limits={}, supply={"mode": "pwm"}
    )
    record = recorded(store, chopped, block(t, values))
    fill = made_in_run(
        store, record, form_in_run(chopped, {"volume_ml": 500.0, "seconds": 20.0}), 10 * S
    ).fill
    assert fill.as_dict()["mmw_as_read"]["value"] is None
    assert fill.findings[0].code == "power_refused"


@pytest.mark.parametrize(
    ("at_s", "words"), [(500.0, "after the run's last sample"), (200.0, "after the run's")]
)
def test_a_fill_outside_the_run_is_said(store: Store, at_s: float, words: str) -> None:
    made = bench(ALL)
    record = recorded(store, made, steady(60.0, volts=12.0, amps=10.0, gas_flow=0.6))
    form = form_in_run(made, {"volume_ml": 500.0, "seconds": 20.0})
    with pytest.raises(UsageError, match=words):
        made_in_run(store, record, form, round(at_s * S))


def test_the_runs_flow_meter_is_calibrated(store: Store) -> None:
    """The meter reads 5 % low, gas at 30 degC; the vessel stands at 20 degC. Both are the same dry gas."""
    channels = {**ALL, "gas_temp": "head", "room_pressure": "head"}
    made = bench(channels, site=AIR, gas={"meter_factor": 1.2, "meter_factor_u": 0.1})
    dry = 1.1
    by_meter = dry * 101.325 / 273.15 * 303.15 / (98.2 - float(psat_water(30.0))) / 1.05
    in_vessel = dry * 101.325 / 273.15 * 293.15 / (98.2 - float(psat_water(20.0)))
    seconds = 500.0 / in_vessel * 0.06
    record = recorded(
        store,
        made,
        steady(90.0, volts=11.5, amps=20.0, gas_flow=by_meter, gas_temp=30.0, room_pressure=98.2),
    )
    fields = {
        "volume_ml": 500.0,
        "volume_error_ml": 2.0,
        "seconds": seconds,
        "gas_temp_c": 20.0,
        "head_mm": 0.0,
    }
    done = made_in_run(store, record, form_in_run(made, fields), 30 * S)
    assert done.meter is not None
    factor = done.meter.as_dict()["factor"]
    # whatever factor the bench file had before, this one stands in its place
    assert factor["value"] == pytest.approx(1.05, rel=1e-6)
    # neither the meter's own 2 %, which the factor takes out, nor the barometer's 0.1 kPa, which is in both
    labels = {p.label for p in done.meter.factor.budget() if float(np.sum(np.square(p.u))) > 1e-12}
    assert "gas_flow: accuracy" not in labels
    pressure = next(p for p in done.meter.factor.budget() if p.label == "room_pressure: accuracy")
    assert float(np.asarray(pressure.u)[0]) < 1e-4
    assert 0.008 < factor["u95"] < 0.030
    assert done.meter.reading_lpm == pytest.approx(by_meter)
    head, line, u = bench_file_lines(factor, "a test")
    assert head == "[gas]"
    assert re.fullmatch(r"meter_factor = 1\.0500? +# by a test: 1\.050 ± 0\.0\d\d?", line)
    assert float(u.split("= ")[1]) == pytest.approx(0.5 * factor["u95"], rel=0.05)
    # with these lines in the bench file, meter and fill agree
    text = made.text.replace("meter_factor = 1.2", line.split("#")[0]).replace("meter_factor_u = 0.1", u)
    corrected = parse_bench(text, made.path)
    run = recorded(store, corrected, *store.read(record.id).values())
    edges = np.array([30, 60], dtype=np.int64) * S
    numbers = assess_windows(Columns.from_blocks(store.read(run.id)), edges, corrected)
    fill = done.fill.as_dict()["flow_dry_ref_lpm"]["value"]
    assert numbers.value["flow_dry_ref_lpm"][0] == pytest.approx(fill, rel=1e-4)


def test_a_pulse_meters_k_factor(store: Store) -> None:
    """A turbine of 450 pulses a litre by its sheet gives 441 for this gas: the fill finds them."""
    flow, k = 1.2, 441.0
    made = bench(
        ALL, accuracy={}, site={"pressure_kpa": 101.325, "room_temp_c": 20.0}, gas={"meter_temp_u": 0.0}
    )
    text = made.text.replace('field = "gas_flow"', f'field = "gas_flow"\nscale = {60.0 / 450.0!r}')
    scaled = parse_bench(text, Path("bench.toml"))
    hertz = flow * k / 60.0
    record = recorded(store, scaled, steady(60.0, volts=11.5, amps=20.0, gas_flow=hertz * 60.0 / 450.0))
    fields = {"volume_ml": 500.0, "seconds": 500.0 / flow * 0.06, "gas_temp_c": 20.0, "head_mm": 0.0}
    done = made_in_run(store, record, form_in_run(scaled, fields), 10 * S)
    assert done.meter is not None
    found = done.meter.as_dict()["k_per_l"]
    assert found["value"] == pytest.approx(k, rel=1e-6)
    assert found["u95"] / found["value"] == pytest.approx(
        done.meter.as_dict()["factor"]["u95"] / done.meter.as_dict()["factor"]["value"], rel=1e-9
    )


def test_no_meter_or_a_silent_one_is_not_calibrated(store: Store) -> None:
    without = bench({"volts": "head", "amps": "head"}, limits={})
    record = recorded(store, without, steady(60.0, volts=12.0, amps=10.0))
    form = form_in_run(without, {"volume_ml": 500.0, "seconds": 20.0})
    assert made_in_run(store, record, form, 10 * S).meter is None
    made = bench(ALL)
    record = recorded(store, made, steady(60.0, volts=12.0, amps=10.0, gas_flow=0.001))
    assert (
        made_in_run(store, record, form_in_run(made, {"volume_ml": 500.0, "seconds": 20.0}), 10 * S).meter
        is None
    )


def test_a_fill_on_the_virtual_bench_finds_its_truth(store: Store) -> None:
    """A simulated stack fills a vessel at room conditions; the fill's interval holds the true efficiency."""
    stack = VirtualStack()
    for _ in range(120):
        stack.step(1.0)
    rows = []
    for _ in range(600):
        stack.step(0.1)
        rows.append(stack.truth())
    before, after = rows[99], rows[399]  # 30 s
    t = (np.arange(600) + 1) / 10.0
    names = {"volts": "volts", "amps": "amps", "lye_temp": "lye_temp", "room_temp": "room_temp"}
    made = bench(dict.fromkeys(names, "head"), site={"pressure_kpa": 98.5, "room_temp_c": None})
    values = {n: np.array([r[key] for r in rows]) for n, key in names.items()}
    record = recorded(store, made, block(t, values))
    gas_mol = after["gas_mol"] - before["gas_mol"]
    room_k = after["room_temp"] + 273.15
    kpa = 98.5 - float(psat_water(after["room_temp"]))
    volume_ml = 1e6 * gas_mol * 8.31446261815324 * room_k / (1000.0 * kpa)
    form = form_in_run(
        made,
        {"volume_ml": volume_ml, "seconds": 30.0, "gas_temp_c": after["room_temp"], "pressure_kpa": 98.5},
    )
    result = made_in_run(store, record, form, 10 * S).fill.as_dict()
    true = gas_mol * 96485.33212 / (0.75 * 6 * (after["charge_c"] - before["charge_c"]))
    assert result["faradaic_efficiency"]["value"] == pytest.approx(true, rel=2e-4)
    assert abs(result["faradaic_efficiency"]["value"] - true) < result["faradaic_efficiency"]["u95"]
    energy = after["energy_j"] - before["energy_j"]
    assert result["mmw_dry_ref"]["value"] == pytest.approx(
        60_000.0 * gas_mol * 22.413969545 / energy, rel=2e-4
    )


def test_fills_of_a_build_are_put_together(store: Store) -> None:
    made = bench(ALL, site=AIR)
    record = recorded(store, made, steady(300.0, volts=11.5, amps=20.0, gas_flow=1.3, lye_temp=45.0))
    for k, seconds in enumerate((22.4, 22.7, 23.1)):
        form = form_in_run(made, {"volume_ml": 500.0, "seconds": seconds, "gas_temp_c": 21.0})
        done = made_in_run(store, record, form, (20 + 40 * k) * S)
        store.logbook.fills.add(fill_record(done, bench=made.name, build="A", t_utc_ns=k, run_id=record.id))
    other = FillForm(
        volume_ml=500.0, seconds=25.0, cells=6, amps=20.0, volts=11.5, reference="20C_101.325kPa"
    )
    store.logbook.fills.add(fill_record(FillMade(timed_fill(other)), bench=made.name, build="B", t_utc_ns=9))
    (first, kept, series), (second, alone, _) = builds_of(store.logbook.fills.find(), "0C_101.325kPa")
    assert (first, len(kept), second, len(alone)) == ("A", 3, "B", 1)
    factors = [result_of(r)["meter_factor"]["value"] for r in kept]
    assert series["meter_factor"].value == pytest.approx(np.mean(factors))
    assert series["meter_factor"].n == 3
    assert result_of(alone[0], "0C_101.325kPa")["reference"] == "0 °C, 101.325 kPa"


def test_a_fill_with_the_supply_off_is_refused(store: Store) -> None:
    made = bench(ALL, site=AIR)
    record = recorded(store, made, steady(90.0, volts=0.3, amps=0.0, gas_flow=0.0))
    form = form_in_run(made, {"volume_ml": 500.0, "seconds": 20.0})
    with pytest.raises(UsageError, match="the supply was off in that time"):
        made_in_run(store, record, form, 30 * S)
