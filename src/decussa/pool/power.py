"""How many people and trials: power of t tests, and of designs whose spread is known from a lab's own data.

Power of the t test by the noncentral t distribution, integrated. A comparison's variance follows from the random terms of
its mixed model: what lies between people cannot be averaged away by trials, what lies between trials can (Snijders and
Bosker 1993, doi 10.3102/10769986018003237, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special, stats

from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

Design = Literal["paired", "groups"]
Contrast = Literal["condition", "time", "group", "condition x time", "condition x group", "time x group"]
Values = NDArray[np.float64]

ALPHA, POWER, LEVEL = 0.05, 0.80, 0.95
MOST_PEOPLE = 1e6
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(100)


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """People needed (of each group in designs with groups) and how that number would vary with the spread's interval.

    ``people`` is a whole number as a float; infinite where no number reaches the power. ``sd`` is that of one person's
    value of the comparison (of logarithms).
    """

    contrast: str
    ratio: float
    sessions: int
    trials: int
    power: float
    people: Estimate
    sd: Estimate


def power_of(effect: float, people: float, *, design: Design = "paired", alpha: float = ALPHA) -> float:
    """Return the power of a two-sided t test.

    Parameters
    ----------
    effect : float
        Difference over its standard deviation: of the paired differences, or within groups.
    people : float
        Pairs, or people in each of two groups; above 1.
    design : {"paired", "groups"}
    alpha : float

    Raises
    ------
    UsageError
        If the design is not known, or a number makes no sense.
    """
    if design not in get_args(Design):
        raise UsageError("design is not known", expected=", ".join(get_args(Design)), found=repr(design))
    if not (people > 1 and 0 < alpha < 1 and math.isfinite(effect)):
        raise UsageError(
            "no power follows", expected="more than one person, alpha from 0 to 1", found=f"{people:g}, {alpha:g}"
        )
    df = people - 1 if design == "paired" else 2 * people - 2
    shift = abs(effect) * math.sqrt(people if design == "paired" else people / 2)
    limit = float(stats.t.isf(alpha / 2, df))
    # Over the spread that the study happens to find (chi over the root of its degrees of freedom); the noncentral t
    # distribution itself has gaps in the library.
    ends = stats.chi2.ppf([1e-15, 0.5, 1 - 1e-15], df)
    low, middle, high = np.sqrt(ends / df)
    found = np.concatenate([(a + b) / 2 + (b - a) / 2 * _NODES for a, b in ((low, middle), (middle, high))])
    weights = np.concatenate([(b - a) / 2 * _WEIGHTS for a, b in ((low, middle), (middle, high))])
    log_density = (
        math.log(2) + df / 2 * math.log(df / 2) - math.lgamma(df / 2) + (df - 1) * np.log(found) - df * found**2 / 2
    )
    beyond = special.ndtr(shift - limit * found) + special.ndtr(-shift - limit * found)
    return min(float(np.sum(weights * beyond * np.exp(log_density))), 1.0)


def people_needed(effect: float, *, design: Design = "paired", power: float = POWER, alpha: float = ALPHA) -> float:
    """Return the number of pairs, or of people in each of two groups, at which a t test has this power.

    Not rounded up; infinite for no effect.

    Raises
    ------
    UsageError
        As ``power_of``; or if the power is not between alpha and 1.
    """
    if not alpha < power < 1:
        raise UsageError("no number follows", expected="a power between alpha and 1", found=f"{power:g}")

    def lacking(people: float) -> float:
        return power_of(effect, people, design=design, alpha=alpha) - power

    least, most = 2.0, 4.0
    while lacking(most) < 0:
        most *= 2
        if effect == 0 or most > MOST_PEOPLE:
            return math.inf
    return least if lacking(least) > 0 else float(optimize.brentq(lacking, least, most, xtol=1e-9))


def spread_weights(
    contrast: Contrast, terms: tuple[str, ...], *, sessions: int, trials: int, blocks: int = 1
) -> Values:
    """Return the weights of the random terms' variances, the residual's last, in the variance of one person's comparison.

    For designs with groups it is the variance of one person's value within a group. ``sessions`` of each point in time,
    ``trials`` of each condition in a session, spread over ``blocks`` of it. Conditions are given in the same blocks.

    Raises
    ------
    UsageError
        If the contrast is not known or a number is below 1.
    """
    if contrast not in get_args(Contrast):
        raise UsageError("comparison is not known", expected=", ".join(get_args(Contrast)), found=repr(contrast))
    if min(sessions, trials, blocks) < 1:
        raise UsageError(
            "a design needs sessions and trials", expected="1 or more", found=f"{sessions}, {trials}, {blocks}"
        )
    per_session = 1 / sessions
    # One person's value is a sum of levels, times how many of each are added up (and subtracted) in the comparison.
    sums: Mapping[str, dict[str, float]] = {
        "condition": {"participant:condition": 2, "participant:session:condition": 2 * per_session, "": 2 * per_session / trials},
        "time": {
            "participant:session": 2 * per_session, "participant:session:condition": 2 * per_session,
            "participant:session:block": 2 * per_session / blocks, "": 2 * per_session / trials,
        },
        "group": {
            "participant": 1, "participant:condition": 1, "participant:session": per_session,
            "participant:session:condition": per_session, "participant:session:block": per_session / blocks,
            "": per_session / trials,
        },
    }  # fmt: skip
    sums = {
        **sums,
        "condition x time": {"participant:session:condition": 4 * per_session, "": 4 * per_session / trials},
        "condition x group": sums["condition"],
        "time x group": sums["time"],
    }
    return np.array([sums[contrast].get(term, 0.0) for term in (*terms, "")])


def plan_people(
    contrast: Contrast, ratio: float, terms: tuple[str, ...], variances: ArrayLike, uncertainty: ArrayLike | None = None, *,
    sessions: int = 1, trials: int = 20, blocks: int = 1, power: float = POWER, alpha: float = ALPHA,
) -> Planned:  # fmt: skip
    """Return how many people a comparison needs to find a true ratio, from the random terms' variances.

    Parameters
    ----------
    contrast : str
        A question of the mixed model; those with groups need so many people in each of two groups.
    ratio : float
        True ratio of geometric means that is to be found; 1 is no effect.
    terms : tuple of str
        Random terms of the model.
    variances, uncertainty : array, shapes (k + 1,) and (k + 1, k + 1)
        Their variances, of logarithms, the residual's last, and the covariance of these; without it no interval.
    sessions, trials, blocks : int
        Of each point in time; of each condition in a session; blocks they are spread over.

    Raises
    ------
    UsageError
        As ``power_of`` and ``spread_weights``; or if the ratio is not above 0.
    """
    if not (ratio > 0 and math.isfinite(ratio)):
        raise UsageError("no effect follows", expected="a ratio above 0", found=f"{ratio:g}")
    weights = spread_weights(contrast, terms, sessions=sessions, trials=trials, blocks=blocks)
    variance = float(weights @ np.asarray(variances, dtype=np.float64))
    design: Design = "groups" if "group" in contrast else "paired"
    low, high = _interval(variance, weights, uncertainty)

    def needed(of: float) -> float:
        if math.isnan(of) or of <= 0:
            return math.nan
        people = people_needed(math.log(ratio) / math.sqrt(of), design=design, power=power, alpha=alpha)
        return math.ceil(people) if math.isfinite(people) else math.inf

    who = "people" if design == "paired" else "people in each group"
    method = f"{who} for {100 * power:g} % power at alpha {alpha:g}, noncentral t"
    sd_method = "standard deviation of one person's comparison, chi squared interval (Satterthwaite)"
    return Planned(
        contrast=contrast, ratio=ratio, sessions=sessions, trials=trials, power=power,
        people=Estimate(value=needed(variance), low=needed(low), high=needed(high), method=method),
        sd=Estimate(value=math.sqrt(variance), low=math.sqrt(low), high=math.sqrt(high), method=sd_method),
    )  # fmt: skip


def _interval(variance: float, weights: Values, uncertainty: ArrayLike | None) -> tuple[float, float]:
    if uncertainty is None or variance <= 0:
        return math.nan, math.nan
    doubt = float(weights @ np.asarray(uncertainty, dtype=np.float64) @ weights)
    df = 2 * variance**2 / doubt if doubt > 0 else math.inf
    if not math.isfinite(df):
        return variance, variance
    tail = (1 - LEVEL) / 2
    return df * variance / float(stats.chi2.isf(tail, df)), df * variance / float(stats.chi2.ppf(tail, df))
