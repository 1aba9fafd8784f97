"""The leak predicted against hand calculation; the leak measured against what a simulation knows.

The simulated stack has its own electrochemistry, a leak that follows the lye's conductivity, and devices with
noise and quantisation; the leak test sees only what they send.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from daq.bench import Bench, GeometrySpec, parse_bench
from daq.cli import main
from daq.cli.demo import demo_bench_text
from daq.errors import BenchFileError, UsageError
from daq.frame import Block
from daq.measure import Columns
from daq.quantity import Quantity
from daq.sources.reading import Reading
from daq.sources.virtual_bench import VirtualDevice, VirtualStack, load_scenario
from daq.sources.wire import decode_line
from daq.study.leak.changes import not_to_be_had, variants
from daq.study.leak.document import leak_document
from daq.study.leak.evaluate import LeakTest, leak_test, run_conditions, stated_conditions
from daq.study.leak.predict import Conditions, predict
from daq.study.leak.ramp import find_ramps
from daq.study.render import as_text


def _printed(test: LeakTest) -> str:
    return as_text(leak_document(test))


TORCH = demo_bench_text("unused", scenario="settles")


def bench(**geometry: object) -> Bench:
    made = parse_bench(TORCH, Path("bench.toml"))
    base: dict[str, object] = {
        "plates": 7, "plate_thickness_mm": 1.2, "gap_mm": 12.0, "conductivity_s_cm": 0.6,
        "ports": [{"diameter_mm": 6.0, "layout": "offset"}],
    }  # fmt: skip
    spec = GeometrySpec.model_validate({**base, **geometry})
    return made.model_copy(update={"stack": made.stack.model_copy(update={"geometry": spec})})


def at(volts: float = 12.0, amps: float | None = None, temp_c: float = 25.0) -> Conditions:
    return Conditions(
        "as stated",
        Quantity(volts, 0.05, "V", label="volts"),
        None if amps is None else Quantity(amps, 0.1, "A", label="amps"),
        Quantity(temp_c, 0.5, "degC", label="lye_temp"),
    )


def test_one_hole_in_each_plate_by_hand() -> None:
    # Hall 1975 and Maxwell, worked for l 1.2 mm, d 6 mm, kappa 0.6 S/cm: 3.48513 ohm, 0.5739 A at 2.0 V
    found = predict(bench(), at())
    assert found.past.value == pytest.approx(np.full(5, 0.57387), abs=5e-5)
    assert found.leak.value == pytest.approx(0.57387 * 5 / 6, abs=5e-5)
    assert found.heat.value == pytest.approx(5 * 2.0 * 0.57387, abs=5e-4)
    assert found.lost_share is None
    # Faraday: 0.75 n I / F of gas, a mole 22.414 L
    assert found.lost_gas.value == pytest.approx(0.75 * 6 * 0.47823 / 96485.33 * 22.414 * 60.0, rel=1e-4)
    gaps = np.asarray(found.by_gap.value)
    assert gaps.sum() == pytest.approx(float(np.asarray(found.past.value).sum()))


def test_tolerances_reach_every_gap_as_worked_out_by_hand() -> None:
    """A hole's ``1/I = (l/A + 1/d) / (kappa E)``, its sensitivities to d and l as differentiated on paper."""
    exact = {"conductivity_u_percent": 0.0, "width_u_percent": 0.0, "length_u_percent": 0.0}
    well_known = Conditions("as stated", Quantity(12.0, 0.0, "V"), None, Quantity(25.0, 0.0, "degC"))
    d, length = 6.0, 1.2
    channel, mouths = length / (math.pi / 4.0 * d * d), 1.0 / d
    share = channel / (channel + mouths)
    for changed, relative in (
        ({"width_u_percent": 3.0}, 0.03 * (2.0 * share + (1.0 - share))),
        ({"length_u_percent": 4.0}, 0.04 * share),
        ({"conductivity_u_percent": 5.0}, 0.05),
    ):
        found = predict(bench(**{**exact, **changed}), well_known)
        past, u = np.asarray(found.past.value), np.asarray(found.past.u)
        # what is always open: how far the half-spaces at the mouths hold
        access = 0.15 * (1.0 - share) * past
        assert u == pytest.approx(np.hypot(relative * past, access), rel=2e-3)
        gaps, u_gaps = np.asarray(found.by_gap.value), np.asarray(found.by_gap.u)
        assert gaps == pytest.approx(past[0] * np.array([0.5, 1.0, 1.0, 1.0, 1.0, 0.5]))
        # errors that all plates share add up in a gap's two halves
        assert u_gaps / gaps == pytest.approx(np.full(6, u[0] / past[0]), rel=1e-6)
        for whole in (found.leak, found.lost_gas, found.heat):
            assert float(np.asarray(whole.u / whole.value)) == pytest.approx(u[0] / past[0], rel=1e-3)


