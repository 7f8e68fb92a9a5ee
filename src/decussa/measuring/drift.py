"""What lies under the noise of a sweep: the tail of the artifact, and a slow wander such as a heart beat.

A tail is a sum of two decaying exponentials of unknown size; the wander is a level whose slope changes at random. A Kalman filter
(Kalman 1960, doi 10.1115/1.3662552) that only looks back predicts both from sample to sample; what it cannot predict is noise, or
a response. Started anew where the artifact ends.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import fused
from decussa.measuring.exponential import logarithms

Array = NDArray[np.float64]

#: Decay of the two tails, and their size beforehand (SD, in units of the noise).
TAILS_MS = (2.0, 8.0)
TAIL_SIZES = (50.0, 20.0)
#: Level and slope (per ms) of the wander beforehand, in units of the noise.
LEVEL_SIZE = 5.0
SLOPE_SIZE = 0.5
#: How fast the slope may change: variance per ms, in units of the noise. A calm sweep, and one with a heart beat.
CALM = 1e-6
BEATING = 3e-3


class Drift(NamedTuple):
    """What is known of the drift before a sample: two tails, level and slope, and one half of their covariance."""

    tail: float
    tail_2: float
    level: float
    slope: float
    p00: float
    p01: float
    p02: float
    p03: float
    p11: float
    p12: float
    p13: float
    p22: float
    p23: float
    p33: float


@fused
def follow_drift(
    white: Array, start: int, step_ms: float, gain: float, calm: Array, beating: Array
) -> tuple[float, float]:
    """Fill ``calm`` and ``beating`` with what the drift of either kind does not explain, in units of its SD.

    Parameters
    ----------
    white : ndarray, shape (n,)
        Whitened samples: unit noise.
    start : int
        First sample free of artifact.
    step_ms : float
        Time between samples.
    gain : float
        By how much the whitening enlarges slow signals relative to the noise.
    calm, beating : ndarray, shape (n,)
        Filled from ``start`` on.

    Returns
    -------
    (float, float)
        Sum of ln SD of either.
    """
    fast, slow = math.exp(-step_ms / TAILS_MS[0]), math.exp(-step_ms / TAILS_MS[1])
    p00, p11 = (gain * TAIL_SIZES[0]) ** 2, (gain * TAIL_SIZES[1]) ** 2
    p22, p33 = (gain * LEVEL_SIZE) ** 2, (gain * SLOPE_SIZE) ** 2
    one = Drift(0.0, 0.0, 0.0, 0.0, p00, 0.0, 0.0, 0.0, p11, 0.0, 0.0, p22, 0.0, p33)
    other = one
    change, other_change = gain * gain * CALM * step_ms, gain * gain * BEATING * step_ms
    variances, other_variances = np.ones(white.size - start), np.ones(white.size - start)
    for k in range(start, white.size):  # side by side: each step waits for its own last one alone
        one, calm[k], variances[k - start] = after_sample(one, white[k], fast, slow, step_ms, change)
        other, beating[k], other_variances[k - start] = after_sample(other, white[k], fast, slow, step_ms, other_change)
    return scale_by_sd(calm[start:], variances), scale_by_sd(beating[start:], other_variances)


@fused
def after_sample(
    drift: Drift, sample: float, fast: float, slow: float, step_ms: float, change: float
) -> tuple[Drift, float, float]:
    """What is known of the drift before the next sample, what it does not explain of this one, and the variance of that."""
    tail, tail_2, level, slope, p00, p01, p02, p03, p11, p12, p13, p22, p23, p33 = drift
    t0, t1, t2, t3 = p00 + p01 + p02, p01 + p11 + p12, p02 + p12 + p22, p03 + p13 + p23
    variance = 1.0 + t0 + t1 + t2
    left = sample - tail - tail_2 - level
    g0, g1, g2, g3 = t0 / variance, t1 / variance, t2 / variance, t3 / variance
    tail, tail_2, level, slope = tail + g0 * left, tail_2 + g1 * left, level + g2 * left, slope + g3 * left
    p00, p01, p02, p03 = p00 - g0 * t0, p01 - g0 * t1, p02 - g0 * t2, p03 - g0 * t3
    p11, p12, p13 = p11 - g1 * t1, p12 - g1 * t2, p13 - g1 * t3
    p22, p23, p33 = p22 - g2 * t2, p23 - g2 * t3, p33 - g3 * t3
    # to the next sample: the tails decay, the level moves by its slope
    after = Drift(
        fast * tail, slow * tail_2, level + step_ms * slope, slope,
        fast * fast * p00, fast * slow * p01, fast * (p02 + step_ms * p03), fast * p03,
        slow * slow * p11, slow * (p12 + step_ms * p13), slow * p13,
        p22 + (step_ms * (2.0 * p23 + step_ms * p33) + change * step_ms * step_ms / 3.0),
        p23 + (step_ms * p33 + 0.5 * change * step_ms), p33 + change,
    )  # fmt: skip
    return after, left, variance


@fused
def scale_by_sd(left: Array, variances: Array) -> float:
    """Bring ``left`` to units of its SD; return the sum of ln SD."""
    logs = np.empty(variances.size)
    logarithms(variances, logs)
    total = 0.0
    for k in range(variances.size):
        left[k] /= math.sqrt(variances[k])
        total += logs[k]
    return 0.5 * total
