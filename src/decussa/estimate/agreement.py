"""How far two raters of the same trials agree: on categories by kappa, on marks by ICC(2,1) and limits of agreement."""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from decussa.estimate.average import finite_values
from decussa.estimate.binomial import wilson
from decussa.estimate.intraclass import intraclass
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

LEVEL = 0.95
#: Normal quantile of the limits of agreement: 95 % of differences lie between them.
WITHIN = float(stats.norm.ppf(0.5 + LEVEL / 2))
Matrix = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitsOfAgreement:
    """Mean difference of two raters and the limits that hold 95 % of the differences, each with its interval.

    ``sd`` is the standard deviation of the differences; all have the unit of the values.
    """

    bias: Estimate
    lower: Estimate
    upper: Estimate
    sd: float


def cross_table(first: Sequence[Hashable], second: Sequence[Hashable], categories: Sequence[Hashable]) -> Matrix:
    """Return the counts of two raters' categories, shape (k, k): rows are the first rater's.

    Raises
    ------
    UsageError
        If the raters judged different numbers of trials, or a category is not in the list.
    """
    if len(first) != len(second):
        raise UsageError("raters judged different trials", expected=f"{len(first)} judgements", found=str(len(second)))
    place = {category: index for index, category in enumerate(categories)}
    table = np.zeros((len(place), len(place)))
    for one, other in zip(first, second, strict=True):
        if one not in place or other not in place:
            raise UsageError(
                "category is not known",
                expected=", ".join(str(category) for category in categories),
                found=repr(other if one in place else one),
            )
        table[place[one], place[other]] += 1
    return table


def observed_agreement(table: ArrayLike) -> Estimate:
    """Return the share of trials on which two raters agree, with Wilson's interval.

    Parameters
    ----------
    table : array, shape (k, k)
        Counts as ``cross_table`` gives them.
    """
    counts = _square(table)
    return wilson(round(float(np.trace(counts))), round(float(counts.sum())))


def kappa(table: ArrayLike) -> Estimate:
    """Return Cohen's kappa of two raters: agreement beyond what their shares of categories alone would give.

    Cohen 1960, doi 10.1177/001316446002000104; interval from the large-sample variance of Fleiss, Cohen and Everitt 1969,
    doi 10.1037/h0028106.

    Parameters
    ----------
    table : array, shape (k, k)
        Counts as ``cross_table`` gives them.

    Returns
    -------
    Estimate without unit. Without an interval where the raters never differ, or one used one category only: the variance is
    then 0 whatever the number of trials. NaN where both used one category only.

    Raises
    ------
    UsageError
        If the table is not square or holds a negative count.
    """
    counts = _square(table)
    n = counts.sum()
    method = "Cohen's kappa, unweighted, large-sample interval"
    if n == 0:
        return Estimate(method=method, reason="no trial was judged by both")
    shares = counts / n
    rows, columns = shares.sum(axis=1), shares.sum(axis=0)
    by_chance = float(rows @ columns)
    if by_chance >= 1:
        return Estimate(n=int(n), method=method, reason="both raters used one category only")
    value = float((np.trace(shares) - by_chance) / (1 - by_chance))
    if np.trace(shares) >= 1 - 1e-12:
        reason = "the raters never differ: the large-sample interval does not apply"
        return Estimate(value=1.0, n=int(n), method=method, reason=reason)
    if rows.max() >= 1 or columns.max() >= 1:
        reason = "one rater used one category only: kappa is 0 whatever the other says"
        return Estimate(value=0.0, n=int(n), method=method, reason=reason)
    half = WITHIN * math.sqrt(_kappa_variance(shares, value, by_chance) / n)
    return Estimate(value=value, low=max(value - half, -1.0), high=min(value + half, 1.0), n=int(n), method=method)


def _kappa_variance(shares: Matrix, value: float, by_chance: float) -> float:
    """Return the large-sample variance of kappa, times the number of trials."""
    rows, columns = shares.sum(axis=1), shares.sum(axis=0)
    agreed = float(np.sum(np.diag(shares) * (1 - (rows + columns) * (1 - value)) ** 2))
    crossed = shares * (columns[:, None] + rows[None, :]) ** 2
    differed = (1 - value) ** 2 * float(crossed.sum() - np.trace(crossed))
    return max(agreed + differed - (value - by_chance * (1 - value)) ** 2, 0.0) / (1 - by_chance) ** 2


