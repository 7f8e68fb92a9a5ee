"""The loops of the hotspot's posterior: learning one response, and what the models that are left expect at each site.

A model is a best point, the inverse covariance (``a``, ``b``, ``c`` in a dx^2 + 2 b dx dy + c dy^2) of an elliptical fall-off,
the log of the peak, and the scatter of single sizes:

    ln size = ln(floor + exp(ln peak + u - (a dx^2 + 2 b dx dy + c dy^2) / 2)) + scatter e,    e ~ Student t, 4 df

``u`` is the drift of excitability, a first-order autoregression followed for every model by its mean.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.estimate.compiled import compiled

Floats = NDArray[np.float64]

#: Degrees of freedom of the scatter: log sizes have heavy tails.
TAIL = 4.0


@compiled
def _expected(x: float, y: float, models: Floats, m: int, drift: float, ln_floor: float) -> tuple[float, float]:
    """Return the expected ln size of model ``m`` at a site, and how much of it is response (0 to 1)."""
    dx, dy = x - models[0, m], y - models[1, m]
    form = models[2, m] * dx * dx + 2.0 * models[3, m] * dx * dy + models[4, m] * dy * dy
    ln_size = models[5, m] + drift - 0.5 * form
    gap = ln_size - ln_floor
    if gap > 30.0:
        return ln_size, 1.0
    if gap < -30.0:
        return ln_floor, 0.0
    e = math.exp(gap)
    return ln_floor + math.log1p(e), e / (1.0 + e)


@compiled
def absorb(
    log_weight: Floats, drift: Floats, drift_variance: float, models: Floats, x: float, y: float,
    ln_seen: float, ln_floor: float, kept: float,
) -> None:  # fmt: skip
    """Learn one response, in place.

    Parameters
    ----------
    log_weight, drift : ndarray, shape (n_models,)
        Log posterior weight, and mean of the drift before this pulse; ``drift_variance`` is its variance.
    models : ndarray, shape (7, n_models)
        x, y in cm; a, b, c in 1/cm^2; ln peak, peak in uV; scatter.
    x, y : float, cm
    ln_seen, ln_floor : float
        Log of the size, and of the size that noise alone gives, uV.
    kept : float
        Correlation of the drift from one pulse to the next.
    """
    for m in range(log_weight.size):
        expected, share = _expected(x, y, models, m, drift[m], ln_floor)
        # noise varies far less than responses do: the scatter shrinks as the response drowns
        own = share * models[6, m]
        scatter2 = own * own + 0.04 * (1.0 - share) ** 2
        variance = scatter2 + share * share * drift_variance
        off = ln_seen - expected
        square = off * off / variance
        log_weight[m] -= 0.5 * (TAIL + 1.0) * math.log1p(square / TAIL) + 0.5 * math.log(variance)
        weight = (TAIL + 1.0) / (TAIL + square)
        gain = share * drift_variance / (variance + (1.0 / weight - 1.0) * scatter2)
        drift[m] = kept * (drift[m] + max(-1.0, min(1.0, gain * off)))


@compiled
def moments(
    log_weight: Floats, drift: Floats, models: Floats, sites: Floats, ln_floor: float, most: int
) -> tuple[Floats, Floats]:
    """Return mean and variance of the expected ln size at every site, each of shape (n_sites,).

    Models of less than e^-9 of the greatest weight are left out; of more than ``most``, every so-manieth is taken.
    """
    top = log_weight.max()
    alive = 0
    for m in range(log_weight.size):
        alive += log_weight[m] - top > -9.0
    stride = max(1, (alive + most - 1) // most)
    # a stride without common factor with the lengths of the axes samples all of them
    while stride > 1 and (stride % 2 == 0 or stride % 5 == 0 or stride % 13 == 0):
        stride += 1
    mean, square = np.zeros(sites.shape[0]), np.zeros(sites.shape[0])
    total = 0.0
    seen = 0
    for m in range(log_weight.size):
        if log_weight[m] - top <= -9.0:
            continue
        seen += 1
        if seen % stride:
            continue
        w = math.exp(log_weight[m] - top)
        total += w
        for k in range(sites.shape[0]):
            expected, _ = _expected(sites[k, 0], sites[k, 1], models, m, drift[m], ln_floor)
            mean[k] += w * expected
            square[k] += w * expected * expected
    for k in range(sites.shape[0]):
        mean[k] /= total
        square[k] = max(square[k] / total - mean[k] * mean[k], 0.0)
    return mean, square