def test_gap_and_seals_are_uncertain_where_they_count() -> None:
    def relative(**geometry: object) -> float:
        leak = predict(bench(**geometry), at()).leak
        return float(np.asarray(leak.u)) / float(np.asarray(leak.value))

    line = [{"diameter_mm": 6.0, "layout": "in line"}]
    assert relative(ports=line, gap_mm=3.0, gap_u_percent=30.0) > 1.05 * relative(ports=line, gap_mm=3.0)
    shut, half = ([{"diameter_mm": 6.0, "layout": "offset", "sealed_fraction": s}] for s in (0.0, 0.5))
    assert relative(ports=half) > relative(ports=half, sealed_u=0.0)
    assert relative(ports=shut) == relative(ports=shut, sealed_u=0.0), "what is open is known to be"


def test_counts_seals_bubbles_and_lists() -> None:
    two = [{"diameter_mm": 6.0, "layout": "offset", "count": 2}]
    one = float(np.asarray(predict(bench(), at()).past.value)[0])
    assert predict(bench(ports=two), at()).past.value == pytest.approx(np.full(5, 2 * one))
    sealed = [{"diameter_mm": 6.0, "layout": "offset", "sealed_fraction": [0.0, 1.0, 0.75, 0.0, 0.0]}]
    past = np.asarray(predict(bench(ports=sealed), at()).past.value)
    half = [{"diameter_mm": 3.0, "layout": "offset"}]
    assert past[1] == pytest.approx(0.0, abs=1e-12)
    assert past[2] == pytest.approx(float(np.asarray(predict(bench(ports=half), at()).past.value)[2]))
    assert past[3] == pytest.approx(one)
    gassy = [{"diameter_mm": 6.0, "layout": "offset", "gas_share": 0.36}]
    assert predict(bench(ports=gassy), at()).past.value == pytest.approx(np.full(5, 0.8**3 * one))
    slots = [{"width_mm": 6.0, "height_mm": 6.0, "layout": "offset"}]
    square = np.asarray(predict(bench(ports=[], slots=slots), at()).past.value)[0]
    assert one < square < one * 4 / math.pi, "a square lets through more than its inscribed circle"


def test_groups_in_parallel_each_leak() -> None:
    alone = predict(bench(), at(amps=10.0))
    three = predict(bench(plates=19), at(amps=30.0))
    assert three.leak.value == pytest.approx(3 * np.asarray(alone.leak.value))
    assert alone.lost_share is not None
    assert three.lost_share is not None
    assert three.lost_share.value == pytest.approx(np.asarray(alone.lost_share.value))
    assert alone.lost_share.value == pytest.approx(float(np.asarray(alone.leak.value)) / 10.0)


def test_facing_holes_leak_more_and_the_more_so_the_narrower_the_gap() -> None:
    line = [{"diameter_mm": 6.0, "layout": "in line"}]
    wide, narrow = (
        float(np.asarray(predict(bench(ports=line, gap_mm=gap), at()).leak.value)) for gap in (60.0, 2.0)
    )
    apart = float(np.asarray(predict(bench(), at()).leak.value))
    assert apart < wide < narrow
    assert wide < 1.15 * apart


def test_changes_gain_and_their_uncertainty_counts_what_is_shared_once() -> None:
    line = [{"diameter_mm": 8.0, "layout": "in line", "count": 2}]
    now, found = variants(bench(ports=line, gap_mm=3.0), at(amps=10.0))
    by_name = {v.name: v for v in found}
    assert list(by_name) == ["offset", "half width", "half sealed", "half as many"]
    for v in found:
        assert v.saves.value == pytest.approx(np.asarray(now.leak.value) - np.asarray(v.leak.value))
        assert float(np.asarray(v.saves.value)) > 0.0
        assert v.gains is not None
        assert 0.0 < float(np.asarray(v.gains.value)) < 0.4
        assert v.limits
        apart = math.hypot(float(np.asarray(now.leak.u)), float(np.asarray(v.leak.u)))
        assert float(np.asarray(v.saves.u)) < apart
    assert by_name["half as many"].leak.value == pytest.approx(0.5 * np.asarray(now.leak.value))


def test_what_is_moved_already_is_said() -> None:
    line = [{"diameter_mm": 6.0, "layout": "in line"}]
    assert not_to_be_had(bench(ports=line)) == ""
    assert "offset from plate to plate already" in not_to_be_had(bench())
    text = _printed(leak_test(bench(), at(amps=10.0)))
    assert "moving openings: they are offset" in text
    assert "  openings offset from plate to plate  " in _printed(leak_test(bench(ports=line), at(amps=10.0)))


