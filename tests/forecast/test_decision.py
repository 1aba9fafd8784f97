"""How soon and how surely a warning is raised."""

from __future__ import annotations

import math

import pytest

from daq.forecast.decision import WarningState
from daq.forecast.tuning import TUNING

RAISE_AT, RAISE_AT_EARLY, RAISE_AT_RISING = (
    TUNING.raise_at(TUNING.false_costs_min, stake)
    for stake in (TUNING.stake_min, TUNING.stake_early_min, TUNING.stake_rising_min)
)


def raised_after(
    chance: float,
    *,
    left_s: float = math.inf,
    rises_to_s: float = math.inf,
    watched_s: float = math.inf,
    loss_sd: float = 0.0,
) -> float:
    """Seconds until it is raised; infinite if not within an hour."""
    state = WarningState()
    for t in range(0, 3600, 20):
        if state.update(
            float(t),
            chance,
            powered=True,
            left_s=left_s,
            rises_to_s=rises_to_s,
            watched_s=watched_s + t,
            loss_sd=loss_sd,
        ):
            return float(t)
    return math.inf


@pytest.mark.parametrize(
    ("chance", "left_s", "rises_to_s", "after_s"),
    [
        (RAISE_AT, math.inf, math.inf, TUNING.raise_after_most_s),
        (RAISE_AT, 6.0 * 3600.0, math.inf, TUNING.raise_after_most_s),
        (RAISE_AT, 6000.0, math.inf, 120.0),
        (RAISE_AT, 1900.0, math.inf, TUNING.raise_after_s),
        (RAISE_AT, 600.0, math.inf, TUNING.raise_after_near_s),
        (RAISE_AT, TUNING.at_once_s - 1.0, math.inf, 0.0),
        (RAISE_AT, 600.0, TUNING.at_once_s - 1.0, 0.0),
        (RAISE_AT_RISING, 600.0, TUNING.at_once_s - 1.0, TUNING.raise_after_near_s),
        (RAISE_AT - 0.01, 600.0, math.inf, math.inf),
        (RAISE_AT_RISING, 600.0, 3600.0, math.inf),
        (RAISE_AT_RISING, 600.0, TUNING.rises_to_s - 1.0, TUNING.raise_after_s),
        (RAISE_AT_RISING, 600.0, TUNING.rises_to_s, math.inf),
        (RAISE_AT_RISING - 0.01, 600.0, 300.0, math.inf),
    ],
)
def test_the_nearer_the_limit_the_sooner(
    chance: float, left_s: float, rises_to_s: float, after_s: float
) -> None:
    assert raised_after(chance, left_s=left_s, rises_to_s=rises_to_s) == after_s


@pytest.mark.parametrize(
    ("chance", "rises_to_s", "after_s"),
    [
        (RAISE_AT_EARLY, math.inf, TUNING.raise_after_near_s),
        (RAISE_AT, math.inf, TUNING.early_s - 180.0 + TUNING.raise_after_near_s),
        (RAISE_AT_RISING, 300.0, TUNING.raise_after_s),
    ],
)
def test_of_a_stack_hardly_seen_more_certainty_is_asked(
    chance: float, rises_to_s: float, after_s: float
) -> None:
    """Three minutes seen, twenty left: what will do later waits until it has been seen for longer."""
    assert raised_after(chance, left_s=1200.0, rises_to_s=rises_to_s, watched_s=180.0) == after_s


@pytest.mark.parametrize(
    ("loss_sd", "left_s", "rises_to_s", "after_s"),
    [
        (TUNING.loss_unseen_sd, 6000.0, math.inf, 120.0),
        (TUNING.loss_unseen_sd + 0.01, 6000.0, math.inf, math.inf),
        (TUNING.loss_unseen_sd + 0.01, 6000.0, TUNING.rises_to_s - 1.0, TUNING.raise_after_s),
    ],
)
def test_before_the_loss_is_seen_only_what_is_near_is_warned_of(
    loss_sd: float, left_s: float, rises_to_s: float, after_s: float
) -> None:
    """What straight rise would have at the limit in ten minutes is near, whatever the futures say."""
    assert raised_after(1.0, left_s=left_s, rises_to_s=rises_to_s, loss_sd=loss_sd) == after_s


@pytest.mark.parametrize(("chance", "is_raised"), [(TUNING.again_at, True), (TUNING.again_at - 0.01, False)])
def test_a_loss_that_was_seen_and_is_lost_again_is_warned_of(chance: float, is_raised: bool) -> None:
    """A fan that fails leaves a loss that nobody knows, but that it is too little: an hour is too long to
    wait until it has been measured.
    """
    state = WarningState()
    state.update(0.0, 0.0, powered=True, loss_sd=0.5 * TUNING.loss_unseen_sd)
    for t in range(20, 3600, 20):
        state.update(float(t), chance, powered=True, left_s=6000.0, loss_sd=2.0 * TUNING.loss_unseen_sd)
    assert state.raised == is_raised


@pytest.mark.parametrize("false_costs_min", [10.0, 60.0, 600.0])
def test_where_it_is_raised_waiting_costs_as_much_as_a_false_warning(false_costs_min: float) -> None:
    """The threshold of two actions by expected cost (any text on decision theory)."""
    p = TUNING.raise_at(false_costs_min, TUNING.stake_min)
    assert p * TUNING.stake_min == pytest.approx((1.0 - p) * false_costs_min)


def test_who_minds_false_warnings_more_is_told_later() -> None:
    patient, hasty = WarningState(600.0), WarningState(10.0)
    for t in range(0, 3600, 20):
        patient.update(float(t), 0.8, powered=True)
        hasty.update(float(t), 0.8, powered=True)
    assert hasty.raised
    assert not patient.raised


@pytest.mark.parametrize("watched_s", [0.0, 900.0, 3600.0, 36_000.0])
def test_calibration_keeps_the_order_and_goes_both_ways(watched_s: float) -> None:
    """A logistic function of the log odds (Platt) is monotonic and has an inverse."""
    calibrated = [TUNING.calibrated(k / 64.0, watched_s) for k in range(65)]
    assert calibrated == sorted(calibrated)
    assert (calibrated[0], calibrated[-1]) == (0.0, 1.0)
    for k in range(1, 64):
        assert TUNING.share_of(calibrated[k], watched_s) == pytest.approx(k / 64.0)
