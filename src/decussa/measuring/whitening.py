"""What the noise of a sweep looks like, learnt from its baseline: a causal filter that makes it white, and its tails.

Autoregressive coefficients by Levinson's recursion on the autocovariance (Levinson 1946, doi 10.1002/sapm1946251261, from
memory). The filter only looks back, so nothing of a response is seen before its onset.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled, fused, regrouped
from decussa.measuring.exponential import exponential, logarithms

Array = NDArray[np.float64]

#: Slow drifts (electrodes, tails of artifacts, heart) leave through this causal high-pass before the noise is modelled.
DRIFT_HZ = 15.0
#: Share of the noise power that is taken to be white whatever the baseline shows.
UNSEEN = 0.05
#: Spread of rare large samples in units of the noise, and the least share of them that is reckoned with.
OUTLIER_SPREAD = 4.0
LEAST_OUTLIERS = 0.003
LEAST_LOG_DENSITY = math.log(1e-300)
_NOTHING, _CERTAIN = np.float32(0.0), np.float32(1.0)


@fused
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


@regrouped
def autocovariance(samples: Array, lags: int) -> Array:
    """Biased autocovariance at lags 0 to ``lags``; no mean is taken off."""
    out = np.zeros(lags + 1)
    for lag in range(lags + 1):
        ahead, total = samples[lag:], 0.0
        for k in range(ahead.size):
            total += ahead[k] * samples[k]
        out[lag] = total / samples.size
    return out


@compiled
def predictor(covariance: Array) -> Array:
    """Levinson's recursion: coefficients (1, a1, ..., ap) and, last, the variance they leave; 0 for a constant signal."""
    order = covariance.size - 1
    out = np.zeros(order + 2)
    previous = np.zeros(order + 2)
    out[0] = 1.0
    variance = covariance[0] * (1 + 1e-6)
    if not variance > 0.0:
        return out
    for m in range(1, order + 1):
        total = covariance[m]
        for j in range(1, m):
            total += out[j] * covariance[m - j]
        reflection = -total / variance
        for j in range(m):
            previous[j] = out[j]
        previous[m] = 0.0
        for j in range(1, m + 1):
            out[j] = previous[j] + reflection * previous[m - j]
        variance *= 1 - reflection * reflection
    out[order + 1] = variance
    return out


@regrouped
def take_level_away(samples: Array, base: int) -> bool:
    """Take the mean of the first ``base`` samples away from all; return whether all are finite."""
    level = total = 0.0
    for k in range(base):
        level += samples[k]
    level /= base
    for k in range(samples.size):
        samples[k] -= level
        total += 0.0 * samples[k]  # NaN for what is not finite
    return total == 0.0


@compiled
def fit_noise(baseline: Array, order: int, coefficients: Array) -> float:
    """Fill ``coefficients`` (1, a1, ..., ap) of the noise; return the variance of what they cannot predict.

    A share ``UNSEEN`` of the power is taken to be white: what little is seen of a band in a short baseline is not trusted.
    """
    covariance = autocovariance(baseline, order)
    covariance[0] *= 1.0 + UNSEEN
    fitted = predictor(covariance)
    for j in range(order + 1):
        coefficients[j] = fitted[j]
    return float(fitted[order + 1])


@regrouped
def whiten(samples: Array, coefficients: Array, out: Array) -> None:
    """Apply the causal filter; the first samples use what there is."""
    order = coefficients.size - 1
    for k in range(min(order, samples.size)):
        total = 0.0
        for j in range(k + 1):
            total += coefficients[j] * samples[k - j]
        out[k] = total
    later = out[order:]
    for k in range(later.size):
        later[k] = coefficients[0] * samples[order + k]
    for j in range(1, order + 1):
        earlier = samples[order - j :]
        for k in range(later.size):
            later[k] += coefficients[j] * earlier[k]


@fused
def outlier_share(white: Array) -> float:
    """Share of wide samples in a mixture of a unit and a wide normal, by 8 steps of expectation-maximisation."""
    narrow = np.empty(white.size, np.float32)  # density of the unit normal as a multiple of that of the wide one
    for k in range(white.size):
        narrow[k] = OUTLIER_SPREAD * exponential((0.5 / OUTLIER_SPREAD**2 - 0.5) * white[k] * white[k])
    share = 0.02
    for _ in range(8):
        share = mean_weight(narrow, np.float32((1.0 - share) / share))
    return max(share, LEAST_OUTLIERS)


@regrouped
def mean_weight(narrow: NDArray[np.float32], odds: np.float32) -> float:
    """Mean probability of having come from the wide of two distributions, given the odds and density of the other."""
    total = _NOTHING
    for k in range(narrow.size):
        total += _CERTAIN / (_CERTAIN + odds * narrow[k])
    return float(total) / narrow.size


@fused
def log_densities(white: Array, share: float, out: Array) -> None:
    """Fill log densities of whitened noise samples, less that of a standard normal at 0; none below ``LEAST_LOG_DENSITY``."""
    wide = 0.5 / OUTLIER_SPREAD**2
    densities = np.empty(white.size)
    for k in range(white.size):
        densities[k] = (1.0 - share) * exponential((wide - 0.5) * white[k] * white[k]) + share / OUTLIER_SPREAD
    logarithms(densities, out)
    for k in range(white.size):
        out[k] = max(out[k] - wide * white[k] * white[k], LEAST_LOG_DENSITY)
