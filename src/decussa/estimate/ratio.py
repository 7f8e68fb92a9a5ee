"""Conditioned over unconditioned size, with the interval that belongs to the method's own estimand.

Two different things are called "the ratio": the ratio of the arithmetic means (log-t, Fieller, log-delta, bootstrap) and
the ratio of the geometric means (geometric). They agree only where both conditions vary alike, so every result says which
one it is.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from decussa.estimate.average import exponential, finite_values, mean, standard_deviation
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

RatioMethod = Literal["log-t", "fieller", "log-delta", "geometric", "bootstrap"]
Values = NDArray[np.float64]

LEVEL = 0.95
#: Resamples of the bootstrap; its Monte Carlo error is then well below the error of a ratio of 10 to 20 trials.
RESAMPLES = 9999
_OF_MEANS = "ratio of arithmetic means"
#: What the methods beside the default reach where 10 to 20 sizes per condition vary by 50 to 80 % (bench/ratio.py).
_TOO_SHORT = "holds the truth in less than 95 % where few sizes vary much and unequally"


def ratio(
    conditioned_uv: ArrayLike, unconditioned_uv: ArrayLike, *, method: RatioMethod = "log-t", seed: int = 0
) -> Estimate:
    """Return conditioned over unconditioned size.

    Parameters
    ----------
    conditioned_uv, unconditioned_uv : array-like, shapes (n,) and (m,), microvolt, 0 or more
        Independent trials.
    method : {"log-t", "fieller", "log-delta", "geometric", "bootstrap"}
        ``log-t``: ratio of means; each mean's own Student interval on the log scale, both joined by squaring and adding
        (Zou and Donner 2008, doi 10.1002/sim.3095, from memory). The default: it keeps its level where conditions differ
        in number and variation. ``fieller``: the same ratio, limits of Fieller 1954 (doi
        10.1111/j.2517-6161.1954.tb00159.x) with separate standard errors and n + m - 2 degrees of freedom.
        ``log-delta``: the same ratio, symmetric on the log scale, the same degrees of freedom. ``geometric``: ratio of
        geometric means, Welch's interval of the logarithms. ``bootstrap``: ratio of means, trials drawn again within each
        condition, bias-corrected and accelerated (Efron 1987, doi 10.1080/01621459.1987.10478410).
    seed : int
        Of the bootstrap; named in ``method`` of the result.

    Returns
    -------
    Estimate without unit; 1 is no effect, below 1 inhibition, above 1 facilitation. ``n`` counts both conditions. An
    interval that is open at a side has an infinite end there and a reason; without two trials in each condition, or
    where the mean divided by is 0, the value or interval is NaN with a reason.

    Raises
    ------
    UsageError
        If a size is negative or not finite, or the method is not known.
    """
    if method not in get_args(RatioMethod):
        raise UsageError(
            "method of the ratio is not known", expected=", ".join(get_args(RatioMethod)), found=repr(method)
        )
    conditioned = finite_values(conditioned_uv, name="conditioned_uv", least=0.0)
    unconditioned = finite_values(unconditioned_uv, name="unconditioned_uv", least=0.0)
    if conditioned.size == 0 or unconditioned.size == 0:
        empty = "conditioned" if conditioned.size == 0 else "unconditioned"
        return Estimate(n=conditioned.size + unconditioned.size, method=method, reason=f"no {empty} trial")
    if method == "log-t":
        return _log_t(conditioned, unconditioned)
    if method == "fieller":
        return _fieller(conditioned, unconditioned)
    if method == "log-delta":
        return _log_delta(conditioned, unconditioned)
    if method == "geometric":
        return _geometric(conditioned, unconditioned)
    return _bootstrap(conditioned, unconditioned, seed)


def paired_ratio(second_uv: ArrayLike, first_uv: ArrayLike) -> Estimate:
    """Return mean second over mean first response of the same trials, with Fieller's limits for paired values.

    Parameters
    ----------
    second_uv, first_uv : array-like, shape (n,), microvolt, 0 or more

    Returns
    -------
    Estimate without unit; n - 1 degrees of freedom, the covariance of the two means taken into account. NaN with a
    reason without trials or where the first mean is 0; no interval for a single trial.

    Raises
    ------
    UsageError
        If a size is negative or not finite, or the two differ in length.
    """
    second = finite_values(second_uv, name="second_uv", least=0.0)
    first = finite_values(first_uv, name="first_uv", least=0.0)
    if second.size != first.size:
        raise UsageError(
            "the responses do not pair up", expected=f"{first.size} second responses", found=f"{second.size}"
        )
    method = f"{_OF_MEANS} of the same trials, Fieller interval for paired values"
    if second.size == 0:
        return Estimate(method=method, reason="no trial")
    if second.size == 1:
        return _bare(second, first, method, n=1)
    covariance = float((second - mean(second)) @ (first - mean(first))) / (second.size - 1) / second.size
    variances = (_squared_error(second), _squared_error(first))
    return _fieller_limits(
        mean(second), mean(first), variances, covariance, df=second.size - 1, n=second.size, method=method
    )


def percent_inhibition(ratio_of_sizes: float) -> float:
    """Return the inhibition in % that a ratio stands for; negative where it stands for facilitation."""
    return 100 * (1 - ratio_of_sizes)


def _counts(conditioned: Values, unconditioned: Values) -> str:
    return f"{conditioned.size} conditioned, {unconditioned.size} unconditioned trials"


def _t_quantile(df: float) -> float:
    """Return Student's quantile of the two-sided interval; that of one degree of freedom below one."""
    return float(stats.t.ppf(0.5 + LEVEL / 2, max(df, 1)))


