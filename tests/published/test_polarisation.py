"""A cell's volts taken apart, against published polarisation sets and an independent fit of them.

The sets are bundled with aec-modelling: `ulleberg` (O. Ulleberg, Int. J. Hydrogen Energy 28 (2003) 21,
DOI 10.1016/S0360-3199(02)00033-2, a 26 kW stack, 30 to 80 degC) and `degroot_temperature`, `degroot_pressure`
(M. T. de Groot, J. Kraakman, R. L. Garcia Barros, Int. J. Hydrogen Energy 2022,
DOI 10.1016/j.ijhydene.2022.08.075, a single cell, 50 to 70 degC). Its own fit of the same three parts
(L. Jin et al., Appl. Therm. Eng. 262 (2025) 125154) is by another optimiser, with other coefficients (a path
length, a transfer coefficient, an Arrhenius line) and other correlations of water and lye.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from aec_modelling import datasets, electrolyte, fit_polarization

from daq.errors import LyewatchError
from daq.physics.cell_voltage import v_rev_in_lye
from daq.physics.conductivity import conductivity_gilliam_s_cm
from daq.physics.constants import FARADAY, GAS_CONSTANT, KELVIN
from daq.physics.polarisation import (
    LN10,
    activation_volts,
    exchange_density_ma_cm2,
    ohmic_volts,
    transfer_coefficient,
)
from daq.study.polarisation.fit import PARTS, PRIOR_EA, PRIOR_EA_U, Points, PolarisationFit, fit_parts

SETS = ("ulleberg", "degroot_temperature", "degroot_pressure")


def points(frame: Any) -> Points:
    """A set as points, each at its own pressure (at the set's mean away from the points)."""
    p = frame["P"].to_numpy() * 100.0 if "P" in frame else np.full(len(frame), 700.0)

    def reversible(t_c: np.ndarray) -> np.ndarray:
        return np.asarray(v_rev_in_lye(t_c, 0.3, p if t_c.size == p.size else float(p.mean())))

    return Points(
        frame["j"].to_numpy(),
        frame["V"].to_numpy(),
        frame["T"].to_numpy() - KELVIN,
        reversible,
        lambda t_c: np.asarray(conductivity_gilliam_s_cm(t_c, 0.3)),
        {},
    )


def fitted(name: str, reference_c: float = 60.0, at: float = 150.0) -> tuple[PolarisationFit, Any, Any]:
    frame = datasets.load(name)
    ours = fit_parts(points(frame), reference_c=reference_c, at_density=at)
    return ours, fit_polarization(frame, activation="asinh"), frame


@pytest.mark.parametrize("name", SETS)
def test_parts_are_those_of_another_fit_of_the_same_points(name: str) -> None:
    # degroot_pressure was all taken at 50 degC: parts elsewhere would come from the priors
    reference_c = 50.0 if name == "degroot_pressure" else 60.0
    ours, theirs, frame = fitted(name, reference_c)
    t = reference_c + KELVIN
    m = theirs.model
    r = m.delta_l / float(electrolyte.conductivity(t, 0.3))
    b = GAS_CONSTANT * t / (2.0 * FARADAY * m.alpha)
    j0 = math.exp(m.C1 / t + m.C2)
    act = b * math.asinh(150.0 / (2.0 * j0))
    # two reversible voltages that lie 0.24 mV apart (LeRoy's and CODATA's) and two of KOH's vapour
    assert ours.part("ohmic_ohm_cm2")[0] == pytest.approx(r, rel=0.005)
    assert ours.part("tafel_v_decade")[0] == pytest.approx(LN10 * b, rel=0.005)
    assert ours.part("activation_volts")[0] == pytest.approx(act, abs=0.001)
    assert ours.part("ohmic_volts")[0] == pytest.approx(0.15 * r, abs=0.001)
    assert ours.part("ohmic_ohm_cm2")[1] < 0.25 * r
    assert transfer_coefficient(float(ours.theta[1]), reference_c) == pytest.approx(m.alpha, rel=0.005)
    rms = float(np.sqrt(np.mean((frame["V"].to_numpy() - ours.fitted) ** 2)))
    assert rms <= 1.01 * theirs.rmse, "the curve lies as close to the points"
    if name != "degroot_pressure":
        assert abs(float(ours.theta[3]) + m.C1 * GAS_CONSTANT) < 2000.0
        assert abs(float(ours.theta[3]) - PRIOR_EA) < PRIOR_EA_U, "where the prior's judgement comes from"


def test_ohmic_part_agrees_with_ullebergs_own() -> None:
    """His own law: r1 + r2 t = 8.05e-5 - 2.5e-7 t ohm m2, so 0.655 ohm cm2 at 60 degC, with s = 0.185 V a
    decade; the law has one more coefficient for the logarithm, so parts compare only within their U and his.
    """
    ours, _, _ = fitted("ulleberg")
    r, u = ours.part("ohmic_ohm_cm2")
    assert abs(r - 0.655) < 2.0 * u
    slope, slope_u = ours.part("tafel_v_decade")
    assert abs(slope - 0.185) < 2.0 * slope_u
    # the sum is known far better than what it is made of
    j = 15.0e2  # A/m2
    his = 0.655e-4 * j + 0.185 * math.log10((-0.1002 + 8.424 / 60.0 + 247.3 / 3600.0) * j + 1.0)
    assert ours.part("ohmic_volts")[0] + ours.part("activation_volts")[0] == pytest.approx(his, abs=0.012)
    assert ours.mixing < -0.9


def test_coverage_of_the_stated_uncertainties() -> None:
    """Known parts with 3 mV of noise: the 95 % intervals hold the truth as often as they say."""
    t = np.linspace(38.0, 46.0, 9)
    j = np.geomspace(8.0, 130.0, 9)
    true = np.array([1.2, LN10 * 0.062, math.log(2e-3)])

    def kappa(t_c: np.ndarray) -> np.ndarray:
        return np.asarray(conductivity_gilliam_s_cm(t_c, 0.2))

    def reversible(t_c: np.ndarray) -> np.ndarray:
        return np.asarray(v_rev_in_lye(t_c, 0.2))

    rng = np.random.default_rng(12)
    held = np.zeros(2)
    tries = 300
    for _ in range(tries):
        energy = rng.normal(PRIOR_EA, PRIOR_EA_U)
        j0 = np.asarray(exchange_density_ma_cm2(t, 2e-3, 42.0, energy))
        volts = reversible(t) + ohmic_volts(j, 1.2, kappa(np.array([42.0]))[0] / kappa(t))
        volts = volts + activation_volts(j, j0, 0.062 * (t + KELVIN) / (42.0 + KELVIN))
        volts = volts + 0.003 * rng.standard_normal(9)
        fit = fit_parts(Points(j, volts, t, reversible, kappa, {}), reference_c=42.0, at_density=32.0)
        for k, (key, truth) in enumerate(
            (
                ("ohmic_ohm_cm2", true[0]),
                ("activation_volts", 0.062 * math.asinh(32.0 / (2.0 * math.exp(true[2])))),
            )
        ):
            value, u = fit.part(key)
            held[k] += abs(value - truth) <= u
    # four standard errors of a share of 300 at 0.95 are 0.05
    assert (np.abs(held / tries - 0.95) <= 0.05).all(), held / tries


def test_a_shared_error_moves_the_parts_as_the_fit_moves() -> None:
    """1 % on every volt, propagated linearly, against the fit of volts that are 1 % higher."""
    frame = datasets.load("degroot_temperature")
    plain = points(frame)
    zero = np.zeros(len(plain))
    propagated = {"gain": (zero, 0.01 * plain.cell_volts, zero), "amps": (0.01 * plain.density, zero, zero)}
    linear = fit_parts(
        Points(plain.density, plain.cell_volts, plain.lye_temp, plain.reversible, plain.kappa, propagated),
        reference_c=60.0,
        at_density=150.0,
    )
    for name, (dj, dv, _) in propagated.items():
        moved = fit_parts(
            Points(
                plain.density + dj, plain.cell_volts + dv, plain.lye_temp, plain.reversible, plain.kappa, {}
            ),
            reference_c=60.0,
            at_density=150.0,
        )
        shift = moved.parts - linear.parts
        for key in ("ohmic_ohm_cm2", "activation_volts", "ohmic_volts", "cell_volts"):
            k = list(PARTS).index(key)
            assert linear.propagated[name][k] == pytest.approx(shift[k], rel=0.06, abs=2e-4), (name, key)


def test_too_little_is_refused() -> None:
    frame = datasets.load("ulleberg")
    few = frame[frame["T"] < 304.0].head(4)
    with pytest.raises(LyewatchError, match="can not tell ohmic from activation"):
        fit_parts(points(few), reference_c=30.0, at_density=50.0)
    narrow = frame[(frame["j"] > 150.0) & (frame["j"] < 250.0)]
    with pytest.raises(LyewatchError, match="can not tell ohmic from activation"):
        fit_parts(points(narrow), reference_c=60.0, at_density=200.0)
