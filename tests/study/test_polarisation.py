"""Sweeps of the simulated bench taken apart, against what the simulation is made of; all that is written."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Page

from daq.bench import Bench
from daq.cli import main
from daq.frame import Block
from daq.physics.conductivity import conductivity_gilliam_s_cm
from daq.physics.constants import FARADAY, GAS_CONSTANT, KELVIN
from daq.physics.polarisation import LN10
from daq.sources.virtual_bench.parameters import StackParameters
from daq.store import Store
from daq.study.polarisation.curves import polarise, side_by_side, swept_blocks
from daq.study.polarisation.document import polarisation_document
from daq.study.polarisation.fit import Points, fit_parts
from daq.study.polarisation.result import BuildCurve, Polarisation, SweptRun
from daq.study.render import as_html, as_text
from tests.study.made_run import torch, workshop_run
from tests.study.made_sweep import made_sweep, sweep_stack, sweep_text
from tests.study.stored_runs import bench_text, sent, store_run

SANDED = 4.0
"""By so much sanding raises the exchange current in the simulation."""


def _printed(made: Polarisation) -> str:
    return as_text(polarisation_document(made))


@cache
def sent_by(exchange: float = 1.0, *, seed: int = 1, by_volts: bool = False) -> tuple[Bench, Block]:
    stack = sweep_stack()
    levels = (10.4, 10.8, 11.3, 11.9, 12.6, 13.2) if by_volts else (2.0, 3.0, 4.5, 6.5, 9.0, 12.0, 16.0, 20.0)
    return made_sweep(
        levels=levels,
        seed=seed,
        by_volts=by_volts,
        hold_s=90,
        stack=replace(stack, exchange_ma_cm2=stack.exchange_ma_cm2 * exchange),
    )


def swept(exchange: float = 1.0, *, build: str = "A", seed: int = 1, by_volts: bool = False) -> SweptRun:
    bench, block = sent_by(exchange, seed=seed, by_volts=by_volts)
    return replace(swept_blocks(bench, [block], f"{build} {seed}"), build=build)


def truth(stack: StackParameters, t_c: float, j: float) -> dict[str, float]:
    """The simulation's own law at a temperature."""
    t = t_c + KELVIN
    b = GAS_CONSTANT * t / (stack.transfer * FARADAY)
    energy = 1e3 * stack.activation_kj_mol
    j0 = stack.exchange_ma_cm2 * math.exp(-energy / GAS_CONSTANT * (1.0 / t - 1.0 / 298.15))
    r = 0.1 * stack.gap_mm / float(conductivity_gilliam_s_cm(t_c, stack.mass_fraction))
    r += 1e-3 * stack.contact_mohm * stack.plate_area_cm2
    return {
        "ohmic_ohm_cm2": r,
        "tafel_v_decade": LN10 * b,
        "activation_volts": b * math.asinh(j / (2.0 * j0)),
        "ohmic_volts": 1e-3 * r * j,
    }


@pytest.mark.parametrize("by_volts", [False, True])
def test_what_the_simulation_is_made_of_is_found(by_volts: bool) -> None:
    run = swept(by_volts=by_volts)
    assert len(run.sweep.used) == (6 if by_volts else 8)
    made = polarise([run])
    (curve,) = made.builds
    assert curve.fit is not None, curve.reason
    known = truth(sweep_stack(), made.reference_c, made.at_density)
    for part, value in known.items():
        found, u = curve.fit.part(part)
        assert abs(found - value) <= u, part
        assert u < 0.7 * abs(found), part
    (leak,) = curve.leaks
    assert leak is not None
    assert abs(leak.siemens - 0.5) <= leak.u95