def absolute_agreement(scores: ArrayLike) -> Estimate:
    """Return ICC(2,1): reliability of one rater's value, raters and trials random, raters' own levels counted as error.

    Shrout and Fleiss 1979, doi 10.1037/0033-2909.86.2.420; interval by McGraw and Wong 1996, doi
    10.1037/1082-989X.1.1.30, where it is ICC(A,1).

    Parameters
    ----------
    scores : array, shape (n_targets, n_raters), one unit

    Returns
    -------
    Estimate without unit; NaN with a reason below two targets, or where nothing varies.

    Raises
    ------
    UsageError
        If there are fewer than two raters, or a score is not finite.
    """
    values = np.asarray(scores, dtype=np.float64)
    method = "ICC(2,1), two-way random, absolute agreement, single rater"
    if values.ndim != 2 or values.shape[1] < 2 or not np.isfinite(values).all():
        raise UsageError("scores cannot be compared", expected="targets by two raters or more, all finite")
    if len(values) < 2:
        return Estimate(n=len(values), method=method, reason=f"{len(values)} marks by both cannot tell")
    found = next(form.estimate for form in intraclass(values) if form.form == "ICC(2,1)")
    if math.isnan(found.value):
        return replace(found, method=method, reason="the marks do not differ between trials")
    return replace(found, method=method)


def limits_of_agreement(first: ArrayLike, second: ArrayLike, *, spreads: float = WITHIN) -> LimitsOfAgreement:
    """Return mean difference (first minus second) and 95 % limits of agreement of two raters' marks.

    Bland and Altman 1986, doi 10.1016/S0140-6736(86)90837-8: bias ± 1.96 SD of the differences; intervals by Student's t,
    the variance of a limit being about 3 SD²/n.

    Parameters
    ----------
    first, second : array, shape (n,), one unit
    spreads : float
        Standard deviations from the bias to a limit: 1.96, or the round 2 of the paper.

    Returns
    -------
    LimitsOfAgreement; NaN with a reason below three marks, without intervals where every difference is the same.

    Raises
    ------
    UsageError
        If there are different numbers of marks, or one is not finite.
    """
    one, other = finite_values(first, name="first rater"), finite_values(second, name="second rater")
    if one.size != other.size:
        raise UsageError("raters marked different trials", expected=f"{one.size} marks", found=str(other.size))
    differences = one - other
    n = differences.size
    name = f"limits of agreement, bias ± {spreads:.3g} SD of the differences"
    if n < 3:
        lacking = Estimate(n=n, method=name, reason=f"{n} marks by both cannot tell")
        return LimitsOfAgreement(bias=lacking, lower=lacking, upper=lacking, sd=math.nan)
    bias, sd = float(differences.mean()), float(differences.std(ddof=1))
    if sd < 1e-9 * max(np.abs(one).max(), 1.0):
        same = Estimate(value=bias, n=n, method=name, reason="every difference is the same: no interval")
        return LimitsOfAgreement(bias=same, lower=same, upper=same, sd=0.0)
    t = float(stats.t.ppf(0.5 + LEVEL / 2, n - 1))

    def around(value: float, error: float, method: str) -> Estimate:
        return Estimate(value=value, low=value - t * error, high=value + t * error, n=n, method=method)

    of_limit = sd * math.sqrt(3 / n)
    return LimitsOfAgreement(
        bias=around(bias, sd / math.sqrt(n), "mean difference, Student's t"),
        lower=around(bias - spreads * sd, of_limit, name),
        upper=around(bias + spreads * sd, of_limit, name),
        sd=sd,
    )


def _square(table: ArrayLike) -> Matrix:
    counts = np.asarray(table, dtype=np.float64)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or (counts < 0).any():
        raise UsageError("not a table of two raters", expected="counts, as many rows as columns")
    return counts
