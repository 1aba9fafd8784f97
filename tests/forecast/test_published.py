"""The runaway watch given the systems of thermal explosion theory, whose steady states are known.

Semenov's balance ``theta = psi exp(theta)`` has its roots at -W0(-psi) and -W-1(-psi) (Lambert's W, scipy)
and none beyond psi = 1/e (F. A. Williams, Combustion Theory, app. B). A cell at a held voltage whose current
grows as exp(alpha dT) is that system, with psi = alpha P0 R. Values: N 6, V 2.3 V, I0 10 A, alpha 0.02 /K,
P0 49.128 W, worked out with scipy.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import lambertw

from daq.forecast.config import Tables
from daq.forecast.current_model import CurrentLaw
from daq.forecast.ensemble import Ensemble, propagate
from daq.forecast.thermal_filter_bank import (
    CAPACITY,
    FARADAIC,
    FAST_SHARE,
    GAMMA,
    KAPPA,
    MEAN,
    ROOM,
    SENSOR,
    VAPOUR,
    ThermalFilter,
)
from daq.forecast.tuning import Tuning
from tests.forecast.lumped import CELLS, Lumped, dry, followed

ALPHA = 0.02


def known(stack: Lumped, lye_c: float, *, bend: float) -> Ensemble:
    """The futures of a stack all of which is known."""
    config = stack.config(90.0)
    tables = Tables(config)
    # Constant heat for an ampere: what leaves as gas does not change with temperature.
    tables.gas_volts[:] = 1.4812 * CELLS
    tables.vapour_volts[:] = 0.0
    thermal = ThermalFilter(tables, config)
    thermal.started = True
    thermal.p[:] = 0.0
    thermal.x[:] = 0.0
    thermal.x[:, (MEAN, SENSOR)] = lye_c
    thermal.x[:, CAPACITY] = -math.log(stack.capacity_j_k)
    thermal.x[:, KAPPA] = -math.log(stack.capacity_j_k * stack.r_k_w)
    thermal.x[:, (GAMMA, VAPOUR, FAST_SHARE)] = 0.0
    thermal.x[:, FARADAIC] = 1.0
    thermal.x[:, ROOM] = stack.room_c
    law = CurrentLaw(config)
    law.x[:] = math.log(stack.amps), ALPHA, bend * ALPHA, 0.0
    law.p[:] = 0.0
    law.sag[:] = law.sag_p[:] = 0.0
    law.t_ref = stack.room_c
    law.t_now, law.amps = lye_c, stack.amps
    law.volts = 1.4812 * CELLS + stack.p0_w / stack.amps
    return propagate(thermal, law, tables, tuning=Tuning(strengthens=0.0, strengthens_sd=0.0, beyond_sd=0.0))


@pytest.mark.parametrize("psi", [0.1, 0.2, 0.3, 0.36])
def test_it_settles_at_semenovs_lower_root(psi: float) -> None:
    """Tolerance: the law of the current reaches exp only in a limit (q alpha / 1000: 0.05 % of it)."""
    stack = Lumped(r_k_w=psi / (ALPHA * 49.128))
    theta = float(-lambertw(-psi, 0).real)
    futures = known(stack, stack.room_c + 0.5, bend=0.001)
    assert np.ptp(futures.settles_c) < 1e-9
    assert (futures.settles_c[0] - stack.room_c) * ALPHA == pytest.approx(theta, rel=0.004)


@pytest.mark.parametrize("psi", [0.3, 0.36])
def test_above_semenovs_upper_root_it_runs_away(psi: float) -> None:
    stack = Lumped(r_k_w=psi / (ALPHA * 49.128), room_c=0.0, p0_w=49.128)
    upper = float(-lambertw(-psi, -1).real) / ALPHA
    below, above = (known(stack, upper + d, bend=0.001).settles_c[0] for d in (-2.0, 2.0))
    assert below < upper
    assert math.isinf(above)


@pytest.mark.parametrize(
    ("psi", "adiabatic_times"), [(0.38, 8.15467), (0.40, 4.83990), (0.5, 2.37331), (1.0, 1.35910)]
)
def test_beyond_one_over_e_there_is_no_steady_state_and_the_time_is_semenovs(
    psi: float, adiabatic_times: float
) -> None:
    """d(theta)/d(tau) = exp(theta) - theta/psi; by theta = 1.5 (80 degC) most of that time has passed."""
    stack = Lumped(r_k_w=psi / (ALPHA * 49.128))
    futures = known(stack, stack.room_c, bend=0.001)
    assert np.isinf(futures.settles_c).all()
    adiabatic_s = stack.capacity_j_k / (ALPHA * stack.p0_w)
    goal = 1.5

    def until(theta: float) -> float:
        """Adiabatic times until theta is reached: the integral of d(theta) over its rate."""
        return float(quad(lambda x: 1.0 / (math.exp(x) - x / psi), 0.0, theta, limit=200)[0])

    assert until(20.0) == pytest.approx(adiabatic_times, abs=1e-4)
    seconds = until(goal) * adiabatic_s
    predicted = futures.time_to(stack.room_c + goal / ALPHA, stack.room_c)[0]
    assert predicted == pytest.approx(seconds, rel=0.03)


@pytest.mark.parametrize(("r_k_w", "rise_k"), [(0.1, 5.4481), (0.3, 20.8987), (0.37, 28.5604)])
def test_a_current_that_grows_in_proportion_settles_where_the_gain_says(r_k_w: float, rise_k: float) -> None:
    """I = I0 (1 + alpha dT): gain alpha P0 R, rise P0 R / (1 - gain)."""
    stack = Lumped(r_k_w=r_k_w)
    futures = known(stack, stack.room_c + 0.5, bend=1.0)
    assert futures.settles_c[0] - stack.room_c == pytest.approx(rise_k, abs=0.02)
    assert futures.gain[0] == pytest.approx(ALPHA * stack.p0_w * r_k_w, rel=1e-3)


@pytest.mark.parametrize(
    ("r_k_w", "rise_k", "within_k"),
    [(0.3, 23.6542, 2.0), (0.37, 42.6936, 5.0)],
    ids=["psi 0.295", "psi 0.364, all but critical"],
)
def test_it_learns_where_semenovs_stack_settles(r_k_w: float, rise_k: float, within_k: float) -> None:
    """From readings alone, at 70 % of the rise. Close to 1/e half a per cent of R moves the root by 2 K."""
    stack = Lumped(r_k_w=r_k_w)
    share = stack.rise(40_000.0)
    seconds = float(np.argmax(share > 0.7 * rise_k) * stack.tick_s)
    watch = dry(stack.config(70.0))
    followed(stack, watch, seconds)
    forecast = watch.forecast()
    assert forecast is not None
    assert forecast.steady_state_c.value == pytest.approx(stack.room_c + rise_k, abs=within_k)
    assert not watch.warnings


def test_it_learns_that_a_stack_beyond_critical_does_not_settle() -> None:
    """R 0.5 K/W: psi 0.49128. Warned in the first half of the way, the time right within a tenth."""
    stack = Lumped(r_k_w=0.5)
    rise = stack.rise(40_000.0)
    crosses = float(np.argmax(rise >= 60.0) * stack.tick_s)
    watch = dry(stack.config(stack.room_c + 60.0))
    followed(stack, watch, 0.6 * crosses)
    forecast = watch.forecast()
    assert forecast is not None
    assert watch.warnings
    assert watch.warnings[0].raised_s < 0.5 * crosses
    left = forecast.time_to_limit_s["high"].value
    assert left is not None
    assert left == pytest.approx(crosses - forecast.at_s, rel=0.1)


@pytest.mark.parametrize(("at_s", "rise_k"), [(400.0, 10.617562), (1600.0, 30.341787), (3200.0, 41.503906)])
def test_a_lumped_step_is_followed(at_s: float, rise_k: float) -> None:
    """C 2000 J/K, R 0.8 K/W, 60 W: first-order lumped system (Incropera & DeWitt, ch. 5), settling at 48 K.

    Known the better the longer it is watched: before data come, loss is held to grow faster than in
    proportion, as free convection does, and this one does not.
    """
    stack = Lumped(r_k_w=0.8, p0_w=60.0, law=lambda _: 1.0)
    watch = dry(stack.config(80.0, mode="constant_current"))
    followed(stack, watch, at_s)
    forecast = watch.forecast()
    assert forecast is not None
    assert forecast.lye_c == pytest.approx(stack.room_c + rise_k, abs=0.4)
    assert forecast.steady_state_c.value is not None
    assert forecast.steady_state_c.value - stack.room_c == pytest.approx(
        48.0, abs={400.0: 12.0, 1600.0: 5.0}.get(at_s, 1.5)
    )
