"""Logistic curves by least squares in the units of the response: the published way, kept for comparison.

Least squares in microvolts lets the largest responses decide, because response noise grows with the response; see
``recruitment`` for the fit that takes that into account.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special, stats

from decussa.estimate.average import finite_values
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

Values = NDArray[np.float64]
Curve = Callable[[Values, Values], Values]

LEVEL = 0.95


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeastSquares:
    """A fitted curve: parameters, their covariance, residual sum of squares and residual standard deviation.

    ``parameters`` has shape (p,), ``covariance`` (p, p); ``residual_sd`` divides by the degrees of freedom n - p. The
    order of the parameters is that of the fitting function.
    """

    parameters: Values
    covariance: Values
    rss: float
    df: int

    @property
    def standard_errors(self) -> Values:
        """Standard errors from the linearisation at the solution, shape (p,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def residual_sd(self) -> float:
        """Standard deviation of the residuals."""
        return math.sqrt(self.rss / self.df)


@dataclass(frozen=True, slots=True, kw_only=True)
class BoltzmannFit:
    """The Boltzmann curve by least squares: each quantity with its linearised t interval."""

    mep_max: Estimate
    s50: Estimate
    k: Estimate
    slope: Estimate
    threshold: Estimate


def fit_logistic(x: ArrayLike, y: ArrayLike, *, start: tuple[float, float, float] | None = None) -> LeastSquares:
    """Fit y = b1 / (1 + exp(b2 - b3 x)) by least squares.

    Parameters
    ----------
    x, y : array-like, shape (n,), n of 4 or more
    start : (float, float, float), optional
        First guess of (b1, b2, b3); from the data where omitted.

    Returns
    -------
    LeastSquares with parameters (b1, b2, b3).

    Raises
    ------
    UsageError
        If the values do not fit together, are not finite or too few, or no curve is found.
    """
    xs, ys = _pairs(x, y, least=4)
    guess = start if start is not None else _guess(xs, ys)
    return _least_squares(_logistic, _logistic_slopes, xs, ys, np.array(guess, dtype=np.float64))


def fit_generalised_logistic(x: ArrayLike, y: ArrayLike, *, start: tuple[float, float, float, float]) -> LeastSquares:
    """Fit y = b1 / (1 + exp(b2 - b3 x))^(1 / b4) by least squares, b4 above 0 (Richards 1959, doi 10.1093/jxb/10.2.290).

    Parameters
    ----------
    x, y : array-like, shape (n,), n of 5 or more
    start : (float, float, float, float)
        First guess of (b1, b2, b3, b4).

    Returns
    -------
    LeastSquares with parameters (b1, b2, b3, b4).

    Raises
    ------
    UsageError
        If the values do not fit together, are not finite or too few, or no curve is found.
    """
    xs, ys = _pairs(x, y, least=5)
    return _least_squares(_generalised, _generalised_slopes, xs, ys, np.array(start, dtype=np.float64))


def boltzmann(fit: LeastSquares) -> BoltzmannFit:
    """Return a three-parameter logistic as a Boltzmann recruitment curve (Devanne 1997, doi 10.1007/PL00005641).

    S50 = b2 / b3, k = 1 / b3, slope = b1 b3 / 4 at S50, threshold = S50 - 2 k where the tangent at S50 meets zero.
    Standard errors by the delta method, intervals with Student's t.
    """
    b1, b2, b3 = (float(value) for value in fit.parameters)
    method = "Boltzmann curve by least squares, linearised t interval"
    t = float(stats.t.ppf(0.5 + LEVEL / 2, fit.df))

    def derived(value: float, gradient: tuple[float, float, float]) -> Estimate:
        direction = np.array(gradient)
        half = t * math.sqrt(float(direction @ fit.covariance @ direction))
        return Estimate(value=value, low=value - half, high=value + half, n=fit.df + 3, method=method)

    return BoltzmannFit(
        mep_max=derived(b1, (1.0, 0.0, 0.0)),
        s50=derived(b2 / b3, (0.0, 1 / b3, -b2 / b3**2)),
        k=derived(1 / b3, (0.0, 0.0, -1 / b3**2)),
        slope=derived(b1 * b3 / 4, (b3 / 4, 0.0, b1 / 4)),
        threshold=derived((b2 - 2) / b3, (0.0, 1 / b3, -(b2 - 2) / b3**2)),
    )


def _pairs(x: ArrayLike, y: ArrayLike, *, least: int) -> tuple[Values, Values]:
    xs, ys = finite_values(x, name="x"), finite_values(y, name="y")
    if xs.size != ys.size or xs.size < least:
        raise UsageError(
            "too little for a curve", expected=f"as many x as y, {least} or more", found=f"{xs.size} and {ys.size}"
        )
    return xs, ys


def _guess(xs: Values, ys: Values) -> tuple[float, float, float]:
    """Return a first guess: a straight line through the logits of the responses below a ceiling just above them."""
    top = 1.05 * float(ys.max())
    usable = (ys > 0) & (ys < top)
    if top <= 0 or np.unique(xs[usable]).size < 2:
        raise UsageError("no logistic curve can be started", expected="positive responses at two values of x")
    steepness, offset = np.polyfit(xs[usable], special.logit(ys[usable] / top), 1)
    return top, -float(offset), float(steepness)


def _logistic(b: Values, x: Values) -> Values:
    return np.asarray(b[0] * special.expit(b[2] * x - b[1]))


def _logistic_slopes(b: Values, x: Values) -> Values:
    share = special.expit(b[2] * x - b[1])
    bend = b[0] * share * (1 - share)
    return np.column_stack((share, -bend, bend * x))


def _generalised(b: Values, x: Values) -> Values:
    return np.asarray(b[0] * np.exp(-np.logaddexp(0.0, b[1] - b[2] * x) / b[3]))


def _generalised_slopes(b: Values, x: Values) -> Values:
    height = _generalised(b, x)
    rest = height * special.expit(b[1] - b[2] * x) / b[3]
    return np.column_stack((height / b[0], -rest, rest * x, height * np.logaddexp(0.0, b[1] - b[2] * x) / b[3] ** 2))


def _least_squares(curve: Curve, slopes: Curve, xs: Values, ys: Values, start: Values) -> LeastSquares:
    lower = np.full(start.size, -np.inf)
    if start.size == 4:
        lower[3] = 1e-6

    def residuals(b: Values) -> Values:
        return curve(b, xs) - ys

    def gradients(b: Values) -> Values:
        return slopes(b, xs)

    found = optimize.least_squares(
        residuals,
        start,
        jac=gradients,
        bounds=(lower, np.full(start.size, np.inf)),
        x_scale="jac",
        xtol=1e-15,
        ftol=1e-15,
        gtol=1e-15,
        max_nfev=2000,
    )
    steepness = slopes(found.x, xs)
    df = xs.size - start.size
    if not found.success or np.linalg.matrix_rank(steepness) < start.size:
        raise UsageError(
            "no curve of this shape fits", expected="responses that rise and level off", found=str(found.message)
        )
    rss = float(np.sum(found.fun**2))
    covariance = np.linalg.inv(steepness.T @ steepness) * rss / df
    return LeastSquares(parameters=found.x, covariance=covariance, rss=rss, df=df)
