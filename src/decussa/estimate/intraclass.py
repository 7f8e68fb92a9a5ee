"""Intraclass correlation: how much of the spread of scores lies between targets; all six forms with intervals.

Shrout and Fleiss 1979, doi 10.1037/0033-2909.86.2.420; intervals of the single and average forms by them and by McGraw and
Wong 1996, doi 10.1037/1082-989X.1.1.30. Which form is meant is part of the result: they answer different questions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

LEVEL = 0.95
#: What each form means, in the order of the paper.
FORMS = {
    "ICC(1,1)": "one-way random, single",
    "ICC(2,1)": "two-way random, absolute agreement, single",
    "ICC(3,1)": "two-way mixed, consistency, single",
    "ICC(1,k)": "one-way random, average of k",
    "ICC(2,k)": "two-way random, absolute agreement, average of k",
    "ICC(3,k)": "two-way mixed, consistency, average of k",
}
#: Up to rounding: what is left of differences that are none.
_NOTHING = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanSquares:
    """Mean squares of n targets by k raters: between targets, within targets, between raters, residual."""

    n: int
    k: int
    targets: float
    within: float
    raters: float
    error: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Intraclass:
    """One form of the intraclass correlation with its F test against 0."""

    form: str
    estimate: Estimate
    f: float
    df1: float
    df2: float
    p: float


def mean_squares(scores: ArrayLike) -> MeanSquares:
    """Return the mean squares of ``scores``, computed about the means.

    Parameters
    ----------
    scores : array, shape (n_targets, n_raters), one unit

    Raises
    ------
    UsageError
        If there are fewer than two targets or two raters, or a score is not finite.
    """
    values = np.asarray(scores, dtype=np.float64)
    if values.ndim != 2 or min(values.shape) < 2 or not np.isfinite(values).all():
        raise UsageError(
            "scores cannot be compared",
            expected="two targets or more by two raters or more, all finite",
            found=f"shape {values.shape}",
        )
    n, k = values.shape
    grand = values.mean()
    of_targets, of_raters = values.mean(axis=1, keepdims=True), values.mean(axis=0)
    residuals = values - of_targets - of_raters + grand
    return MeanSquares(
        n=n,
        k=k,
        targets=k * float(np.sum((of_targets - grand) ** 2)) / (n - 1),
        within=float(np.sum((values - of_targets) ** 2)) / (n * (k - 1)),
        raters=n * float(np.sum((of_raters - grand) ** 2)) / (k - 1),
        error=float(np.sum(residuals**2)) / ((n - 1) * (k - 1)),
    )


def intraclass(scores: ArrayLike) -> tuple[Intraclass, ...]:
    """Return the six forms, in the order of ``FORMS``.

    Parameters
    ----------
    scores : array, shape (n_targets, n_raters), one unit

    Returns
    -------
    Six results without unit; NaN with a reason where targets do not differ, no interval where raters never differ.

    Raises
    ------
    UsageError
        As ``mean_squares``.
    """
    squares = mean_squares(scores)
    return tuple(_form(name, squares) for name in FORMS)


def _form(name: str, m: MeanSquares) -> Intraclass:
    method = f"{name}, {FORMS[name]}"
    one_way = name.startswith("ICC(1")
    noise = m.within if one_way else m.error
    df1, df2 = m.n - 1, m.n * (m.k - 1) if one_way else (m.n - 1) * (m.k - 1)
    total = m.targets + m.within + m.raters

    def result(estimate: Estimate, f: float = float("nan")) -> Intraclass:
        p = float(stats.f.sf(f, df1, df2)) if np.isfinite(f) else float("nan")
        return Intraclass(form=name, estimate=estimate, f=f, df1=df1, df2=df2, p=p)

    if m.targets <= _NOTHING * max(total, _NOTHING):
        return result(Estimate(n=m.n, method=method, reason="the targets do not differ"))
    if m.within <= _NOTHING * total or (name.startswith("ICC(3") and m.error <= _NOTHING * total):
        return result(Estimate(value=1.0, n=m.n, method=method, reason="the raters never differ: no interval"), np.inf)
    value = _value(name, m)
    low, high = _absolute_interval(m) if name.startswith("ICC(2") else _f_interval(m.targets / noise, df1, df2, m.k)
    if name.endswith("k)"):
        low, high = _stepped_up(low, m.k), _stepped_up(high, m.k)
    found = Estimate(value=value, low=low, high=high, level=LEVEL, n=m.n, method=method)
    return result(found, m.targets / noise if noise > 0 else np.inf)


def _value(name: str, m: MeanSquares) -> float:
    between_raters = m.k * (m.raters - m.error) / m.n
    single = {
        "ICC(1": (m.targets - m.within, m.targets + (m.k - 1) * m.within, m.targets),
        "ICC(2": (m.targets - m.error, m.targets + (m.k - 1) * m.error + between_raters, m.targets + between_raters / m.k),
        "ICC(3": (m.targets - m.error, m.targets + (m.k - 1) * m.error, m.targets),
    }  # fmt: skip
    top, below_one, below_average = single[name[:5]]
    return top / (below_average if name.endswith("k)") else below_one)


def _f_interval(f: float, df1: float, df2: float, k: int) -> tuple[float, float]:
    tail = 0.5 + LEVEL / 2
    low, high = f / float(stats.f.ppf(tail, df1, df2)), f * float(stats.f.ppf(tail, df2, df1))
    return (low - 1) / (low + k - 1), (high - 1) / (high + k - 1)


def _absolute_interval(m: MeanSquares) -> tuple[float, float]:
    """Return the interval of ICC(2,1): Satterthwaite's degrees of freedom for raters and error together."""
    n, k, value = m.n, m.k, _value("ICC(2,1)", m)
    share = k * value / (n * (1 - value))
    own = 1 + k * value * (n - 1) / (n * (1 - value))
    df = (share * m.raters + own * m.error) ** 2 / (
        (share * m.raters) ** 2 / (k - 1) + (own * m.error) ** 2 / ((n - 1) * (k - 1))
    )
    tail = 0.5 + LEVEL / 2
    f_low, f_high = float(stats.f.ppf(tail, n - 1, df)), float(stats.f.ppf(tail, df, n - 1))
    rest = k * m.raters + (k * n - k - n) * m.error
    low = n * (m.targets - f_low * m.error) / (f_low * rest + n * m.targets)
    high = n * (f_high * m.targets - m.error) / (rest + n * f_high * m.targets)
    return low, high


def stepped_up(single: float, trials: float) -> float:
    """Return the reliability of the mean of ``trials`` measurements from that of one (Spearman 1910, Brown 1910)."""
    return trials * single / (1 + (trials - 1) * single)


def trials_for(single: float, wanted: float) -> float:
    """Return how many measurements must be averaged to raise reliability from ``single`` to ``wanted``.

    Raises
    ------
    UsageError
        If either is not between 0 and 1.
    """
    if not (0 < single < 1 and 0 < wanted < 1):
        raise UsageError("no number follows", expected="reliabilities between 0 and 1", found=f"{single:g}, {wanted:g}")
    return wanted * (1 - single) / (single * (1 - wanted))


def _stepped_up(end: float, k: int) -> float:
    # Below -1/(k-1) no single reliability is possible; the average's has no lower end there.
    return -float("inf") if 1 + (k - 1) * end <= 0 else stepped_up(end, k)