def test_sanding_changed_the_activation_and_not_the_ohms() -> None:
    made = polarise([swept(), swept(SANDED, build="B: sanded", seed=2)])
    (found,) = (c.differences for c in made.comparisons)
    by_part = {d.part: d for d in found}
    t = made.reference_c + KELVIN
    expected = -GAS_CONSTANT * t / (sweep_stack().transfer * FARADAY) * math.log(SANDED)
    act = by_part["activation_volts"]
    assert act.low <= expected <= act.high
    assert act.high - act.low < 0.03, "errors of the meters that both runs share cancel"
    assert not by_part["ohmic_volts"].significant
    text = made.comparisons[0].sentence
    assert "changed the activation part" in text
    assert "ohmic not told apart" in text
    assert "can not separate the build from the day" in text


def test_an_ohmic_change_is_told_as_one() -> None:
    bench, block = made_sweep(
        levels=(2.0, 3.0, 4.5, 6.5, 9.0, 12.0, 16.0, 20.0), hold_s=90, seed=5, stack=sweep_stack(gap_mm=6.0)
    )
    wide = replace(swept_blocks(bench, [block]), build="B: wide gaps")
    made = polarise([swept(), wide])
    by_part = {d.part: d for d in made.comparisons[0].differences}
    more = 1e-3 * made.at_density * 0.3 / float(conductivity_gilliam_s_cm(made.reference_c, 0.2))
    assert by_part["ohmic_volts"].low <= more <= by_part["ohmic_volts"].high
    assert by_part["ohmic_volts"].low > 0.0
    assert not by_part["activation_volts"].significant


def test_steps_that_did_not_settle_are_left_out_and_say_why() -> None:
    bench, block = made_sweep(levels=(3.0, 6.0, 12.0), hold_s=45)
    run = swept_blocks(bench, [block])
    assert run.sweep.steps
    assert not run.sweep.used
    assert all("held for" in s.reason for s in run.sweep.steps)
    made = polarise([run])
    assert made.builds[0].fit is None
    assert "held for" in made.builds[0].reason
    assert "CURVE" in _printed(made)
    json.dumps(made.as_dict(), allow_nan=False)


def test_a_run_without_a_sweep_says_so() -> None:
    made = polarise([replace(swept_blocks(torch(), workshop_run()), build="A")])
    assert made.builds[0].fit is None
    assert "can not tell ohmic from activation" in made.builds[0].reason
    off = swept_blocks(torch(), [Block("head", np.array([1, 2]), np.array([1, 2]), {})])
    assert "no stretch" in polarise([off]).builds[0].reason


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a sweep of each build."""
    where = tmp_path_factory.mktemp("sweeps") / "store"
    with Store(where, writer=True) as store:
        for day, (build, exchange) in enumerate([("A: as cut", 1.0), ("B: sanded", SANDED)]):
            _, block = sent_by(exchange, seed=day + 1)
            store_run(store, sweep_text(), block, build=build, day=day)
    return where


def ids(folder: Path) -> list[str]:
    with Store(folder) as store:
        return sorted(r.id for r in store.logbook.list_runs(limit=10))


def test_the_command_writes_all_its_forms(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page, picture = tmp_path / "p.html", tmp_path / "p.png"
    command = ["polarisation", *ids(folder), "--store", str(folder)]
    assert main([*command, "--html", str(page), "--png", str(picture)]) == 0
    printed = capsys.readouterr().out
    assert printed.splitlines()[1].startswith("B: sanded against A: as cut changed the activation part at")
    assert "Tafel slope" in printed
    assert picture.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    text = page.read_text(encoding="utf-8")
    assert "can detonate" in text
    assert "<script" not in text
    assert main([*command, "--json", "--by", "run"]) == 0
    body = json.loads(capsys.readouterr().out)
    assert body["schema"] == "lyewatch.polarisation/1"
    assert len(body["builds"]) == 2
    parts = body["builds"][0]["parts"]
    assert parts["ohmic_ohm_cm2"]["unit"] == "ohm cm2"
    assert all(p["unit"] for p in parts.values())
    for step in body["builds"][0]["steps"]:
        for key, most in (("density", 3.0), ("cell_volts", 0.05), ("lye_temp", 1.0)):
            assert 0.0 < step[key]["u95"] < most, key
    assert "mA/cm²</td>" in text
    assert "Steps, as measured, ± U" in text


@pytest.mark.browser
def test_the_page_stands_in_a_browser(folder: Path, tmp_path: Path, page: Page) -> None:
    file = tmp_path / "p.html"
    assert main(["polarisation", *ids(folder), "--store", str(folder), "--html", str(file)]) == 0
    page.goto(file.as_uri())
    assert page.locator("svg[role=img]").count() == 1
    page.set_viewport_size({"width": 390, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_a_plain_warm_up_on_coarse_meters_lists_no_dozens_of_steps() -> None:
    """The last digit of volts flickers by 0.2 V and of amps by 0.2 A: it is nobody's hand at the supply."""
    bench, block = sent(bench_text(), seconds=2400)
    rng = np.random.default_rng(1)
    for digit, noise in ((0.2, 0.05), (0.5, 0.05), (0.1, 0.1), (0.05, 0.02)):
        values = dict(block.values)
        for name, sigma in (("volts", noise), ("amps", 2.0 * noise)):
            exact = values[name] + sigma * rng.standard_normal(values[name].size)
            values[name] = np.round(exact / digit) * digit
        run = swept_blocks(bench, [Block(block.source, block.t_ns, block.seq, values)])
        assert len(run.sweep.steps) <= 2, digit
        text = _printed(polarise([replace(run, build="A")]))
        assert text.count("not used") <= 2


