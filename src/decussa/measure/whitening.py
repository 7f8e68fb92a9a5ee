"""What the noise of a sweep looks like, learnt from its baseline: a causal filter that makes it white, and its tails.

Autoregressive coefficients by Burg's recursion (Burg 1967; see Kay, Modern Spectral Estimation, 1988, section 7.7). The
filter only looks back, so nothing of a response is seen before its onset.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measure.compiled import compiled

Array = NDArray[np.float64]

#: Slow drifts (electrodes, tails of artifacts, heart) leave through this causal high-pass before the noise is modelled.
DRIFT_HZ = 15.0
#: Spread of rare large samples in units of the noise, and the least share of them that is reckoned with.
OUTLIER_SPREAD = 4.0
LEAST_OUTLIERS = 0.003


@compiled
def take_drift_away(samples: Array, rate_hz: float, out: Array) -> None:
    """Forward one-pole high-pass of ``DRIFT_HZ``, started on the mean of the first 20 ms."""
    decay = math.exp(-2 * math.pi * DRIFT_HZ / rate_hz)
    head = max(1, min(samples.size, int(0.02 * rate_hz)))
    slow = 0.0
    for k in range(head):
        slow += samples[k] / head
    for k in range(samples.size):
        slow = decay * slow + (1 - decay) * samples[k]
        out[k] = samples[k] - slow


@compiled
def fit_noise(baseline: Array, order: int, coefficients: Array) -> float:
    """Fill ``coefficients`` (1, a1, ..., ap) by Burg's recursion; return the variance of what they cannot predict."""
    n = baseline.size
    forward = baseline.copy()
    backward = baseline.copy()
    previous = np.zeros(order + 1)
    coefficients[:] = 0.0
    coefficients[0] = 1.0
    variance = 0.0
    for k in range(n):
        variance += baseline[k] * baseline[k]
    variance /= n
    for m in range(1, order + 1):
        above = 0.0
        below = 0.0
        for k in range(m, n):
            above += forward[k] * backward[k - 1]
            below += forward[k] * forward[k] + backward[k - 1] * backward[k - 1]
        if below <= 0.0:
            break
        reflection = -2.0 * above / below
        previous[:] = coefficients
        for j in range(1, m + 1):
            coefficients[j] = previous[j] + reflection * previous[m - j]
        for k in range(n - 1, m - 1, -1):
            ahead = forward[k]
            forward[k] = ahead + reflection * backward[k - 1]
            backward[k] = backward[k - 1] + reflection * ahead
        variance *= 1.0 - reflection * reflection
    return variance


@compiled
def whiten(samples: Array, coefficients: Array, sd: float, out: Array) -> None:
    """Apply the causal filter and scale to unit variance; the first samples use what there is."""
    for k in range(samples.size):
        total = 0.0
        for j in range(min(coefficients.size, k + 1)):
            total += coefficients[j] * samples[k - j]
        out[k] = total / sd


@compiled
def outlier_share(white: Array) -> float:
    """Share of wide samples in a mixture of a unit and a wide normal, by 8 steps of expectation-maximisation."""
    share = 0.02
    for _ in range(8):
        total = 0.0
        for k in range(white.size):
            square = white[k] * white[k]
            wide = share / OUTLIER_SPREAD * math.exp(-0.5 * square / OUTLIER_SPREAD**2)
            total += wide / (wide + (1 - share) * math.exp(-0.5 * square) + 1e-300)
        share = total / white.size
    return max(share, LEAST_OUTLIERS)


@compiled
def log_density(white: float, share: float) -> float:
    """Log density of one whitened noise sample, less that of a standard normal at 0."""
    square = white * white
    return math.log(
        (1 - share) * math.exp(-0.5 * square)
        + share / OUTLIER_SPREAD * math.exp(-0.5 * square / OUTLIER_SPREAD**2)
        + 1e-300
    )
