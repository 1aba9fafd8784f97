"""Volts against current density taken apart: reversible, ohmic and activation part, with uncertainty.

Four coefficients are fitted by least squares: the ohmic resistance, Tafel's b, the exchange current density
and its activation energy. The energy has a prior (`PRIOR_EA`), without which steps that grow warmer as the
current grows could trade it for anything. Errors that all steps share, as a meter's calibration, go through
the same estimator.

References
----------
.. [1] Equations and their sources: `daq.physics.polarisation`.
.. [2] B. L. Welch, Biometrika 34 (1947) 28, DOI 10.1093/biomet/34.1-2.28: degrees of freedom of a difference.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.special import stdtrit

from daq.errors import LyewatchError
from daq.measure import FloatArray
from daq.physics.constants import GAS_CONSTANT, KELVIN
from daq.physics.polarisation import (
    LN10,
    activation_volts,
    exchange_density_ma_cm2,
    ohmic_volts,
    transfer_coefficient,
)
from daq.study.render import Number

__all__ = ["PARTS", "Points", "PolarisationFit", "fit_parts"]

LEAST_POINTS = 5
LEAST_RATIO = 3.0
"""The largest current over the smallest: below it ohmic and activation part look alike (judgement)."""
PRIOR_EA, PRIOR_EA_U = 40e3, 15e3
"""Activation energy of j0 and its standard uncertainty before any step is seen [J/mol] (judgement: fits
to the published sets of `tests/published/test_polarisation.py` give 32 and 42 kJ/mol)."""
_LN_J0 = np.linspace(math.log(1e-7), math.log(30.0), 12)
_LOW, _HIGH = (0.0, 1e-4, -40.0, 0.0), (1e3, 1.0, 6.0, 3e5)
"""Bounds of r [ohm cm2], b [V], ln j0 [ln(mA/cm2)] and Ea [J/mol]."""
_COEFFICIENTS = (
    ("ohmic resistance", 1.0, "ohm cm2"),
    ("Tafel slope", LN10, "V per decade"),
    ("logarithm of the exchange current", 1.0, "ln(mA/cm2)"),
    ("activation energy", 1e-3, "kJ/mol"),
)
LEAST_OHMIC = 1.0
"""Below a thousandth of this an ohmic resistance is at its bound of 0 [ohm cm2]: a millimetre of 20 % KOH
alone is 0.2 (Gilliam 2007, by `daq.physics.conductivity`)."""
STEEPEST = 0.5
"""Largest Tafel slope of both electrodes of a cell together that is taken for one [V per decade]: two
electrodes of transfer coefficient 0.5 at 60 degC have 0.13 V each, and doubled slopes at high currents are
known (judgement)."""
LAW_V = 1e-3
"""No law of three parts holds to better than this: the least scatter that is counted with [V] (judgement)."""

PARTS = {
    "ohmic_ohm_cm2": "ohm cm2",
    "tafel_v_decade": "V/decade",
    "ln_exchange": "ln(mA/cm2)",
    "ohmic_volts": "V",
    "activation_volts": "V",
    "cell_volts": "V",
}
"""What `PolarisationFit.parts` holds, in this order, and in which units."""
_INDEX = {part: k for k, part in enumerate(PARTS)}


@dataclass(frozen=True, slots=True)
class Points:
    """Settled steps.

    Attributes
    ----------
    density : float64[n]
        Current density through the plates [mA/cm2], above 0.
    cell_volts : float64[n]
        [V]
    lye_temp : float64[n]
        [degC]
    reversible : callable
        Reversible voltage [V] at temperatures [degC].
    kappa : callable
        Conductivity of the lye, in any unit, at temperatures [degC].
    propagated : dict of str to (float64[n], float64[n], float64[n])
        By the name of an error that all steps share: what one standard uncertainty of it does to density,
        volts and temperature.
    """

    density: FloatArray
    cell_volts: FloatArray
    lye_temp: FloatArray
    reversible: Callable[[FloatArray], FloatArray]
    kappa: Callable[[FloatArray], FloatArray]
    propagated: Mapping[str, tuple[FloatArray, FloatArray, FloatArray]]

    def __len__(self) -> int:
        return int(self.density.size)


@dataclass(frozen=True, slots=True)
class PolarisationFit:
    """The fit.

    Attributes
    ----------
    reference_c, at_density : float
        Where the parts are given [degC, mA/cm2].
    theta : float64[4]
        Ohmic resistance [ohm cm2] and b [V] at `reference_c`, ln j0 [ln(mA/cm2)], activation energy [J/mol].
    parts, parts_u : float64[6]
        As `PARTS`, and their standard uncertainties from the steps' scatter about the curve.
    propagated : dict of str to float64[6]
        What one standard uncertainty of each shared error does to the parts.
    dof : float
        Behind `parts_u`.
    rms : float
        Scatter of the steps about the curve [V].
    mixing : float
        Correlation of the ohmic and the activation part [1]; near -1 they are hard to tell apart.
    fitted, ohmic_steps : float64[n]
        Volts of the curve at each step, and their ohmic part [V].
    reversible_at : float
        Reversible voltage at `reference_c` [V].
    at_bounds : tuple of str
        Which coefficients ended where the fit must not go beyond, or lie beyond what electrodes show, in
        words: volts per cell still hold then, the ohmic and the activation part do not.
    """

    reference_c: float
    at_density: float
    theta: FloatArray
    parts: FloatArray
    parts_u: FloatArray
    propagated: dict[str, FloatArray]
    dof: float
    rms: float
    mixing: float
    fitted: FloatArray
    ohmic_steps: FloatArray
    reversible_at: float
    at_bounds: tuple[str, ...] = ()

    @property
    def u95(self) -> FloatArray:
        """Expanded uncertainties of the parts for 95 %."""
        shared = np.sqrt(sum((v**2 for v in self.propagated.values()), np.zeros(len(PARTS))))
        return np.hypot(float(stdtrit(self.dof, 0.975)) * self.parts_u, 1.96 * shared)

    def part(self, key: str) -> tuple[float, float]:
        """Value and expanded uncertainty of one of `PARTS`."""
        k = _INDEX[key]
        return float(self.parts[k]), float(self.u95[k])

    def amounts(self) -> dict[str, Number]:
        """`PARTS` with their expanded uncertainties, and what else the curve stands on."""
        return {
            **{p: Number(*self.part(p), unit) for p, unit in PARTS.items()},
            "reversible_volts": Number(self.reversible_at, None, "V"),
            "activation_energy": Number(float(self.theta[3]), None, "J/mol"),
            "transfer_coefficient": Number(
                float(transfer_coefficient(float(self.theta[1]), self.reference_c)), None, "1"
            ),
        }

    def volts(self, density: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Reversible, ohmic and activation part at `reference_c` over current densities [V]."""
        r, b, ln_j0, _ = self.theta
        return (
            np.full_like(density, self.reversible_at),
            np.asarray(ohmic_volts(density, max(r, 0.0))),  # at its bound a fit may end a rounding below
            np.asarray(activation_volts(density, math.exp(ln_j0), b)),
        )


