"""Posterior of the return of activity in one sweep, compiled: response, silence, gradual or sudden return.

Activity is a Gaussian process with the spectrum of the baseline at a level that may fluctuate, on top of a noise floor with a
spectrum of its own. For every level a whitening filter turns samples into log likelihoods; a chain of three regimes (response,
silence with rare short breaks, activity) is summed over all its paths, forwards up to the return and backwards from the end.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled, regrouped
from decussa.measuring.exponential import exponentials
from decussa.measuring.whitening import predictor

Array = NDArray[np.float64]

#: Levels of activity relative to the baseline: silence, STEPS from the floor to the baseline, and above; the first ACTIVE of
#: them occur in steady activity, all but silence in responses.
STEPS = 5
ABOVE = (1.7, 3.0, 9.0, 30.0)
ACTIVE = STEPS + 3
#: How far the level of steady activity strays (SD of its logarithm), how often it is silent, and the weight of that in ms.
STRAY = 0.5
SILENT_SHARE = 0.003
PRIOR_MS = 20.0
#: Activity after a silence need not be spread over its levels like that before it: this share of it is spread evenly.
LEVELLING = 0.3
#: How far below the best level of a sample any other is taken to lie at most.
LEAST_LIKELY = -79.0
ORDER = 6


@compiled
def activity_levels(loud: Array, quiet: Array) -> Array:
    """Levels tried for these autocovariances of baseline and floor; the lowest above silence equals the floor."""
    lowest = min(max(math.sqrt(quiet[0] / loud[0]), 0.02), 0.4)
    out = np.zeros(1 + STEPS + len(ABOVE))
    for step in range(STEPS):
        out[1 + step] = lowest ** (1.0 - step / (STEPS - 1))
    for step in range(len(ABOVE)):
        out[1 + STEPS + step] = ABOVE[step]
    return out


@compiled
def expected_shares(levels: Array) -> Array:
    """How often each active level is expected before the baseline is seen: log-normal around 1, seldom silent."""
    out = np.empty(ACTIVE)
    for level in range(1, ACTIVE):
        below = levels[level - 1] if level > 1 else levels[1] ** 2 / levels[2]
        width = 0.5 * math.log(levels[level + 1] / below)
        out[level] = width * math.exp(-0.5 * (math.log(levels[level]) / STRAY) ** 2) + 1e-4
    out[0] = 0.0
    out *= (1.0 - SILENT_SHARE) / out.sum()
    out[0] = SILENT_SHARE
    return out


@compiled
def log_likelihoods(samples: Array, levels: Array, loud: Array, quiet: Array, reverse: bool, logs: Array) -> None:
    """Fill ``logs``, shape (levels, n): log likelihoods of every sample at every level, predicted from the past or the future.

    ``loud`` and ``quiet`` are the autocovariances of baseline and floor.
    """
    for level in range(1 + STEPS):
        gain = levels[level] * levels[level]
        filter_ = predictor(gain * loud + max(0.0, 1.0 - gain) * quiet)
        variance = filter_[ORDER + 1]
        judge_prediction(samples, filter_, 0.5 / variance, -0.5 * math.log(variance), reverse, logs[level])
    # above the baseline nothing but the variance differs
    base, steady = -0.5 * math.log(variance), logs[STEPS]
    for level in range(1 + STEPS, logs.shape[0]):
        share = 1.0 / (levels[level] * levels[level])
        constant = base - math.log(levels[level]) - share * base
        row = logs[level]
        for k in range(samples.size):
            row[k] = constant + share * steady[k]
    # the first or last samples lack what they would be predicted from: they count for no level
    lacking = logs[:, samples.size - ORDER :] if reverse else logs[:, :ORDER]
    lacking[:] = 0.0


@regrouped
def judge_prediction(
    samples: Array, filter_: Array, factor: float, constant: float, reverse: bool, logs: Array
) -> None:
    """Fill ``logs`` with ``constant`` less ``factor`` times the square of what a prediction of six samples leaves."""
    n = samples.size - ORDER
    w0, w1, w2, w3, w4, w5, w6 = filter_[0], filter_[1], filter_[2], filter_[3], filter_[4], filter_[5], filter_[6]
    if not reverse:
        w0, w1, w2, w4, w5, w6 = w6, w5, w4, w2, w1, w0
    x0, x1, x2, x3 = samples[:n], samples[1:], samples[2:], samples[3:]
    x4, x5, x6 = samples[4:], samples[5:], samples[6:]
    out = logs[:n] if reverse else logs[ORDER:]
    for k in range(n):
        left = w0 * x0[k] + w1 * x1[k] + w2 * x2[k] + w3 * x3[k] + w4 * x4[k] + w5 * x5[k] + w6 * x6[k]
        out[k] = constant - factor * left * left


@compiled
def likelihoods(logs: Array, tops: Array) -> None:
    """Put likelihoods in the place of ``logs``, in units of the largest of each sample, whose logarithms go into ``tops``."""
    levels, n = logs.shape
    tops[:] = logs[0]
    for level in range(1, levels):
        row = logs[level]
        for k in range(n):
            tops[k] = max(tops[k], row[k])
    left = np.empty(n)
    for level in range(levels):
        row = logs[level]
        for k in range(n):
            left[k] = max(row[k] - tops[k], LEAST_LIKELY)
        exponentials(left, row)


@regrouped
def level_shares(seen: Array, prior: Array, step_ms: float) -> Array:
    """How often each active level occurs in the baseline, from likelihoods of shape (levels, n): expectation-maximisation."""
    shares = prior.copy()
    counts = np.empty(ACTIVE)
    parts = np.empty(seen.shape[1])
    weight = PRIOR_MS / step_ms
    for _ in range(4):
        parts[:] = 0.0
        for level in range(ACTIVE):
            row, share = seen[level], shares[level]
            for k in range(parts.size):
                parts[k] += share * row[k]
        for k in range(parts.size):
            parts[k] = 1.0 / parts[k]
        for level in range(ACTIVE):
            row, total = seen[level], 0.0
            for k in range(parts.size):
                total += row[k] * parts[k]
            counts[level] = weight * prior[level] + shares[level] * total
        shares[:] = counts / counts.sum()
    # activity after a silence need not be spread like that before it
    shares[2:] = (1.0 - LEVELLING) * shares[2:] + LEVELLING * shares[2:].sum() / (ACTIVE - 2)
    return shares
