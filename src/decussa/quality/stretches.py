"""A signal in short stretches: what each says, and what they come to together with an interval."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

Array = NDArray[np.float64]

#: Length of a stretch: that of the baseline in which every trial's background is measured (``measuring/background.py``).
STRETCH_MS = 95.0
LEVEL = 0.95


def stretch_rms(trace_uv: ArrayLike, rate_hz: float, stretch_ms: float = STRETCH_MS) -> Array:
    """Return the RMS about the mean of each stretch of ``trace_uv``, shape (n_stretches,), in its unit.

    Stretches follow each other without overlap; one with a sample that is not finite is left out.
    """
    return np.asarray(_cut(trace_uv, rate_hz, stretch_ms).std(axis=1))


def stretch_medians(trace_uv: ArrayLike, rate_hz: float, stretch_ms: float = STRETCH_MS) -> Array:
    """Return the median of each stretch, shape (n_stretches,); one with a sample that is not finite is left out."""
    return np.asarray(np.median(_cut(trace_uv, rate_hz, stretch_ms), axis=1))


def _cut(trace_uv: ArrayLike, rate_hz: float, stretch_ms: float) -> Array:
    """Return whole stretches as rows."""
    trace = np.asarray(trace_uv, dtype=np.float64)
    length = max(round(stretch_ms * rate_hz / 1e3), 2)
    count = trace.size // length
    cut = trace[: count * length].reshape(count, length)
    return cut[np.isfinite(cut).all(axis=1)]


def median_with_interval(values: Array) -> tuple[float, float, float]:
    """Return the median and its 95 % interval between two order statistics, which assumes no shape of the distribution.

    Fewer than 6 values have no such interval: its ends are infinite.
    """
    if values.size == 0:
        return math.nan, math.nan, math.nan
    ordered = np.sort(values)
    n = values.size
    # The greatest rank k with P(fewer than k values below the median) under 2.5 %; that count is binomial (n, 1/2).
    rank = int(stats.binom.ppf((1 - LEVEL) / 2, n, 0.5))
    if rank < 1:
        return float(np.median(ordered)), -math.inf, math.inf
    return float(np.median(ordered)), float(ordered[rank - 1]), float(ordered[n - rank])


def rise_with_interval(rest: Array, after: Array) -> tuple[float, float, float]:
    """Return by which factor stretches became larger, with its 95 % interval (Welch, of logarithms).

    NaN where either has fewer than 2 stretches that are not flat.
    """
    rest, after = rest[rest > 0], after[after > 0]
    if rest.size < 2 or after.size < 2:
        return math.nan, math.nan, math.nan
    first, second = np.log(rest), np.log(after)
    rise = float(second.mean() - first.mean())
    if first.std() == 0 and second.std() == 0:
        return math.exp(rise), math.exp(rise), math.exp(rise)
    span = stats.ttest_ind(second, first, equal_var=False).confidence_interval(LEVEL)
    return math.exp(rise), math.exp(float(span.low)), math.exp(float(span.high))
