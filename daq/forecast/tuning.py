"""What the runaway watch believes before it has heard a bench, and how it decides.

Every constant has its unit and its source: "literature" names a paper, "measured" was chosen on the seeds
below 1500 of `tests.plants` or on the two older simulators, "judgement" is neither, as where nothing is said.
What modules keep beside it is arithmetic: indices, grids, bounds, and the design of the numbers drawn.
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
    calibration_early: tuple[float, float] = (-0.7, 0.95)
    """The chance's log odds are those of the share of futures that cross times the second, and the first: at
    the beginning of a run. Measured on 246 runs; its form [4]."""
    calibration_late: tuple[float, float] = (-1.4, 1.35)
    """The same after `calibration_s`. Measured on the same."""
    calibration_s: float = 3600.0
    """In between it goes over from one to the other with the time watched [s]. Judgement."""
    stake_min: float = 14.0
    """Lead at stake while one waits to be surer [min]: what a person needs to act. Measured."""
    stake_early_min: float = 11.0
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

    # Readings
    glitch_ticks: int = 4
    """A reading that has leapt is believed after so many ticks running [1]. Judgement."""
    stuck_by_chance: float = 1e-9
    """Probability of standing still for so long by its own noise, below which a reading is stuck [1].
    Judgement."""
    stuck_forgets: float = 0.02
    """Weight of a tick in how often a reading changes: as of the last hundred or so [1]. Judgement."""
    stuck_changes_least: float = 0.12
    """Share of ticks with another value below which the last digit is too coarse to tell by [1].
    Judgement."""
    stuck_changes_most: float = 0.9
    """That share is taken as no more than this [1]. Judgement."""
    stuck_often: int = 8
    """A run of equal readings counts so far for how often they change: beyond that it may be the fault itself
    [1]. Judgement."""
    stuck_never_s: float = 240.0
    """A reading that has not changed since it began is held to be stuck after so long under power [s].
    Judgement."""
    stuck_outlasts: float = 3.0
    """How much longer than any ordinary run before: near its end a rise leaves each digit more slowly than
    the one before [1]. Judgement."""

    # The heat balance
    room_unknown: tuple[float, float] = (22.0, 4.0)
    """A room that nobody told: its mean and standard deviation [degC], [K]. Judgement."""
    room_stated_sd: float = 1.5
    """Of a room that the bench file says [K]. Judgement."""
    room_measured_sd: float = 0.5
    """Of a room as first measured [K]. Judgement."""
    room_cold: tuple[float, float] = (-0.5, 2.5)
    """Of lye that has stood, over the lye: mean and standard deviation [K]; the room is unknown.
    Judgement."""
    cold_c: tuple[float, float] = (28.0, 42.0)
    """Lye has surely stood where it is no warmer than the first, surely not where it is warmer than the
    second [degC]. Judgement."""
    rise_share: float = 0.85
    """A limit is set a little above where the bench is meant to work: so far up it would settle, before data
    [1]. Judgement."""
    rise_median_k: float = 30.0
    """The same where there is no limit [K]. Judgement."""
    losses: tuple[tuple[float, float, float], ...] = ((-0.6, 0.35, 0.3), (0.0, 0.35, 0.4), (0.6, 0.35, 0.3))
    """How the loss may differ from that (logarithm), its standard deviation, its weight [1]. Judgement."""
    growth_applies_s: float = 1800.0
    """For so long what is learned of the current bears on what was believed of the loss [s]. Judgement."""
    gamma: tuple[float, float] = (0.12, 0.07)
    """How loss grows: 0 is a fan's linear loss, 0.25 free convection, radiation between; mean and standard
    deviation [1]. Literature: Newton's law; W. H. McAdams, Heat Transmission, 1954, from memory."""
    vapour: tuple[float, float] = (0.7, 0.25)
    """Share of saturation at which gas leaves: mean and standard deviation [1]. Judgement."""
    lags: tuple[tuple[float, float, float], ...] = ((math.log(9.0), 0.6, 0.8), (math.log(75.0), 0.4, 0.2))
    """Sensor behind the lye [ln s], standard deviation, weight: in the lye, or in a well. Judgement."""
    fast_share: tuple[float, float] = (0.6, 0.6)
    """Heat of the fast mode to that of the whole: mean and standard deviation [1]. Judgement."""
    fast_times: tuple[tuple[float, float, float], ...] = ((0.008, 0.6, 0.5), (0.035, 0.6, 0.5))
    """Its time constant to the bench's own, standard deviation of its logarithm, weight [1]. Judgement."""
    gas_share: tuple[float, float] = (0.97, 0.04)
    """Share of the current that makes gas: mean and standard deviation [1]. Judgement."""
    mean_walk: float = 0.08
    """What the bench's temperature walks beside its balance in a square-root hour [K]. Measured."""
    fast_walk: float = 0.05
    """The same of the fast mode [K]. Judgement."""
    capacity_walk: float = 0.02
    """Of the capacity's logarithm in a square-root hour [1]. Judgement."""
    room_walk: float = 0.7
    """Of a room that is not measured in a square-root hour [K]. Judgement."""
    fast_share_walk: float = 0.05
    """Of the fast mode's share in a square-root hour [1]. Judgement."""
    gas_share_walk: float = 0.01
    """Of the share of the current that makes gas in a square-root hour [1]. Judgement."""
    room_measured_walk: float = 1.0 / 3600.0
    """What a measured room walks [K2/s]. Judgement."""
    rate_noise_s: float = 2.0
    """A reading's time is uncertain by so much [s]. Judgement."""
    cusum_drift: float = 0.5
    """Innovations that count for nothing in the cumulative sum, in standard deviations [1]. Literature: E. S.
    Page, Biometrika 41 (1954) 100; the value judgement."""
    cusum_limit: float = 8.0
    """Its limit [1]. Judgement."""
    loud_k: float = 0.15
    """Correlated noise at which twice as much is asked of it [K]. Judgement."""
    louder_most: float = 1.5
    """By so much more at most [1]. Judgement."""
    leap_k: float = 0.4
    """No loss cools the lye at once by so much [K],"""
    leap_sd: float = 6.0
    """nor by so many standard deviations: other water has come in [1]. Judgement."""
    mixing_s: float = 300.0
    """It mixes for so long [s]. Judgement."""
    faster: float = 1.2
    """Of the rate at which all the heat would warm the stack: how much faster than predicted it may warm [1].
    At 1 the whole loss has gone; the rest is for a capacity that is unsure. Judgement."""
    agrees_sd: float = 2.0
    """A reading within so many standard deviations of what was expected agrees with it [1]. Judgement."""
    comes_back_s: float = 1800.0
    """Lye that has leapt down may come back for so long [s]. Judgement."""
    jumps: int = 3
    """Hypotheses of a loss that has just changed, beside the bank [1]. Judgement."""
    least_weight: float = 1e-4
    """No filter of the bank counts for less [1]. Judgement."""
    lag_shows_s: float = 1200.0
    """How late the sensor is shows for so long after the heat has changed at once [s]; later any slow error
    of the model looks like a lag. Judgement."""

    # The current
    slope: tuple[float, float] = (0.019, 0.009)
    """Relative slope of the current: mean and standard deviation [1/K]. Literature: published curves
    (`ulleberg`, `degroot_*` of `daq.physics.cell_voltage`, 1.8 to 2.5 V a cell, with contacts or without)
    have 0.009 to 0.033, cells with less resistance by Tafel and Arrhenius to 0.045."""
    bend: tuple[float, float] = (0.0125, 0.0055)
    """q at `bend_at_c`, mean and standard deviation [1/K]: hardly depends on the slope. Literature: the same
    curves have 0.0078 to 0.018, such cells 0.008 to 0.020."""
    bend_at_c: float = 30.0
    """There [degC]."""
    slope_by_volts: tuple[float, float] = (-1.0, 0.6)
    """d ln slope for each volt more of a cell, mean and standard deviation [1/V]. Literature: -0.3 to -0.9 by
    the curves, -1.2 to -1.9 by those laws."""
    volts_slope: tuple[float, float] = (0.0022, 0.0008)
    """Relative fall of a cell's voltage for each kelvin at a held current, mean and standard deviation [1/K].
    Literature: the same curves."""
    growth_least: float = 0.02
    """Growth of the current for each kelvin, at the least, in what is believed of the loss before it has been
    seen [1/K]. Measured."""
    slope_after: float = 0.1
    """How well the slope is known after a change by what it was before, of itself [1]. Judgement."""
    amps_noise: float = 0.003
    """Of the current's logarithm in a bin [1]. Judgement."""
    step_share: float = 0.012
    """Change of volts and current from bin to bin beyond which a set-point has stepped [1]. Judgement."""
    off_gain: float = 0.3
    """Weight of a bin in the running mean of the current drawn beside the predicted one [1]. Judgement."""
    off_most: float = 1.8
    """That mean at its most, in standard deviations [1]. Measured."""
    supply_look_k: float = 1.0
    """Kelvin between two looks at what the supply holds [K]. Judgement."""
    supply_looks_stated: int = 3
    """So many looks running must speak against what the bench file says is held [1],"""
    supply_looks: int = 2
    """or against what was found since [1]. Judgement."""
    supply_smooth: float = 0.3
    """Weight of a bin in what such a look compares: one noisy bin is no evidence [1]. Judgement."""
    sag_walk: float = 0.015
    """What the sag walks in a square-root hour: a limit that yields softly sets in within minutes [1].
    Judgement."""
    clipped_k: float = 1.5
    """Warming after which sagging volts tell a held current from a clipped meter [K]. Judgement."""
    power_measured: float = 1.01
    """Power over held volts times shown current, beyond which the power was measured by itself [1].
    Judgement."""

    # A reading that drifts
    drift_first_s: float = 1200.0
    """So long conditions have stood before the first open-loop predictor: what was learned in less has told
    against true readings [s]. Measured."""
    drift_every_s: float = 600.0
    """One is left behind so often [s]. Judgement."""
    drift_young_s: float = 1200.0
    """It is asked from this age on [s],"""
    drift_old_s: float = 5400.0
    """and forgotten at that [s]. Measured."""
    drift_off_sd: float = 2.5
    """Both predictors together are off by so many standard deviations [1],"""
    drift_off_sd_least: float = 1.4
    """each by so many [1],"""
    drift_off_k: float = 0.6
    """and the lesser by so much [K]. Measured."""
    drift_looks: int = 3
    """So many looks running: a reading that strays for a minute is not yet drifting [1]. Judgement."""
    drift_agrees_k: float = 0.3
    """A reading so near what goes on without it agrees with it again [K],"""
    drift_agrees_sd: float = 0.3
    """or within so many standard deviations [1],"""
    drift_agrees_for_s: float = 600.0
    """once it has for so long [s]. Judgement."""
    drift_agree: float = 0.65
    """The less that one predictor says over the more that the other does [1]. Measured."""
    drift_beyond: float = 0.03
    """How well the current tells a temperature warmer than its law had seen: to so much of the way [K/K].
    Measured."""
    drift_own_sd: float = 0.15
    """Of each predictor beside what it says itself [K]. Measured."""

    # Trends
    lately_s: float = 600.0
    """A straight rise is that of so long [s]. Judgement."""
    just_now_s: float = 80.0
    """or of so long [s],"""
    soon_s: float = 300.0
    """where that brings it to the limit within this [s]. Judgement."""
    trend_window: float = 0.3
    """Of the time left: a trend is held to last about as long as it has been seen [1]. Measured."""
    trend_least_s: float = 200.0
    """No shorter than this [s],"""
    trend_most_s: float = 3600.0
    """no longer than that [s]. Judgement."""
    trend_looks_least: int = 4
    """Of so many looks at least [1]. Judgement."""
    trend_kept: int = 128
    """Of so many at most [1]. Judgement."""
    trend_look_s: float = 50.0
    """Looks closer together than this say the same, and would make a trend of it seem the surer [s].
    Judgement."""
    trend_sure_sd: float = 2.5
    """A trend counts beyond so many of its standard deviations [1],"""
    trend_believed: float = 0.4
    """to this share [1],"""
    trend_faster_most: float = 0.8
    """and shortens a time by no more than this makes of it [1]. Measured."""

    # The futures
    cap_believed: float = 0.9
    """Probability that the supply limits where the bench file says [1]. Judgement."""
    cap_spread: float = 0.015
    """Of that limit's logarithm [1]. Judgement."""
    cap_wrong_believed: float = 0.4
    """The same where more has flown than the bench file says: there may yet be a limit, not far above what
    flows now [1]. Judgement."""
    cap_wrong_spread: float = 0.3
    """Of its logarithm above that [1]. Judgement."""
    horizon_s: float = 24.0 * 3600.0
    """No time beyond this is said [s]. Judgement."""

    # How often
    bin_s: float = 20.0
    """Readings are taken together for so long [s]. Judgement."""
    look_s: float = 60.0
    """The futures are drawn so often, and in every bin while something is about to be said [s]. Judgement."""
    trail_bins: int = 64
    """Bins remembered, for when a sensor turns out to have been stuck for a while [1]. Judgement."""
    eager_s: float = 120.0
    """They are drawn in every bin for so long after another set-point: what has been said before is not so
    any more [s]. Judgement."""
    settling_s: float = 180.0
    """After other water has come in, nothing new is warned of for so long: it has to mix first [s].
    Judgement."""
    still_look_s: float = 300.0
    """So often where the lye stands still, far from any limit [s]. Judgement."""
    calm_look_s: float = 120.0
    """So often where the limit is not likely to be reached [s],"""
    changing: float = 0.1
    """nor a sudden change of the loss as likely as that [1]. Judgement."""
    still_k: float = 0.2
    """It stands still where it has moved by less since the last look [K]. Judgement."""
    unlikely: float = 0.01
    """A chance below this is none that has to be looked at often [1]. Judgement."""
    slowly_s: float = 60.0
    """Room and gas flow are taken in so often: they change slowly [s]. Judgement."""
    share_gain: float = 0.12
    """Weight of a bin in the mean of the flow meter: its noise is smoothed over some three minutes [1].
    Judgement."""
    loss_learned_sd: float = 0.15
    """Standard deviation of the loss' logarithm below which times to a limit no longer move as it is learned
    [1]. Measured."""
    close_s: float = 600.0
    """While a warning stands, every bin is looked at where the limit may be so near [s]. Judgement."""
    wide_k: float = 15.0
    """A band of where it settles beyond this is poor knowledge [K]. Judgement."""
    awake: float = 0.5
    """Chance from which on every bin is looked at [1]. Judgement."""
    rough_sd: float = 0.3
    """Of the capacity's logarithm, beyond which a person is told that it is rough [1]. Judgement."""

    # When it warns
    raise_after_s: float = 60.0
    """A chance has to stand for so long before a warning is raised [s],"""
    raise_after_share: float = 0.02
    """or for this share of the time left: a limit far off leaves time to hear the same again [1],"""
    raise_after_most_s: float = 300.0
    """but no longer than this [s]. Judgement."""
    clear_after_s: float = 240.0
    """One is taken back after so long [s]. Judgement."""
    near_s: float = 1800.0
    """Where the limit is this near, a minute's wait is dear [s]:"""
    raise_after_near_s: float = 20.0
    """then it is raised after so long [s]. Judgement."""
    at_once_s: float = 240.0
    """Where it is as near as this, there is no time to lose [s]. Judgement."""
    rises_to_s: float = 600.0
    """Where the temperature, rising as it did, would be at the limit as soon as this, less certainty will do
    [s]. Judgement."""
    early_s: float = 600.0
    """Watched for no longer than this, a stack's start, its mixing and a late sensor look like little loss
    [s]. Measured."""
    loss_unseen_sd: float = 0.45
    """It is the loss that decides: until its logarithm's standard deviation has once been below this it is
    only believed, and nothing is warned of that a straight rise would not bring soon [1]. Measured."""
    again_at: float = 0.95
    """A loss that was seen and is lost again is above that too: nobody knows how much of it is left, but this
    chance that it is too little will do [1]. Measured."""

    # Likely causes
    cause_kept_s: float = 4.0 * 3600.0
    """So far back a calm look is sought [s]. Judgement."""
    cause_look_s: float = 110.0
    """So often one is kept [s]. Judgement."""
    cause_calm: float = 0.25
    """It is calm where the chance is below this [1],"""
    cause_loss_known_sd: float = 0.25
    """and the loss' logarithm known to this [1]. Judgement."""
    cause_noise: float = 0.006
    """Of a relative change of the heat: less is none [1]. Judgement."""
    cause_settings: float = 0.01
    """What the settings themselves always have of it [1]. Judgement."""
    cause_volts_rose: float = 0.0025
    """Of the volts' logarithm, beyond which the supply was turned up [1]. Judgement."""

    # What weakens it
    noisy_k: float = 0.3
    """A reading is rough from this noise on [K],"""
    missing: float = 0.1
    """with this share of samples missing [1],"""
    glitch_s: float = 1800.0
    """for so long after it leapt away and back [s],"""
    late_s: float = 60.0
    """or where it follows so late [s],"""
    late_after_s: float = 1200.0
    """which shows after so long [s]. Judgement."""
    blind_s: float = 60.0
    """The forecast is blind after so long without a reading [s]. Judgement."""
    apart_k: float = 1.5
    """Temperature and current belong together within this [K],"""
    apart_sd: float = 4.0
    """or within so many standard deviations [1];"""
    apart_for_s: float = 300.0
    """they do not any more once they are further apart for so long [s]. Judgement."""
    apart_every_s: float = 1800.0
    """What was learned is kept so often to compare with [s],"""
    apart_kept: int = 5
    """so many times [1]. Judgement."""

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