def test_a_duct_beside_the_plates() -> None:
    duct = {"branch_length_mm": 100.0, "branch_diameter_mm": 6.0, "segment_length_mm": 20.0,
            "segment_diameter_mm": 12.0, "count": 2}  # fmt: skip
    now, found = variants(bench(ports=[], manifold=duct), at(amps=10.0))
    past = np.asarray(now.past.value)
    assert past == pytest.approx(past[::-1])
    assert past[2] == max(past), "the duct carries most in the middle"
    assert [v.name for v in found] == ["longer branches"]


def test_naoh_needs_a_measured_conductivity() -> None:
    made = bench(conductivity_s_cm=None)
    stack = made.stack.model_copy(update={"electrolyte": "NaOH"})
    with pytest.raises(BenchFileError, match="conductivity_s_cm"):
        predict(made.model_copy(update={"stack": stack}), at())
    known = predict(bench(conductivity_s_cm=0.5, conductivity_temp_c=25.0), at(temp_c=50.0))
    assert known.kappa.value == pytest.approx(0.5 * 1.5)
    assert known.kappa.u / np.asarray(known.kappa.value) == pytest.approx(0.05, rel=0.2)


def test_what_can_not_be_asked() -> None:
    made = bench()
    with pytest.raises(UsageError, match="not known"):
        stated_conditions(
            made.model_copy(update={"supply": made.supply.model_copy(update={"volts_set": None})})
        )
    single = made.model_copy(update={"stack": made.stack.model_copy(update={"cells": 1})})
    with pytest.raises(UsageError, match="no neutral plate"):
        predict(single, at())
    with pytest.raises(UsageError, match="can not be worked out"):
        predict(made, at(volts=2000.0))


# -- from data ---------------------------------------------------------------------------------------------


@cache
def raised_slowly(leak_siemens: float) -> tuple[Bench, Block, float]:
    """A bench, 30 min of samples in which the volts are raised over ten, and the true leak at the end."""
    scenario = load_scenario("settles")
    made = parse_bench(TORCH, Path("bench.toml"))
    leaky = replace(scenario.parameters.stack, leak_siemens=leak_siemens)
    stack = VirtualStack(replace(scenario.parameters, stack=leaky))
    device = VirtualDevice(stack, seed=4, clock=lambda: 0.0)
    frames: list[Reading] = []
    leaked = []
    for second in range(1800):
        stack.volts_set = 13.2 * min(max((second - 30) / 600.0, 0.0), 1.0)
        device.advance(1.0)
        if second >= 900:
            leaked.append(stack.truth()["leak_amps"])
        for line in b"".join(device.take_output()).splitlines():
            message = decode_line(line)
            if isinstance(message, Reading):
                frames.append(message)
    values = {
        n: np.array([f.fields[spec.field] * spec.scale + spec.offset for f in frames])
        for n, spec in made.channels.items()
    }
    t_ns = np.array([f.ms for f in frames], dtype=np.int64) * 1_000_000
    block = Block("head", t_ns, np.array([f.seq for f in frames], dtype=np.int64), values)
    return made, block, float(np.mean(leaked))


def run_through(leak_siemens: float) -> tuple[LeakTest, float]:
    made, block, true = raised_slowly(leak_siemens)
    found = run_conditions(made, [block])
    assert found is not None
    conditions, deficit = found
    return leak_test(made, conditions, deficit=deficit, ramp_blocks=[block], run_given=True), true


@pytest.mark.parametrize("leak_siemens", [0.15, 0.5])
def test_the_slow_rise_and_the_missing_gas_hold_the_true_leak(leak_siemens: float) -> None:
    test, true = run_through(leak_siemens)
    leaks = {e.kind: e.leak for e in test.estimates}
    assert set(leaks) == {"geometry", "slow rise", "missing gas"}
    for kind in ("slow rise", "missing gas"):
        assert abs(float(np.asarray(leaks[kind].value)) - true) <= float(np.asarray(leaks[kind].u95)), kind
    assert float(np.asarray(leaks["slow rise"].value)) == pytest.approx(true, rel=0.12)
    assert float(np.asarray(leaks["slow rise"].u95)) < 0.25
    # The example's geometry is that of a stack of 0.5 S.
    agree = {(p.a, p.b): p.normalised_error for p in test.agreement}
    assert (agree[("geometry", "slow rise")] <= 1.0) == (leak_siemens == 0.5)


