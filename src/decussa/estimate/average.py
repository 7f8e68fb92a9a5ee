"""Averages of sizes and latencies: arithmetic, geometric, censored, median; each with the interval for its own estimand.

Sizes of evoked responses are skewed to the right; their logarithm is nearly normal at moderate intensities (Goetz 2014,
doi 10.1016/j.brs.2014.03.002). Hence the geometric mean as the usual size, and the arithmetic mean beside it because
older studies report it. Moments are computed about the mean, never from raw sums, which lose digits (NIST StRD NumAcc4).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from decussa.estimate.censored import CensoredSample
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

Values = NDArray[np.float64]

LEVEL = 0.95
#: Power of e up to which the result is a float.
MOST_POWER = 709.0
#: Fewest measured values from which the spread of a censored sample is estimated.
FEWEST_MEASURED = 3


def finite_values(values: ArrayLike, *, name: str, least: float = -math.inf) -> Values:
    """Return ``values`` as a flat array of float64.

    Raises
    ------
    UsageError
        If a value is NaN or infinite, or below ``least``.
    """
    flat = np.atleast_1d(np.asarray(values, dtype=np.float64)).ravel()
    for number, value in enumerate(flat, start=1):
        if not math.isfinite(value) or value < least:
            raise UsageError(
                f"value {number} cannot be used",
                where=name,
                expected="a finite number" if least == -math.inf else f"a finite number, {least:g} or more",
                found=f"{value:g}",
                do="leave missing trials out",
            )
    return flat


def exponential(power: float) -> float:
    """Return e to the ``power``; infinite where it leaves the range of floats, as an end of an interval may."""
    return math.inf if power >= MOST_POWER else math.exp(power)


def from_logs(logs: Estimate) -> Estimate:
    """Return an estimate of a logarithm as one of the value itself; n, method and reason stay."""
    value, low, high = (exponential(end) for end in (logs.value, logs.low, logs.high))
    return replace(logs, value=value, low=low, high=high)


def mean(values: ArrayLike) -> float:
    """Return the arithmetic mean, corrected for the rounding of its own sum; NaN of nothing."""
    flat = np.asarray(values, dtype=np.float64)
    if flat.size == 0:
        return math.nan
    first = float(flat.mean())
    return first + float((flat - first).mean())


def standard_deviation(values: ArrayLike) -> float:
    """Return the standard deviation with n - 1, from squares about the mean; NaN of fewer than two values."""
    flat = np.asarray(values, dtype=np.float64)
    if flat.size < 2:
        return math.nan
    centred = flat - mean(flat)
    squares = float(centred @ centred) - float(centred.sum()) ** 2 / flat.size
    return math.sqrt(max(squares, 0.0) / (flat.size - 1))


def lag_one_autocorrelation(values: ArrayLike) -> float:
    """Return the correlation of each value with the next, both about the mean of all; NaN where nothing varies."""
    centred = np.asarray(values, dtype=np.float64) - mean(values)
    squares = float(centred @ centred)
    return float(centred[:-1] @ centred[1:]) / squares if squares > 0 else math.nan


def standard_deviation_of_logs(values: ArrayLike) -> float:
    """Return the standard deviation of the natural logarithms; NaN of fewer than two values or where one is not above 0."""
    flat = np.asarray(values, dtype=np.float64)
    return standard_deviation(np.log(flat)) if flat.size > 1 and np.all(flat > 0) else math.nan


def coefficient_of_variation(values: ArrayLike) -> float:
    """Return the standard deviation over the arithmetic mean, as a share of 1; NaN where the mean is not above 0."""
    centre = mean(values)
    return standard_deviation(values) / centre if centre > 0 else math.nan


def log_spread_of_variation(variation: float) -> float:
    """Return the standard deviation of the logarithm of a log-normal quantity whose coefficient of variation is given."""
    return math.sqrt(math.log1p(variation**2))


def mean_over_median(variation: float) -> float:
    """Return arithmetic mean over median of a log-normal quantity whose coefficient of variation is given."""
    return math.sqrt(1 + variation**2)


def trials_needed(variation: float, half_width: float) -> int:
    """Return the number of trials whose mean has a 95 % interval of about +/- ``half_width`` (both as a share of 1).

    n = (z variation / half_width)^2, rounded up; the central limit theorem is taken at its word.

    Raises
    ------
    UsageError
        If either is not above 0.
    """
    if not (variation > 0 and half_width > 0):
        raise UsageError(
            "no number of trials follows", expected="shares above 0", found=f"{variation:g} and {half_width:g}"
        )
    return math.ceil((float(special.ndtri(0.5 + LEVEL / 2)) * variation / half_width) ** 2)


def arithmetic_mean(values: ArrayLike) -> Estimate:
    """Return the arithmetic mean with Student's t interval.

    Parameters
    ----------
    values : array-like, shape (n,), any unit

    Returns
    -------
    Estimate in the same unit; NaN with a reason for no value, no interval (NaN ends) for a single one. The interval
    trusts the central limit theorem: with few and skewed values it is too short at the upper end.

    Raises
    ------
    UsageError
        If a value is not finite.
    """
    flat = finite_values(values, name="values")
    method = "arithmetic mean, Student's t interval"
    if flat.size == 0:
        return Estimate(method=method, reason="no value")
    centre = mean(flat)
    if flat.size == 1:
        return Estimate(value=centre, n=1, method=method, reason="one value has no interval")
    half = _t_quantile(flat.size - 1) * standard_deviation(flat) / math.sqrt(flat.size)
    return Estimate(value=centre, low=centre - half, high=centre + half, n=flat.size, method=method)


def geometric_mean(sizes: ArrayLike, noise: ArrayLike | None = None) -> Estimate:
    """Return the geometric mean of ``sizes``; those at or below the noise count as "below", not as measured.

    Without censored sizes: exp(mean ln -/+ t s_ln / sqrt(n)). With some, mean and spread of the logarithms are the
    maximum-likelihood values of a log-normal sample censored from the left at each trial's own noise (Cohen 1959, doi
    10.1080/00401706.1959.10489859), and the interval is the profile likelihood's, with the limit that makes it Student's
    when nothing is censored.

    Parameters
    ----------
    sizes : array-like, shape (n,), microvolt or any unit, 0 or more
    noise : array-like, shape () or (n,), same unit, optional
        Size that noise alone would give. NaN: not known for that trial.

    Returns
    -------
    Estimate in the unit of ``sizes``; of the median where sizes are log-normal. NaN and a reason where fewer than three
    sizes stand above the noise (its upper end then is the noise where all are below), or where a size is 0 and no noise
    is known.

    Raises
    ------
    UsageError
        If a size is negative or not finite, or ``noise`` does not fit ``sizes``.
    """
    flat = finite_values(sizes, name="sizes", least=0.0)
    floor = _floor(flat, noise)
    method = "geometric mean, Student's t interval of the logarithms"
    if flat.size == 0:
        return Estimate(method=method, reason="no value")
    censored = flat <= floor
    if censored.any():
        return _censored_geometric_mean(flat, floor, censored)
    if np.any(flat == 0):
        return Estimate(
            n=flat.size, method=method, reason=f"{int(np.sum(flat == 0))} sizes are 0 and no noise is given"
        )
    return replace(from_logs(arithmetic_mean(np.log(flat))), method=method)


def median(values: ArrayLike) -> Estimate:
    """Return the median with its distribution-free interval between two order statistics.

    The interval is the narrowest symmetric pair of order statistics that covers with at least 95 % whatever the
    distribution (Conover 1999, Practical Nonparametric Statistics, 3rd ed., section 3.2; from memory); below six values
    there is none, and both ends are infinite.

    Parameters
    ----------
    values : array-like, shape (n,), any unit

    Returns
    -------
    Estimate in the same unit; NaN with a reason for no value.

    Raises
    ------
    UsageError
        If a value is not finite.
    """
    flat = np.sort(finite_values(values, name="values"))
    method = "median, interval between order statistics"
    if flat.size == 0:
        return Estimate(method=method, reason="no value")
    centre = float(np.median(flat))
    rank = _lower_rank(flat.size)
    if rank == 0:
        reason = f"{flat.size} values are too few for a 95 % interval of the median (6 needed)"
        return Estimate(value=centre, low=-math.inf, high=math.inf, n=flat.size, method=method, reason=reason)
    return Estimate(
        value=centre, low=float(flat[rank - 1]), high=float(flat[flat.size - rank]), n=flat.size, method=method
    )


def _lower_rank(n: int) -> int:
    """Return the largest rank r with P(Binomial(n, 1/2) < r) at most 2.5 %; 0 if there is none."""
    tail = stats.binom.cdf(np.arange(n), n, 0.5)
    return int(np.searchsorted(tail, (1 - LEVEL) / 2, side="right"))


def _t_quantile(df: float) -> float:
    return float(stats.t.ppf(0.5 + LEVEL / 2, df))


def _floor(sizes: Values, noise: ArrayLike | None) -> Values:
    """Return each trial's noise, -infinity where it is not known."""
    if noise is None:
        return np.full(sizes.size, -math.inf)
    floor = np.asarray(noise, dtype=np.float64)
    if floor.ndim and floor.size != sizes.size:
        raise UsageError(
            "noise and sizes do not fit", expected=f"1 or {sizes.size} values", found=f"{floor.size} values"
        )
    floor = np.broadcast_to(floor, sizes.shape).copy()
    if np.any(floor < 0) or np.any(np.isinf(floor)):
        raise UsageError(
            "noise cannot be used", expected="finite numbers, 0 or more", found="a negative or infinite one"
        )
    floor[np.isnan(floor)] = -math.inf
    return floor