def fit_parts(points: Points, *, reference_c: float, at_density: float) -> PolarisationFit:
    """Fit the three parts.

    Parameters
    ----------
    points : Points
        At least 5, over a threefold range of current.
    reference_c, at_density : float
        Where the parts are to be given [degC, mA/cm2].

    Raises
    ------
    LyewatchError
        When the steps can not tell the parts: too few, too narrow, or all activation.
    """
    n = len(points)
    ratio = float(points.density.max() / points.density.min()) if n else 0.0
    if n < LEAST_POINTS or ratio < LEAST_RATIO:
        raise LyewatchError(
            "the steps can not tell ohmic from activation part",
            value=f"{n} settled steps, largest current {ratio:.1f} times the smallest",
            remedy=f"hold at least {LEAST_POINTS} steps, the largest {LEAST_RATIO:g} times the smallest, "
            "each until volts and amps stand still",
        )
    model = _Model(points, reference_c)
    theta = model.fitted()
    residual = points.cell_volts - model.volts(theta)
    jacobian = model.jacobian(theta)
    s, effective = _scatter(residual, jacobian)
    rms = math.sqrt(float(residual @ residual) / max(1.0, n - effective))
    weight = np.zeros((1, 4))
    weight[0, 3] = s / PRIOR_EA_U
    whole = np.vstack([jacobian, weight])
    estimator = np.linalg.pinv(whole)[:, :n]
    covariance = s * s * np.linalg.pinv(whole.T @ whole)
    turn = _derivative(lambda x: _parts(x, at_density, model), theta)
    parts_cov = turn @ covariance @ turn.T
    slope_j, slope_t = model.by_conditions(theta)
    propagated = {
        name: turn @ (estimator @ (dv - slope_j * dj - slope_t * dt))
        for name, (dj, dv, dt) in points.propagated.items()
    }
    u = np.sqrt(np.clip(np.diag(parts_cov), 0.0, None))
    ohmic, act = _INDEX["ohmic_volts"], _INDEX["activation_volts"]
    product = float(u[ohmic] * u[act])
    return PolarisationFit(
        reference_c=reference_c,
        at_density=at_density,
        theta=theta,
        parts=_parts(theta, at_density, model),
        parts_u=u,
        propagated=propagated,
        dof=max(1.0, n - effective),
        rms=rms,
        mixing=float(parts_cov[ohmic, act]) / product if product > 0.0 else 0.0,
        fitted=model.volts(theta),
        ohmic_steps=1e-3 * theta[0] * model.kappa_ratio * points.density,
        reversible_at=model.reversible_at,
        at_bounds=_at_bounds(theta),
    )


