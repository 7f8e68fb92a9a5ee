"""The joint posterior over threshold, spread, variability and drift, one pulse at a time.

Around the threshold ``t`` the log size of a response rises in a straight line, and varies from pulse to pulse:

    ln(size / criterion) = sigma * (z + u + e),    z = (s - t) / (r t)

with ``s`` the intensity, ``r`` the relative spread, ``sigma`` the SD of the log size, ``e`` the variability of the
single pulse (SD 1, with a wider component for heavy tails) and ``u`` a slow drift of excitability, a first-order
autoregression over pulses with SD ``delta``. Whether a response is seen at all is then P(size >= criterion) =
Phi((s - t) / (r t)): the same threshold, whether sizes are told or only yes and no.

``t`` lies on a grid that is even in ln t; ``r``, ``sigma`` and ``delta`` on one flattened grid of combinations.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.estimate.compiled import compiled

Floats = NDArray[np.float64]

#: What a pulse taught: a size, that the size lies below a bound, or above it.
SIZE, BELOW, ABOVE = 0, 1, 2

#: Share of pulses whose outcome says nothing (coil slipped, movement, trigger lost). Common practice, no source.
LAPSE = 0.02
#: A lapse's log size is anywhere between 5 uV and 10 mV.
LAPSE_SPAN = math.log(10_000 / 5)
#: Pulse-to-pulse variability: mostly a unit Gaussian, now and then a wider one, because log sizes have heavy tails.
WIDE_SHARE = 0.1
WIDE_SD = 2.5
#: Correlation of the drift from one pulse to the next: it fades by 1/e in 20 pulses, about two minutes at 6 s each.
DRIFT_KEPT = math.exp(-1 / 20)

_SQRT_HALF = math.sqrt(0.5)
_INV_SQRT_2PI = 1 / math.sqrt(2 * math.pi)


@compiled
def _below(gap: float, variance: float) -> tuple[float, float, float]:
    """Return Phi(gap / sd) with its first and second derivative with respect to gap."""
    inv = 1.0 / math.sqrt(variance)
    x = gap * inv
    density = _INV_SQRT_2PI * math.exp(-0.5 * x * x) * inv
    return 0.5 * math.erfc(-x * _SQRT_HALF), density, -x * inv * density


@compiled
def _at(gap: float, variance: float) -> tuple[float, float, float]:
    """Return the Gaussian density at gap with its first and second derivative with respect to gap."""
    inv = 1.0 / variance
    density = _INV_SQRT_2PI * math.exp(-0.5 * gap * gap * inv) * math.sqrt(inv)
    return density, -gap * inv * density, (gap * gap * inv - 1.0) * inv * density


@compiled
def absorb(
    log_weight: Floats,
    drift_mean: Floats,
    drift_variance: Floats,
    t_mso: Floats,
    spread: Floats,
    sigma: Floats,
    delta: Floats,
    s_mso: float,
    kind: int,
    log_ratio: float,
) -> None:
    """Learn one pulse, in place.

    The drift is followed at every grid point by its mean and variance; each pulse updates them by the first two
    derivatives of the log predictive probability, which is exact moment matching for a Gaussian state (Masreliez 1975,
    IEEE Trans Automat Contr 20:107; from memory).

    Parameters
    ----------
    log_weight, drift_mean, drift_variance : ndarray, shape (n_t, n_other)
        Log posterior weight, and mean and variance of the drift before this pulse, in units of sigma.
    t_mso : ndarray, shape (n_t,), % MSO
    spread, sigma, delta : ndarray, shape (n_other,)
    s_mso : float, % MSO
        Intensity given.
    kind, log_ratio : int, float
        ``SIZE``, ``BELOW`` or ``ABOVE``, and ln(size / criterion) or ln(bound / criterion).
    """
    for i in range(t_mso.size):
        for j in range(spread.size):
            z = (s_mso - t_mso[i]) / (spread[j] * t_mso[i])
            mean, variance = drift_mean[i, j], drift_variance[i, j]
            gap = log_ratio / sigma[j] - z - mean
            wide = WIDE_SD * WIDE_SD + variance
            if kind == SIZE:
                a0, a1, a2 = _at(gap, 1.0 + variance)
                b0, b1, b2 = _at(gap, wide)
                scale = (1.0 - LAPSE) / sigma[j]
                floor = LAPSE / LAPSE_SPAN
            else:
                a0, a1, a2 = _below(gap, 1.0 + variance)
                b0, b1, b2 = _below(gap, wide)
                scale = 1.0 - LAPSE
                floor = 0.5 * LAPSE
            if kind == ABOVE:
                a0, a1, a2, b0, b1, b2 = 1.0 - a0, -a1, -a2, 1.0 - b0, -b1, -b2
            p = scale * ((1.0 - WIDE_SHARE) * a0 + WIDE_SHARE * b0) + floor
            log_weight[i, j] += math.log(p)
            if delta[j] > 0.0:
                # gap falls as the drift rises: the first derivative changes sign, the second does not
                score = -scale * ((1.0 - WIDE_SHARE) * a1 + WIDE_SHARE * b1) / p
                curve = scale * ((1.0 - WIDE_SHARE) * a2 + WIDE_SHARE * b2) / p - score * score
                mean += variance * score
                variance += variance * variance * curve
                drift_mean[i, j] = DRIFT_KEPT * mean
                drift_variance[i, j] = (
                    DRIFT_KEPT * DRIFT_KEPT * variance + (1.0 - DRIFT_KEPT * DRIFT_KEPT) * delta[j] * delta[j]
                )


@compiled
def absorb_all(
    log_weight: Floats,
    drift_mean: Floats,
    drift_variance: Floats,
    t_mso: Floats,
    spread: Floats,
    sigma: Floats,
    delta: Floats,
    s_mso: Floats,
    kind: NDArray[np.int64],
    log_ratio: Floats,
) -> None:
    """Learn many pulses in their order, in place; arguments as for ``absorb``, with one entry per pulse."""
    for n in range(s_mso.size):
        absorb(log_weight, drift_mean, drift_variance, t_mso, spread, sigma, delta, s_mso[n], kind[n], log_ratio[n])


@compiled
def _entropy(p: float) -> float:
    return -p * math.log(p) if p > 1e-300 else 0.0


@compiled
def expected_information(
    candidates_mso: Floats,
    edges: Floats,
    weight: Floats,
    drift_mean: Floats,
    drift_variance: Floats,
    t_mso: Floats,
    spread: Floats,
    sigma: Floats,
) -> Floats:
    """Return what a pulse at each candidate is expected to tell about the threshold, in nats.

    The outcome is taken as falling between ``edges``, ascending values of ln(size / criterion); only what it says about
    ``t`` counts, not what it says about spread, variability or drift (Lindley 1956, Ann Math Stat 27:986).

    Parameters
    ----------
    candidates_mso : ndarray, shape (n_candidates,), % MSO
    edges : ndarray, shape (n_edges,)
    weight : ndarray, shape (n_t, n_other)
        Posterior weights; their sum is 1.
    drift_mean, drift_variance, t_mso, spread, sigma
        As for ``absorb``.
    """
    information = np.empty(candidates_mso.size)
    n_bins = edges.size + 1
    for c in range(candidates_mso.size):
        overall = np.zeros(n_bins)
        within = 0.0
        for i in range(t_mso.size):
            here = np.zeros(n_bins)
            mass = 0.0
            for j in range(spread.size):
                w = weight[i, j]
                if w < 1e-8:
                    continue
                mass += w
                centre = (candidates_mso[c] - t_mso[i]) / (spread[j] * t_mso[i]) + drift_mean[i, j]
                inv = 1.0 / math.sqrt(1.0 + drift_variance[i, j])
                lower = 0.0
                for k in range(n_bins):
                    upper = 1.0
                    if k < edges.size:
                        upper = 0.5 * math.erfc(-(edges[k] / sigma[j] - centre) * inv * _SQRT_HALF)
                    here[k] += w * ((1.0 - LAPSE) * (upper - lower) + LAPSE / n_bins)
                    lower = upper
            if mass > 0.0:
                for k in range(n_bins):
                    overall[k] += here[k]
                    within += mass * _entropy(here[k] / mass)
        information[c] = -within
        for k in range(n_bins):
            information[c] += _entropy(overall[k])
    return information