def test_many_unused_steps_are_told_in_one_line() -> None:
    bench, block = made_sweep(levels=tuple(np.linspace(3.0, 12.0, 14)), hold_s=45)
    made = polarise([swept_blocks(bench, [block])])
    text = _printed(made)
    assert text.count("not used") == 1
    assert "stretches between" in text
    assert "held" in text
    assert as_html(polarisation_document(made)).count("held for") <= 2


@pytest.mark.parametrize(("ohms", "slope", "words"), [(0.0, 0.34, "ohmic resistance"), (0.4, 0.26, "")])
def test_a_fit_at_its_bound_says_so(ohms: float, slope: float, words: str) -> None:
    """Volts that bend the other way can not be an ohmic part: r ends at 0 and Tafel's slope takes it all."""
    rng = np.random.default_rng(3)
    density = np.array([20.0, 40.0, 80.0, 120.0, 180.0, 240.0])
    bend = -1.5e-6 * density**2 if ohms == 0.0 else np.zeros_like(density)
    tafel = slope * np.log10(density / 0.5) if ohms else slope * np.arcsinh(0.5 * density / 20.0)
    volts = 1.18 + 1e-3 * ohms * density + tafel + bend + 1e-4 * rng.standard_normal(6)
    points = Points(
        density=density,
        cell_volts=volts,
        lye_temp=np.full(6, 50.0),
        reversible=lambda t: np.full_like(t, 1.18),
        kappa=lambda t: np.ones_like(t),
        propagated={},
    )
    fit = fit_parts(points, reference_c=50.0, at_density=100.0)
    if words:
        assert words in " ".join(fit.at_bounds)
        assert "only the volts per cell hold" in " ".join(fit.at_bounds)
        run = swept()
        healthy = polarise([run])
        assert healthy.builds[0].fit is not None
        own = healthy.builds[0]
        curve = BuildCurve.of("bound", own.runs, points, own.leaks, fit, "", own.notes)
        result = side_by_side(healthy.reference_c, healthy.at_density, [own, curve])
        by_part = {d.part: d for d in result.comparisons[0].differences}
        assert not by_part["ohmic_volts"].significant
        assert by_part["cell_volts"].reason == ""
        assert "has no parts to be told by" in result.comparisons[0].sentence
        assert "AT ITS BOUND" in _printed(result)
        assert result.as_dict()["builds"][1]["at_bounds"]
        assert "ended at its bound" in as_html(polarisation_document(result))
    else:
        assert fit.at_bounds == ()