def _censored_geometric_mean(sizes: Values, floor: Values, censored: NDArray[np.bool_]) -> Estimate:
    below, measured = int(censored.sum()), int((~censored).sum())
    method = "geometric mean of a log-normal censored at the noise, profile likelihood interval"
    reason = f"{below} of {sizes.size} sizes are at or below the noise and count as below it"
    limits = floor[censored]
    if np.any(limits <= 0) or np.any(sizes[~censored] == 0):
        return Estimate(n=sizes.size, method=method, reason="some sizes are 0 where the noise is 0 or not known")
    if measured == 0:
        highest = float(limits.max())
        return Estimate(
            low=0.0, high=highest, n=sizes.size, method=method, reason=f"every size is below the noise of {highest:.3g}"
        )
    logs = np.log(sizes[~censored])
    if measured < FEWEST_MEASURED or float(np.ptp(logs)) == 0:
        return Estimate(n=sizes.size, method=method, reason=f"{reason}; {measured} above it are too few to average")
    sample = CensoredSample(logs, np.log(limits))
    centre = sample.best_centre()
    low, high = sample.interval(centre, LEVEL)
    return Estimate(
        value=exponential(centre),
        low=exponential(low),
        high=exponential(high),
        n=sizes.size,
        method=method,
        reason=reason,
    )