# -- the model ---------------------------------------------------------------------------------------------


class _Model:
    """The curve for given steps; theta is r, b, ln j0, Ea."""

    def __init__(self, points: Points, reference_c: float) -> None:
        self.points = points
        self.reference_c = reference_c
        self.t0 = reference_c + KELVIN
        at = np.array([reference_c])
        self.kappa_at = float(points.kappa(at)[0])
        self.reversible_at = float(points.reversible(at)[0])
        self.reversible, self.kappa_ratio, self.warmth, self.inverse = self._by_temperature(points.lye_temp)

    def _by_temperature(self, t_c: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        t = t_c + KELVIN
        kappa = self.kappa_at / self.points.kappa(t_c)
        return self.points.reversible(t_c), kappa, t / self.t0, (1.0 / t - 1.0 / self.t0) / GAS_CONSTANT

    def volts(
        self, theta: FloatArray, density: FloatArray | None = None, lye_temp: FloatArray | None = None
    ) -> FloatArray:
        r, b, ln_j0, energy = theta
        j = self.points.density if density is None else density
        t_c = self.points.lye_temp if lye_temp is None else lye_temp
        reversible, kappa, warmth, _ = (
            (self.reversible, self.kappa_ratio, self.warmth, self.inverse)
            if lye_temp is None
            else self._by_temperature(lye_temp)
        )
        exchange = exchange_density_ma_cm2(t_c, math.exp(ln_j0), self.reference_c, energy)
        act = activation_volts(j, exchange, b * warmth)
        return np.asarray(reversible + ohmic_volts(j, max(r, 0.0), kappa) + act)

    def fitted(self) -> FloatArray:
        """The best of fits from several starts; b and r stay above 0."""
        y = self.points.cell_volts - self.reversible
        j = self.points.density
        best, cost = None, math.inf
        for start in _LN_J0:
            columns = np.column_stack(
                [
                    1e-3 * self.kappa_ratio * j,
                    self.warmth * np.arcsinh(0.5 * j * np.exp(PRIOR_EA * self.inverse - start)),
                ]
            )
            (r, b), *_ = np.linalg.lstsq(columns, y, rcond=None)
            left = y - columns @ [max(r, 0.0), max(b, 1e-4)]
            if float(left @ left) < cost:
                best, cost = np.array([max(r, 1e-3), max(b, 1e-3), start, PRIOR_EA]), float(left @ left)
        assert best is not None
        scatter = max(math.sqrt(cost / max(1, y.size - 3)), LAW_V)
        for _ in range(3):
            # The prior counts against the scatter, which the first fit only guesses.
            done = least_squares(
                self._residuals,
                best,
                jac=self._slopes,
                args=(scatter,),
                bounds=(_LOW, _HIGH),
                x_scale=[0.1, 0.01, 1.0, 1e4],
                xtol=1e-11,
                ftol=1e-12,
                gtol=1e-12,
                max_nfev=200,
            )
            best = np.asarray(done.x, dtype=np.float64)
            scatter = _scatter(self.points.cell_volts - self.volts(best), self.jacobian(best))[0]
        return best

    def _residuals(self, theta: FloatArray, scatter: float) -> FloatArray:
        prior = scatter * (theta[3] - PRIOR_EA) / PRIOR_EA_U
        return np.append(self.volts(theta) - self.points.cell_volts, prior)

    def jacobian(self, theta: FloatArray) -> FloatArray:
        """Of the volts against theta, (n, 4)."""
        _, b, ln_j0, energy = theta
        x = 0.5 * self.points.density * np.exp(energy * self.inverse - ln_j0)
        steep = b * self.warmth * x / np.sqrt(1.0 + x * x)
        return np.column_stack(
            [
                1e-3 * self.kappa_ratio * self.points.density,
                self.warmth * np.arcsinh(x),
                -steep,
                steep * self.inverse,
            ]
        )

    def _slopes(self, theta: FloatArray, scatter: float) -> FloatArray:
        return np.vstack([self.jacobian(theta), [0.0, 0.0, 0.0, scatter / PRIOR_EA_U]])

    def by_conditions(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Slopes of the curve at each step against density [V cm2/mA] and against temperature [V/K]."""
        j, t = self.points.density, self.points.lye_temp
        by_j = (self.volts(theta, 1.001 * j) - self.volts(theta, 0.999 * j)) / (0.002 * j)
        by_t = (self.volts(theta, lye_temp=t + 0.1) - self.volts(theta, lye_temp=t - 0.1)) / 0.2
        return by_j, by_t


def _at_bounds(theta: FloatArray) -> tuple[str, ...]:
    """Where a coefficient stands at its bound, or a Tafel slope where no pair of electrodes has one."""
    spans = np.asarray(_HIGH) - np.asarray(_LOW)
    low, high = theta - _LOW <= 1e-5 * spans, np.asarray(_HIGH) - theta <= 1e-5 * spans
    # Resistance and slope have wide spans: at zero is what their own size says.
    low[0], low[1] = theta[0] <= 1e-3 * LEAST_OHMIC, theta[1] <= 2e-4
    out = []
    remedy = "steps at a tenth of the current, and longer ones, would part them"
    for k, (name, shown, unit) in enumerate(_COEFFICIENTS):
        if low[k] or high[k]:
            at = shown * theta[k]
            out.append(
                f"the {name} ended at its bound, {at:.3g} {unit}: the steps do not tell the ohmic from the "
                f"activation part, and only the volts per cell hold; {remedy}"
            )
    slope = LN10 * float(theta[1])
    if slope > STEEPEST and not out:
        out.append(
            f"the Tafel slope came to {slope:.2g} V per decade, more than both electrodes of a cell have "
            f"together ({STEEPEST:g} V at most): something else that grows with the current is in it, "
            "such as bubbles, a lead or a lye that warmed; only the volts per cell hold"
        )
    return tuple(out)


def _parts(theta: FloatArray, at_density: float, model: _Model) -> FloatArray:
    r, b, ln_j0, _ = theta
    ohmic = float(ohmic_volts(at_density, max(r, 0.0)))
    act = float(activation_volts(at_density, math.exp(ln_j0), b))
    return np.array([r, LN10 * b, ln_j0, ohmic, act, model.reversible_at + ohmic + act])


def _scatter(residual: FloatArray, jacobian: FloatArray) -> tuple[float, float]:
    """Scatter about the curve, and how many coefficients the steps themselves had to pay for."""
    n = residual.size
    s = math.sqrt(float(residual @ residual) / max(1, n - 3))
    for _ in range(3):
        prior = np.zeros((4, 4))
        prior[3, 3] = (max(s, LAW_V) / PRIOR_EA_U) ** 2
        normal = jacobian.T @ jacobian
        scale = np.sqrt(np.clip(np.diag(normal + prior), 1e-300, None))
        inverse = np.linalg.pinv((normal + prior) / np.outer(scale, scale))
        effective = float(np.trace(inverse @ (normal / np.outer(scale, scale))))
        s = math.sqrt(float(residual @ residual) / max(1.0, n - effective))
    return max(s, LAW_V), effective


def _derivative(function: Callable[[FloatArray], FloatArray], at: FloatArray) -> FloatArray:
    """By central differences."""
    out = []
    for k in range(at.size):
        h = np.zeros_like(at)
        h[k] = 1e-5 * max(abs(float(at[k])), 1e-3)
        out.append((function(at + h) - function(at - h)) / (2.0 * h[k]))
    return np.column_stack(out)
