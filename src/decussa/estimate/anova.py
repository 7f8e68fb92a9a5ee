"""One-way analysis of variance: how much of the spread lies between groups."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from decussa.estimate.average import finite_values, mean
from decussa.model.errors import UsageError


@dataclass(frozen=True, slots=True, kw_only=True)
class OneWayAnova:
    """Sums of squares with their degrees of freedom, F ratio and its p value, R squared, residual standard deviation."""

    between_ss: float
    between_df: int
    within_ss: float
    within_df: int
    f: float
    p: float
    r_squared: float
    residual_sd: float


def one_way_anova(groups: Sequence[ArrayLike]) -> OneWayAnova:
    """Return the one-way analysis of variance of ``groups``, computed about the means (raw sums lose digits).

    Parameters
    ----------
    groups : sequence of array-like, each of shape (n_i,), one unit

    Returns
    -------
    OneWayAnova; F and p are NaN where nothing varies at all.

    Raises
    ------
    UsageError
        If there are fewer than two groups, an empty one, or no more values than groups; if a value is not finite.
    """
    samples = [finite_values(group, name=f"group {number}") for number, group in enumerate(groups, start=1)]
    n = sum(sample.size for sample in samples)
    if len(samples) < 2 or n <= len(samples) or any(sample.size == 0 for sample in samples):
        raise UsageError(
            "too few values for an analysis of variance",
            expected="two groups or more, none empty, one with two values",
            found=f"groups of {', '.join(str(sample.size) for sample in samples) or 'nothing'}",
        )
    grand = mean(np.concatenate(samples))
    between = sum(sample.size * (mean(sample) - grand) ** 2 for sample in samples)
    within = sum(float(np.sum((sample - mean(sample)) ** 2)) for sample in samples)
    between_df, within_df = len(samples) - 1, n - len(samples)
    total = between + within
    f = (between / between_df) / (within / within_df) if within > 0 else (math.inf if between > 0 else math.nan)
    return OneWayAnova(
        between_ss=between,
        between_df=between_df,
        within_ss=within,
        within_df=within_df,
        f=f,
        p=float(stats.f.sf(f, between_df, within_df)),
        r_squared=between / total if total > 0 else math.nan,
        residual_sd=math.sqrt(within / within_df),
    )
