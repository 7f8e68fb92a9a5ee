"""Estimates of several sites or people joined: random effects, their spread with an interval, and without one at a time.

The spread between (tau squared) by Paule and Mandel 1982, doi 10.6028/jres.087.022, its interval from the same statistic's
distribution (Q profile: Viechtbauer 2007, doi 10.1002/sim.2514); the interval of the mean by Hartung and Knapp 2001, doi
10.1002/sim.791, which keeps its level with few members where the normal one does not; prediction for a new member after
Higgins, Thompson and Spiegelhalter 2009, doi 10.1111/j.1467-985X.2008.00552.x; I squared: Higgins and Thompson 2002, doi
10.1002/sim.1186. (References from memory.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats

from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

Values = NDArray[np.float64]

LEVEL = 0.95


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Joined:
    """What several estimates say together, all on the scale they were given in.

    ``mean`` of members like these; ``spread``: standard deviation between members; ``i_squared``: share of the variance
    that lies between them, in %; ``q`` with its p value: whether they differ at all; ``prediction``: where a new member's
    true value may lie; ``weights`` (k,) add up to 1.
    """

    mean: Estimate
    spread: Estimate
    i_squared: Estimate
    q: float
    q_p: float
    prediction: Estimate
    weights: Values
    error: float


def join(values: ArrayLike, errors: ArrayLike) -> Joined:
    """Join estimates with their standard errors by random effects.

    Parameters
    ----------
    values, errors : array, shape (k,)

    Raises
    ------
    UsageError
        If there are fewer than two, or one is not finite, or an error is not above 0.
    """
    y, s = _checked(values, errors)
    k, v = y.size, s**2
    between, share, mean, error = _mean(y, v)
    centre = mean.value
    q = _q(y, v, 0.0)
    low, high = _q_profile(y, v)
    return Joined(
        mean=mean,
        spread=Estimate(
            value=math.sqrt(between), low=math.sqrt(low), high=math.sqrt(high), n=k,
            method="standard deviation between members (Paule-Mandel), Q profile interval",
        ),
        i_squared=_share_between(v, between, low, high),
        q=q, q_p=float(stats.chi2.sf(q, k - 1)), prediction=_prediction(centre, error, between, k),
        weights=share, error=error,
    )  # fmt: skip


def _checked(values: ArrayLike, errors: ArrayLike) -> tuple[Values, Values]:
    y, s = np.asarray(values, dtype=np.float64), np.asarray(errors, dtype=np.float64)
    if (
        y.ndim != 1
        or y.shape != s.shape
        or y.size < 2
        or not (np.isfinite(y).all() and np.isfinite(s).all() and (s > 0).all())
    ):
        raise UsageError(
            "estimates cannot be joined", expected="two or more finite values, each with an error above 0",
            found=f"{y.size} values, {s.size} errors",
        )  # fmt: skip
    return y, s


def _mean(y: Values, v: Values) -> tuple[float, Values, Estimate, float]:
    """Return the variance between members, their weights, their mean and its standard error."""
    k = y.size
    between = _between(y, v, k - 1)
    weights = 1 / (v + between)
    share = weights / weights.sum()
    centre = float(share @ y)
    error = math.sqrt(float(share @ (y - centre) ** 2) / (k - 1))
    half = float(stats.t.ppf(0.5 + LEVEL / 2, k - 1)) * error
    method = f"random effects (Paule-Mandel), Hartung-Knapp interval with {k - 1} degrees of freedom"
    return between, share, Estimate(value=centre, low=centre - half, high=centre + half, n=k, method=method), error


def _q(y: Values, v: Values, between: float) -> float:
    weights = 1 / (v + between)
    centre = float(weights @ y / weights.sum())
    return float(weights @ (y - centre) ** 2)


def _between(y: Values, v: Values, target: float) -> float:
    """Return the variance between at which the statistic Q has the value ``target``; 0 where it never reaches it."""
    if _q(y, v, 0.0) <= target:
        return 0.0
    top = max(float(y.var(ddof=1)), float(v.max()))
    while _q(y, v, top) > target:
        top *= 4
    return float(optimize.brentq(lambda between: _q(y, v, between) - target, 0.0, top, xtol=1e-14, rtol=1e-12))


def _q_profile(y: Values, v: Values) -> tuple[float, float]:
    tail = (1 - LEVEL) / 2
    df = y.size - 1
    return _between(y, v, float(stats.chi2.isf(tail, df))), _between(y, v, float(stats.chi2.ppf(tail, df)))


def _share_between(v: Values, between: float, low: float, high: float) -> Estimate:
    w = 1 / v
    typical = (v.size - 1) * float(w.sum()) / (float(w.sum()) ** 2 - float((w**2).sum()))
    value, below, above = (100 * part / (part + typical) for part in (between, low, high))
    method = "share of the variance that lies between members, from the spread and its interval"
    return Estimate(value=value, low=below, high=above, n=v.size, method=method)


def _prediction(centre: float, error: float, between: float, k: int) -> Estimate:
    method = "prediction for a new member"
    if k < 3:
        return Estimate(n=k, method=method, reason=f"{k} members say nothing about the next")
    half = float(stats.t.ppf(0.5 + LEVEL / 2, k - 2)) * math.hypot(error, math.sqrt(between))
    return Estimate(
        value=centre, low=centre - half, high=centre + half, n=k, method=f"{method}, {k - 2} degrees of freedom"
    )


def without_each(values: ArrayLike, errors: ArrayLike) -> tuple[Estimate, ...]:
    """Return the mean of the others, each member left out in turn.

    Raises
    ------
    UsageError
        As ``join``; or if there are fewer than three members.
    """
    y, s = _checked(values, errors)
    if y.size < 3:
        raise UsageError("nobody can be left out", expected="three members or more", found=str(y.size))
    return tuple(_mean(np.delete(y, place), np.delete(s, place) ** 2)[2] for place in range(y.size))
