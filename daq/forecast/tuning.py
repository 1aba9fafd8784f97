"""What the runaway watch believes before it has heard a bench, and how it decides.

Every constant has its unit and its source: "literature" names a paper, "measured" was chosen on the seeds
below 1500 of `tests.plants`, "judgement" is neither. Modules beside this one still hold constants of their
own matter; those that bear on how sure the watch is are here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

__all__ = ["TUNING", "Tuning"]


@dataclass(frozen=True, slots=True)
class Tuning:
    """One set for every bench.

    References
    ----------
    .. [1] G. E. Uhlenbeck, L. S. Ornstein, Phys. Rev. 36 (1930) 823, DOI 10.1103/PhysRev.36.823; as a shaping
       filter in an augmented state: A. Gelb (ed.), Applied Optimal Estimation, MIT Press 1974, section 4.5.
    .. [2] R. K. Mehra, IEEE Trans. Autom. Control 17 (1972) 693, DOI 10.1109/TAC.1972.1100100: noise matched
       to the innovations.
    .. [3] R. J. Gilliam et al., Int. J. Hydrogen Energy 32 (2007) 359, DOI 10.1016/j.ijhydene.2006.10.062.
    .. [4] J. Platt, in: Advances in Large Margin Classifiers, MIT Press 2000, p. 61: a logistic function of
       the log odds, with two parameters. From memory.
    """

    capacity_sd: float = 0.25
    """Of the heat capacity's logarithm by the bench file, lye and metal that were weighed or guessed.
    Judgement."""
    roughest: float = 0.8
    """The most that a range in the bench file adds to that. Judgement."""
    loss_wander: float = 0.03
    """Standard deviation of the loss' logarithm about its mean: draughts, doors. Measured; its form [1]."""
    loss_wander_s: float = 2400.0
    """Time constant with which the loss reverts [s]. Judgement: minutes to hours."""
    loss_walk: float = 0.03
    """What the mean of the loss' logarithm itself walks in a square-root hour. Measured."""
    amps_wander: float = 0.008
    """As `loss_wander`, of the current about its law: bubbles, wetted area. Judgement; its form [1]."""
    amps_wander_s: float = 2400.0
    """Time constant of that [s]. Judgement."""
    sensor_wander_s: float = 90.0
    """Time constant of a reading's correlated noise [s]. Judgement: eddies and bubbles at a probe."""
    sensor_wander_least: float = 0.015
    """Least standard deviation of it [K]: where innovations are larger it grows by itself. Measured."""
    sensor_wander_most: float = 0.8
    """Most of it [K]: beyond that it is something else. Judgement."""
    sensor_wander_gain: float = 0.15
    """Share by which that deviation follows the innovations in a bin. Judgement; its form [2]."""
    sensor_gate: float = 2.5
    """Innovations beyond so many of their standard deviations count as if at it: one wild reading among many.
    Judgement (P. J. Huber, Ann. Math. Stat. 35 (1964) 73, DOI 10.1214/aoms/1177703732)."""
    room_read_sd: float = 0.8
    """Of a measured room [K]: where its sensor hangs, an error that does not average away. Judgement."""
    share_read_sd: float = 0.08
    """Of the share of current that makes gas, by a flow meter of constant gain. Judgement."""
    sag: float = 0.012
    """Relative fall of the stack's volts by leads for a relative rise of the current. Judgement."""
    sag_sd: float = 0.02
    """Its standard deviation: leads of 0 to 5 per cent. Judgement."""
    sag_noise: float = 0.002
    """Of the volts' logarithm in a bin. Judgement."""
    strengthens: float = 0.15
    """Relative rise of the current for a relative loss of water by its use. Literature: 10 % less water is
    7 % stronger lye, at 20 to 25 % KOH 2 to 4 % better conducting [3]; about half reaches the current."""
    strengthens_sd: float = 0.12
    """Its standard deviation: a bench whose water is made up has none of it. Judgement."""
    strengthens_for_s: float = 7200.0
    """How far ahead the lye is taken to grow stronger where the stack settles [s]. Judgement."""
    beyond_sd: float = 0.04
    """Of the heat's logarithm for each ten kelvins beyond what has been seen: what no model of this bench has
    in it. Measured."""
    jump_every_s: float = 120.0
    """So often a hypothesis begins that the loss has just changed at once [s]. Judgement."""
    jump_once_s: float = 18000.0
    """Once in so long it does [s]. Judgement."""
    jump_sd: float = 0.5
    """Of the loss' logarithm where it has: a fan lost. Judgement."""
    jump_share_sd: float = 0.05
    """Of the share of the current that makes gas, where that is it: a leak. Judgement."""
    jump_sure: float = 0.98
    """Probability from which on the hypothesis is taken over. Judgement."""
    changed_loss_sd: float = 0.5
    """Of the loss' logarithm, forgotten where innovations lean to one side for long: what no hypothesis has
    explained. Measured."""
    refused_s: float = 480.0
    """A reading that rises faster than the heat allows is not believed for so long [s]. Judgement."""
    false_costs_min: float = 60.0
    """A false warning costs as much as so many minutes of lead [min], unless the bench file says otherwise.
    Judgement: whoever was called in vain once an hour of lead has been won still listens the next time."""
    calibration_early: tuple[float, float] = (-0.8, 0.95)
    """The chance's log odds are those of the share of futures that cross times the second, and the first: at
    the beginning of a run. Measured on 93 runs; its form [4]."""
    calibration_late: tuple[float, float] = (-1.4, 1.35)
    """The same after `calibration_s`. Measured: of what was foreseen with 0.4 a twelfth came true then, a
    third at the beginning."""
    calibration_s: float = 3600.0
    """In between it goes over from one to the other with the time watched [s]. Judgement."""
    stake_min: float = 14.0
    """Lead at stake while one waits to be surer [min]: what a person needs to act. Measured."""
    stake_early_min: float = 9.0
    """The same in the first minutes, when waiting teaches most [min]. Measured."""
    stake_rising_min: float = 60.0
    """The same where a straight rise would soon be at the limit, when most of it is [min]. Measured."""
    likelier: float = 0.72
    """Chance from which on it is said that the limit is crossed, where nothing is warned of. Measured."""
    clear_at: float = 0.12
    """Chance below which a warning is taken back. Measured."""

    between_runs: tuple[float, ...] = (0.05, 0.08, 0.02, 0.1, 0.2, 0.1, 0.2, 0.01)
    """Standard deviations of what changes from run to run of one build, in the order of
    `daq.forecast.experience.THERMAL_NAMES`: 8 % of the loss by where the fan and the lid stand. Judgement."""
    between_builds: tuple[float, ...] = (0.15, 0.25, 0.05, 0.2, 0.3, 0.3, 0.4, 0.03)
    """The same from build to build. Judgement."""
    between_runs_current: float = 0.08
    """Of the current's slope and bend, relative: electrodes age. Judgement."""
    between_builds_current: float = 0.25
    """The same from build to build. Judgement."""
    between_runs_sag: float = 0.006
    """Of the sag: clamps are undone and done up again. Judgement."""
    experience_believed: float = 0.8
    """Probability that an earlier run tells of this one. Judgement."""
    experience_sd_most: float = 0.3
    """Of the loss' logarithm at the end of a run: one that knew less has taught nothing. Judgement."""

    def _calibration(self, watched_s: float) -> tuple[float, float]:
        late = min(max(watched_s / self.calibration_s, 0.0), 1.0)
        shift, slope = (
            a + late * (b - a) for a, b in zip(self.calibration_early, self.calibration_late, strict=True)
        )
        return shift, slope

    def calibrated(self, share: float, watched_s: float) -> float:
        """The chance that a limit is crossed where this share of the futures cross it; 0 and 1 stay."""
        if not 0.0 < share < 1.0:
            return share
        shift, slope = self._calibration(watched_s)
        return 1.0 / (1.0 + math.exp(-shift - slope * math.log(share / (1.0 - share))))

    def share_of(self, chance: float, watched_s: float) -> float:
        """The share of futures at which `calibrated` gives a chance."""
        if not 0.0 < chance < 1.0:
            return chance
        shift, slope = self._calibration(watched_s)
        return 1.0 / (1.0 + math.exp((shift - math.log(chance / (1.0 - chance))) / slope))

    @staticmethod
    def raise_at(false_costs_min: float, stake_min: float) -> float:
        """The chance from which on a warning costs less than waiting: ``p stake = (1 - p) false``."""
        return false_costs_min / (false_costs_min + stake_min)


TUNING: Final = Tuning()