def test_the_end_plates_share_is_taken_from_the_line() -> None:
    """Ohm's law by hand for holes in five plates in a row, end plates taking 1.6 V: each hole 2.5 ohm."""
    t = np.arange(1, 4001) / 10.0
    volts = np.minimum(2.0 + 11.0 * t / 300.0, 12.0)
    leak = np.maximum(volts - 1.6, 0.0) / (5 * 2.5)
    amps = leak + np.where(volts > 7.5, 3.0 * (volts - 7.5), 0.0)
    made = parse_bench(TORCH, Path("bench.toml"))
    zeros = {n: np.full(t.size, v) for n, v in (("lye_temp", 25.0), ("room_temp", 25.0))}
    block = Block(
        "head", (t * 1e9).astype(np.int64), np.arange(t.size), {"volts": volts, "amps": amps, **zeros}
    )
    (ramp,) = find_ramps(made, Columns.from_blocks([block]))
    # up to 0.05 A is set aside for charging the plates
    assert ramp.conductance.value == pytest.approx(1.0 / 12.5, rel=2e-3)
    assert abs(float(np.asarray(ramp.offset_volts.value)) - 1.6) <= float(np.asarray(ramp.offset_volts.u95))
    test = leak_test(made, at(volts=9.6, amps=6.0), ramp_blocks=[block])
    leak_by_rise = {e.kind: e.leak for e in test.estimates}["slow rise"]
    # each hole at 1.6 V: 0.64 A past five of six cells
    assert abs(float(np.asarray(leak_by_rise.value)) - 0.64 * 5 / 6) <= float(np.asarray(leak_by_rise.u95))
    assert leak_by_rise.value == pytest.approx(0.64 * 5 / 6, rel=0.12)


def test_a_quick_rise_a_fall_and_a_wander_are_no_slow_rise() -> None:
    made = parse_bench(TORCH, Path("bench.toml"))
    t = np.arange(1, 6001) / 10.0

    def ramps(volts: np.ndarray) -> int:
        block = Block(
            "head", (t * 1e9).astype(np.int64), np.arange(t.size), {"volts": volts, "amps": 0.1 * volts}
        )
        return len(find_ramps(made, Columns.from_blocks([block])))

    assert ramps(np.clip(t / 60.0, 0.0, 12.0)) == 1
    assert ramps(np.clip(t / 4.0, 0.0, 12.0)) == 0
    assert ramps(12.0 - t / 60.0) == 0
    assert ramps(4.5 + 2.0 * np.sin(t / 20.0) + t / 400.0) == 0
    assert ramps(np.full(t.size, 5.0)) == 0


# -- said --------------------------------------------------------------------------------------------------


def test_said_in_words_and_as_json() -> None:
    test, _ = run_through(0.5)
    text = _printed(test)
    for part in (
        "geometry",
        "slow rise",
        "missing gas",
        "agree",
        "half the width",
        "SLOW RISE from",
        "WHAT THIS HOLDS FOR",
    ):
        assert part in text
    assert all(len(line) <= 200 for line in text.splitlines())
    body = json.loads(json.dumps(test.as_dict()))
    assert body["schema"] == "lyewatch.leak/1"
    assert [e["kind"] for e in body["estimates"]] == ["geometry", "slow rise", "missing gas"]
    predicted = body["predicted"]
    assert len(predicted["by_gap"]) == parse_bench(TORCH, Path("bench.toml")).stack.cells
    numbers = [*predicted["by_gap"], *predicted["past_each_plate"], predicted["heat"], predicted["lost_gas"]]
    numbers += [body["conditions"]["lye_temp"], *(r["lye_temp"] for r in body["ramps"])]
    numbers += [c[key] for c in body["changes"] for key in ("leak", "saves", "gas_gained")]
    for n in numbers:
        assert n["u95"] > 0.0
        assert n["unit"]
    for e in body["estimates"]:
        assert e["leak"]["unit"] == "A"
        assert e["leak"]["u95"] > 0.0
        assert e["limits"]


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(TORCH, encoding="utf-8")
    assert main(["leak", str(file), "--amps", "10", "--temp", "45", "--json"]) == 0
    body = json.loads(capsys.readouterr().out)
    assert body["predicted"]["lost_share"]["value"] > 0.0
    assert len(body["missing"]) == 2
    assert main(["leak", str(file), "--amps", "10"]) == 0
    assert "FROM THE GEOMETRY" in capsys.readouterr().out
    assert main(["leak", str(file), "--run", "latest"]) == 2
    assert "holds no runs" in capsys.readouterr().err


def test_the_command_writes_a_page_and_a_picture(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--example"]) == 0
    file = tmp_path / "bench.toml"
    file.write_text(capsys.readouterr().out, encoding="utf-8")
    page, picture = tmp_path / "l.html", tmp_path / "l.png"
    command = ["leak", str(file), "--volts", "13.2", "--amps", "18"]
    assert main([*command, "--html", str(page), "--png", str(picture)]) == 0
    assert "picture written" in capsys.readouterr().out
    assert picture.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    text = page.read_text(encoding="utf-8")
    for words in ("Mean leak current per cell", "What a change would gain", "can detonate", "<svg"):
        assert words in text, words
