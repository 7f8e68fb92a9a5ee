"""Intervals of a share: so many of so many."""

from __future__ import annotations

import math

from scipy import stats

from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

LEVEL = 0.95


def wilson(count: int, n: int) -> Estimate:
    """Return the share ``count / n`` with Wilson's score interval.

    The usual choice: close to its level for all shares, never outside 0 to 1. Method 3 of Newcombe 1998, doi
    10.1002/(SICI)1097-0258(19980430)17:8<857::AID-SIM777>3.0.CO;2-E.

    Returns
    -------
    Estimate without unit; NaN with a reason where ``n`` is 0.

    Raises
    ------
    UsageError
        If ``count`` is not from 0 to ``n``.
    """
    _check(count, n)
    method = "share, Wilson interval"
    if n == 0:
        return Estimate(method=method, reason="no trial")
    z = float(stats.norm.ppf(0.5 + LEVEL / 2))
    share = count / n
    centre = share + z * z / (2 * n)
    half = z * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    low, high = (centre - half) / (1 + z * z / n), (centre + half) / (1 + z * z / n)
    # Exactly 0 and 1 at the ends, where the formula leaves a rounding error.
    return Estimate(value=share, low=0.0 if count == 0 else low, high=1.0 if count == n else high, n=n, method=method)


def clopper_pearson(count: int, n: int) -> Estimate:
    """Return the share ``count / n`` with the exact interval of Clopper and Pearson: never short of its level, so wider.

    Clopper and Pearson 1934, doi 10.1093/biomet/26.4.404; method 5 of Newcombe 1998.

    Returns
    -------
    Estimate without unit; NaN with a reason where ``n`` is 0.

    Raises
    ------
    UsageError
        If ``count`` is not from 0 to ``n``.
    """
    _check(count, n)
    method = "share, Clopper-Pearson interval"
    if n == 0:
        return Estimate(method=method, reason="no trial")
    tail = (1 - LEVEL) / 2
    low = 0.0 if count == 0 else float(stats.beta.ppf(tail, count, n - count + 1))
    high = 1.0 if count == n else float(stats.beta.ppf(1 - tail, count + 1, n - count))
    return Estimate(value=count / n, low=low, high=high, n=n, method=method)


def _check(count: int, n: int) -> None:
    if not 0 <= count <= n:
        raise UsageError("the share makes no sense", expected="a count from 0 to n", found=f"{count} of {n}")
