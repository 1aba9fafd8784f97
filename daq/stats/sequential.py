"""How runs of one build scatter, and intervals that hold however often one looks.

Run means of one build differ by more than their own noise: by lye, level, weather, by what a day is. With few
runs the standard deviation of that, s, is hardly known. It is given a half-t distribution [1] with 4 degrees
of freedom and a stated scale; repeats of builds, whose squares about their mean are ``(s^2 + u^2)``
chi-squared, make a posterior of it. A difference d of two builds' means then has the variance ``v = s^2 g +
r``, with the sum g of the squared weights of the runs and what else there is, r. Two intervals follow:

* for *one look*: the central 95 % of the mixture of normal distributions over s;
* for *any number of looks*, after each run if one likes: Robbins' confidence sequence [2, 3]. Against "the
  true difference is D" stands a Cauchy mixture of differences about D [4], whose scale is the size of
  difference that builds are made for. The ratio of both likelihoods, s averaged over in each, is a martingale
  if D is true and s was drawn from its distribution, and by Ville's inequality it ever reaches 20 in no more
  than 5 of a hundred series. The interval is all D at which it has not reached that. That it holds for given
  values of s as well, and not only on an average over them, is shown by simulation (`tests/simulated_days`);
  for the case without any knowledge of s see [5].

References
----------
.. [1] A. Gelman, Bayesian Anal. 1 (2006) 515, DOI 10.1214/06-BA117A: the half-t prior of a group-level
   standard deviation.
.. [2] H. Robbins, Ann. Math. Stat. 41 (1970) 1397, DOI 10.1214/aoms/1177696786: confidence sequences from
   mixtures of likelihood ratios.
.. [3] S. R. Howard, A. Ramdas, J. McAuliffe, J. Sekhon, Ann. Stat. 49 (2021) 1055, DOI 10.1214/20-AOS1991.
.. [4] J. N. Rouder et al., Psychon. Bull. Rev. 16 (2009) 225, DOI 10.3758/PBR.16.2.225: the Cauchy mixture as
   one of normal distributions.
.. [5] H. Wang, A. Ramdas, arXiv:2310.03722: sequential t-tests.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr, stdtrit

from daq.measure import FloatArray, IntArray

__all__ = [
    "ERROR",
    "PRIOR_DOF",
    "Calls",
    "Repeats",
    "Scatter",
    "calls",
    "half_width",
    "half_width_anytime",
    "log_ratio",
]

ERROR = 0.05
PRIOR_DOF = 4.0
"""Degrees of freedom of the half-t distribution: with fewer its tail makes one run of each worthless, with
more a scatter beyond what was stated is hardly believed [1] (judgement)."""
NODES = 160


@dataclass(frozen=True, slots=True)
class Repeats:
    """What repeats of builds say.

    Attributes
    ----------
    squares : float
        Sum of the squares of run means about their build's mean.
    dof : int
        Runs less builds.
    inside : float
        Variance of one run's mean from its own noise.
    """

    squares: float
    dof: int
    inside: float


@dataclass(frozen=True, slots=True)
class Scatter:
    """What is known of the standard deviation from run to run.

    Attributes
    ----------
    sigma, weight : float64[m]
        Values of it, and how likely each is.
    scale : float
        The half-t distribution's, as it was stated.
    dof : int
        Repeats behind it; 0 where it is as stated.
    """

    sigma: FloatArray
    weight: FloatArray
    scale: float
    dof: int

    @classmethod
    def of(cls, scale: float, repeats: Sequence[Repeats] = (), *, nodes: int = NODES) -> Scatter:
        """From a stated scale and repeats.

        Parameters
        ----------
        scale : float
            Of the half-t distribution, in the metric's unit; 0 for no scatter at all, whatever repeats say.
        repeats : sequence of Repeats
            What repeats of builds say of it; empty for none.
        nodes : int
            Over how many values of it the distribution is laid out.
        """
        dof = sum(r.dof for r in repeats)
        if scale <= 0.0:
            return cls(np.zeros(1), np.ones(1), 0.0, dof)
        seen = math.sqrt(sum(r.squares for r in repeats) / dof) if dof else 0.0
        sigma = np.geomspace(0.001 * scale, max(60.0 * scale, 30.0 * seen), nodes)
        if dof:
            # Many repeats make it narrow: nodes where it lies, whatever the steps elsewhere.
            reach = math.exp(6.0 / math.sqrt(2.0 * dof))
            inside = sum(r.dof * r.inside for r in repeats) / dof
            middle = math.sqrt(max(seen**2 - inside, 1e-4 * scale**2))
            sigma = np.unique(
                np.concatenate([sigma, np.geomspace(middle / reach, middle * reach, nodes // 2)])
            )
        log_w = log_prior(sigma, scale) + np.log(np.gradient(np.log(sigma)))
        for r in repeats:
            variance = sigma**2 + r.inside
            log_w = log_w - 0.5 * r.dof * np.log(variance) - 0.5 * r.squares / variance
        weight = np.exp(log_w - log_w.max())
        sigma, weight = sigma[weight > 1e-12], weight[weight > 1e-12]
        return cls(sigma, weight / weight.sum(), scale, dof)

    @property
    def sd(self) -> float:
        """Its median."""
        return self.quantile(0.5)

    def quantile(self, p: float) -> float:
        """Below it the standard deviation lies with probability `p`."""
        if self.sigma.size == 1:
            return float(self.sigma[0])
        cumulative = (np.cumsum(self.weight) - 0.5 * self.weight) / self.weight.sum()
        return float(np.exp(np.interp(p, cumulative, np.log(self.sigma))))

    @property
    def variance(self) -> float:
        """Mean of its square."""
        return float(self.weight @ self.sigma**2)


def log_prior(sigma: FloatArray, scale: float) -> FloatArray:
    """Logarithm of the half-t density for each step of the logarithm of `sigma`, but for a constant."""
    found: FloatArray = np.log(sigma) - 0.5 * (PRIOR_DOF + 1.0) * np.log1p((sigma / scale) ** 2 / PRIOR_DOF)
    return found


def half_width(scatter: Scatter, gain: float, rest: float, error: float = ERROR) -> float:
    """Half the width of the interval for one look.

    Parameters
    ----------
    scatter : Scatter
    gain : float
        Sum of the squared weights of the runs [1].
    rest : float
        Variance of the difference from all else.
    error : float
        Probability that the interval misses, 0 to 1.
    """
    sd = np.sqrt(scatter.sigma**2 * gain + rest)
    if not sd.max() > 0.0:
        return 0.0

    def beyond(h: float) -> float:
        return float(scatter.weight @ (2.0 * ndtr(-h / np.maximum(sd, 1e-300)))) - error

    return _solved(beyond, float(np.sqrt(scatter.weight @ sd**2)))


def half_width_anytime(
    scatter: Scatter, gain: float, rest: float, expected: float, error: float = ERROR
) -> float:
    """Half the width of the interval for any number of looks.

    Parameters
    ----------
    scatter, gain, rest : Scatter, float, float
        As `half_width`.
    expected : float
        Size of the difference that builds are made for, above 0.
    error : float
        Probability that any of the looks' intervals misses, 0 to 1.
    """
    variance = scatter.sigma**2 * gain + rest
    if not variance.max() > 0.0:
        return 0.0
    log_weight = np.log(np.maximum(scatter.weight, 1e-300))

    def short_of(h: float) -> float:
        return math.log(1.0 / error) - float(log_ratio(np.asarray(h), log_weight, variance, expected))

    return _solved(short_of, float(np.sqrt(scatter.weight @ variance)))


def log_ratio(
    apart: FloatArray, log_weight: FloatArray, variance: FloatArray, expected: float, *, nodes: int = 40
) -> FloatArray:
    """Logarithm of the likelihood ratio of a Cauchy mixture about a true difference to that difference
    itself.

    Parameters
    ----------
    apart : float64[...]
        The difference found less the true one.
    log_weight, variance : float64[..., m]
        Over values of the scatter: how likely each is, and the difference's variance by it.
    expected : float
        Scale of the Cauchy mixture.
    nodes : int
        Over how many values the mixture is laid out.
    """
    size, share = _cauchy(nodes)
    square = np.asarray(apart)[..., np.newaxis] ** 2
    null = _log_sum(log_weight - 0.5 * (np.log(variance) + square / variance))
    wide = variance[..., np.newaxis] + (expected * size) ** 2
    inner = _log_sum(np.log(share) - 0.5 * (np.log(wide) + square[..., np.newaxis] / wide))
    return _log_sum(log_weight + inner) - null


def _log_sum(logs: FloatArray) -> FloatArray:
    """Logarithm of the sum over the last axis of numbers given by their logarithms."""
    most = logs.max(axis=-1)
    found: FloatArray = most + np.log(np.exp(logs - most[..., np.newaxis]).sum(axis=-1))
    return found


@dataclass(frozen=True, slots=True)
class Calls:
    """How soon a difference is told when one looks after each pair of runs, by simulation.

    Attributes
    ----------
    runs_each : int64[k]
        Runs of each build at each look.
    power : float64[k]
        Share of the series in which it had been told by then [1].
    """

    runs_each: IntArray
    power: FloatArray

    def needed(self, wanted: float) -> int | None:
        """Fewest runs of each by which the difference is told so often; None where it never is."""
        enough = np.flatnonzero(self.power >= wanted)
        return int(self.runs_each[enough[0]]) if enough.size else None

    def by(self, runs_each: int) -> float:
        """Chance that it is told by so many runs of each [1]."""
        at = int(np.searchsorted(self.runs_each, runs_each, side="right")) - 1
        return float(self.power[at]) if at >= 0 else 0.0

    def expected(self, runs_each: int) -> float:
        """Mean number of runs of each until it is told or so many have been made."""
        total, before, at = 0.0, 0.0, 0
        for n, power in zip(self.runs_each.tolist(), self.power.tolist(), strict=True):
            if n > runs_each:
                break
            total += (power - before) * n
            before, at = power, n
        return total + (1.0 - before) * max(at, runs_each)


def calls(
    difference: float,
    sd: float,
    inside: float,
    scale: float,
    expected: float,
    *,
    seen: Sequence[Repeats] = (),
    meters: float = 0.0,
    most: int = 60,
    tries: int = 400,
) -> Calls:
    """Simulate series of balanced runs, with a look after each pair, from a fixed seed.

    Parameters
    ----------
    difference, sd : float
        The true difference of the builds, and the true standard deviation from run to run.
    inside : float
        Variance of one run's mean from its own noise.
    scale : float
        What is stated of the scatter, above 0.
    expected : float
        The size of difference that builds are made for.
    seen : sequence of Repeats
        What is known of the scatter beforehand.
    meters : float
        Standard uncertainty of one run's mean from its meters, which widens the interval.
    most : int
        Runs of each at which to give up.
    tries : int
        How many series.
    """
    rng = np.random.default_rng(18)
    runs = rng.standard_normal((2, tries, most)) * math.sqrt(sd**2 + inside)
    runs[1] += difference
    beforehand = Scatter.of(scale, seen, nodes=64)
    variance = beforehand.sigma**2 + inside
    log_before = np.log(beforehand.weight)
    looks = [*range(1, min(most, 20) + 1), *range(22, most + 1, 2)]
    open_still, power = np.ones(tries, dtype=bool), []
    for n in looks:
        some = runs[:, open_still, :n]
        means = some.mean(axis=2)
        squares = ((some - means[:, :, np.newaxis]) ** 2).sum(axis=(0, 2))
        log_w = log_before - (n - 1) * np.log(variance) - 0.5 * squares[:, np.newaxis] / variance
        log_w = log_w - _log_sum(log_w)[:, np.newaxis]
        of_d = (variance + meters**2) * (2.0 / n)
        apart = means[1] - means[0]
        clear = log_ratio(apart, log_w, of_d, expected, nodes=14) >= math.log(1.0 / ERROR)
        if n > 1 and not seen:
            # The interval for any look is never narrower than the one for one look.
            t = float(stdtrit(2 * n - 2, 1.0 - 0.5 * ERROR))
            of_t = t**2 * squares / (2 * n - 2) + (1.96 * meters) ** 2
            clear &= apart**2 > of_t * (2.0 / n)
        open_still[np.flatnonzero(open_still)[clear]] = False
        power.append(1.0 - open_still.mean())
        if not open_still.any():
            looks = looks[: len(power)]
            break
    return Calls(np.array(looks, dtype=np.int64), np.array(power, dtype=np.float64))


@cache
def _cauchy(nodes: int) -> tuple[FloatArray, FloatArray]:
    """A Cauchy distribution of scale 1 as normal ones: their standard deviations, and the share of each
    [4]."""
    size = np.geomspace(0.2, 3000.0, nodes)
    share = np.exp(-0.5 / size**2) / size
    share /= share.sum()
    size.flags.writeable = share.flags.writeable = False  # one copy for all
    return size, share


def _solved(falling: Callable[[float], float], guess: float) -> float:
    """Where a function that is positive at 0 and falls crosses zero."""
    high = 2.0 * guess
    while falling(high) > 0.0:
        high *= 2.0
        if high > 1e9 * guess:
            return math.inf
    return float(brentq(falling, 0.0, high, xtol=1e-6 * guess))