def _squared_error(values: Values) -> float:
    return standard_deviation(values) ** 2 / values.size


def _bare(conditioned: Values, unconditioned: Values, method: str, n: int) -> Estimate:
    """Return the ratio of means alone, where one condition has a single trial."""
    if mean(unconditioned) == 0:
        return Estimate(n=n, method=method, reason="the mean divided by is 0")
    value = mean(conditioned) / mean(unconditioned)
    return Estimate(value=value, n=n, method=method, reason="a condition with one trial has no interval")


def _fieller(conditioned: Values, unconditioned: Values) -> Estimate:
    n = conditioned.size + unconditioned.size
    method = f"{_OF_MEANS}, Fieller interval, {_TOO_SHORT}; {_counts(conditioned, unconditioned)}"
    if min(conditioned.size, unconditioned.size) < 2:
        return _bare(conditioned, unconditioned, method, n)
    variances = (_squared_error(conditioned), _squared_error(unconditioned))
    return _fieller_limits(mean(conditioned), mean(unconditioned), variances, 0.0, df=n - 2, n=n, method=method)


def _fieller_limits(
    top: float, bottom: float, variances: tuple[float, float], covariance: float, *, df: int, n: int, method: str
) -> Estimate:
    """Return all ratios r for which top - r bottom is within t standard errors of 0."""
    if bottom == 0:
        return Estimate(n=n, method=method, reason="the mean divided by is 0")
    square = _t_quantile(df) ** 2
    leading = bottom**2 - square * variances[1]
    middle = top * bottom - square * covariance
    last = top**2 - square * variances[0]
    discriminant = middle**2 - leading * last
    if leading > 0:
        root = math.sqrt(max(discriminant, 0.0))
        return Estimate(
            value=top / bottom, low=(middle - root) / leading, high=(middle + root) / leading, n=n, method=method
        )
    # The mean divided by is not clearly above 0. The part of the set that sizes can reach is open above; where even
    # the mean above it is not clearly above 0, nothing is excluded.
    reason = f"interval is unbounded: the mean divided by is not clearly above 0 (g = {square * variances[1] / bottom**2:.2f})"
    positive = discriminant >= 0 and last > 0 and middle + math.sqrt(max(discriminant, 0.0)) > 0
    low = last / (middle + math.sqrt(discriminant)) if positive else -math.inf
    return Estimate(value=top / bottom, low=low, high=math.inf, n=n, method=method, reason=reason)


def _log_t(conditioned: Values, unconditioned: Values) -> Estimate:
    method = f"{_OF_MEANS}, Student intervals of both on the log scale; {_counts(conditioned, unconditioned)}"
    t = (_t_quantile(conditioned.size - 1), _t_quantile(unconditioned.size - 1))
    found = _on_log_scale(conditioned, unconditioned, t, method)
    if math.isnan(found.low) or not found.value > 0:
        return found
    if t[1] * math.sqrt(_squared_error(unconditioned)) >= mean(unconditioned):
        reason = "interval is unbounded: the mean divided by is not clearly above 0"
        found = replace(found, high=math.inf, reason=reason)
    if t[0] * math.sqrt(_squared_error(conditioned)) >= mean(conditioned):
        reason = "the conditioned mean is not clearly above 0"
        found = replace(found, low=0.0, reason=f"{found.reason}; {reason}" if found.reason else reason)
    return found


def _log_delta(conditioned: Values, unconditioned: Values) -> Estimate:
    method = f"{_OF_MEANS}, delta interval on the log scale, {_TOO_SHORT}; {_counts(conditioned, unconditioned)}"
    t = _t_quantile(conditioned.size + unconditioned.size - 2)
    return _on_log_scale(conditioned, unconditioned, (t, t), method)


def _on_log_scale(conditioned: Values, unconditioned: Values, t: tuple[float, float], method: str) -> Estimate:
    """Return the ratio of means, its logarithm give or take the root of the summed squares of t times relative error."""
    n = conditioned.size + unconditioned.size
    if min(conditioned.size, unconditioned.size) < 2:
        return _bare(conditioned, unconditioned, method, n)
    top, bottom = mean(conditioned), mean(unconditioned)
    if bottom == 0:
        return Estimate(n=n, method=method, reason="the mean divided by is 0")
    if top == 0:
        return Estimate(value=0.0, n=n, method=method, reason="a ratio of 0 has no interval on the log scale")
    relative = math.sqrt(_squared_error(conditioned)) / top, math.sqrt(_squared_error(unconditioned)) / bottom
    factor = exponential(math.hypot(t[0] * relative[0], t[1] * relative[1]))
    return Estimate(value=top / bottom, low=top / bottom / factor, high=top / bottom * factor, n=n, method=method)


def _geometric(conditioned: Values, unconditioned: Values) -> Estimate:
    n = conditioned.size + unconditioned.size
    method = f"ratio of geometric means, Welch interval of the logarithms; {_counts(conditioned, unconditioned)}"
    zeros = int(np.sum(conditioned == 0) + np.sum(unconditioned == 0))
    if zeros:
        reason = f"{zeros} sizes are 0 and have no logarithm; take a ratio of means"
        return Estimate(n=n, method=method, reason=reason)
    logs = np.log(conditioned), np.log(unconditioned)
    difference = mean(logs[0]) - mean(logs[1])
    if min(conditioned.size, unconditioned.size) < 2:
        reason = "a condition with one trial has no interval"
        return Estimate(value=exponential(difference), n=n, method=method, reason=reason)
    parts = [_squared_error(log) for log in logs]
    if sum(parts) == 0:
        value = exponential(difference)
        return Estimate(value=value, low=value, high=value, n=n, method=method, reason="no size varies")
    df = sum(parts) ** 2 / sum(part**2 / (log.size - 1) for part, log in zip(parts, logs, strict=True))
    half = _t_quantile(df) * math.sqrt(sum(parts))
    return Estimate(
        value=exponential(difference),
        low=exponential(difference - half),
        high=exponential(difference + half),
        n=n,
        method=method,
    )


def _bootstrap(conditioned: Values, unconditioned: Values, seed: int) -> Estimate:
    n = conditioned.size + unconditioned.size
    method = f"{_OF_MEANS}, BCa bootstrap interval, {RESAMPLES} resamples, seed {seed}, {_TOO_SHORT}; " + _counts(
        conditioned, unconditioned
    )
    if min(conditioned.size, unconditioned.size) < 2:
        return _bare(conditioned, unconditioned, method, n)
    if mean(unconditioned) == 0:
        return Estimate(n=n, method=method, reason="the mean divided by is 0")
    value = mean(conditioned) / mean(unconditioned)
    random = np.random.default_rng(seed)
    tops, bottoms = (
        sample[random.integers(sample.size, size=(RESAMPLES, sample.size))].mean(axis=1)
        for sample in (conditioned, unconditioned)
    )
    if np.any(bottoms == 0):
        reason = "interval is unbounded: some resamples have a mean of 0 to divide by"
        return Estimate(value=value, low=-math.inf, high=math.inf, n=n, method=method, reason=reason)
    drawn = tops / bottoms
    below = (np.sum(drawn < value) + np.sum(drawn <= value)) / (2 * RESAMPLES)
    if not 0 < below < 1 or np.ptp(drawn) == 0:
        return Estimate(value=value, low=value, high=value, n=n, method=method, reason="no resample differs")
    bias = float(special.ndtri(below))
    shift = bias + float(special.ndtri(0.5 + LEVEL / 2)) * np.array([-1.0, 1.0])
    shares = special.ndtr(bias + shift / (1 - _acceleration(conditioned, unconditioned) * shift))
    low, high = np.quantile(drawn, shares)
    return Estimate(value=value, low=float(low), high=float(high), n=n, method=method)


def _acceleration(conditioned: Values, unconditioned: Values) -> float:
    """Return the acceleration of the BCa interval from leaving out each trial of each condition in turn."""
    third = second = 0.0
    without = (
        _means_without_one(conditioned) / mean(unconditioned),
        mean(conditioned) / np.maximum(_means_without_one(unconditioned), np.finfo(float).tiny),
    )
    for left in without:
        influence = (left.size - 1) * (left.mean() - left)
        third += float(np.sum(influence**3)) / left.size**3
        second += float(np.sum(influence**2)) / left.size**2
    return third / (6 * second**1.5) if second > 0 else 0.0


def _means_without_one(sample: Values) -> Values:
    return np.asarray((sample.sum() - sample) / (sample.size - 1))
