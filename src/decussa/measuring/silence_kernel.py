"""Posterior of the return of activity in one sweep, compiled: response, silence, gradual or sudden return.

Activity is a Gaussian process with the spectrum of the baseline at a level that may fluctuate, on top of a noise floor with a
spectrum of its own. For every level a whitening filter turns samples into log likelihoods; a chain of three regimes (response,
silence with rare short breaks, activity) is summed over all its paths, forwards up to the return and backwards from the end.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled
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
#: Levels last so long before they change, silent ones so long; breaks are so long and come so often; responses last so long.
STAY_MS = 6.0
GAP_MS = 2.0
BREAK_MS = 8.0
BETWEEN_BREAKS_MS = 100.0
RESPONSE_MS = 15.0
#: A return takes one of these times, each equally likely.
RAMPS_MS = (0.0, 2.0, 4.0, 7.0, 11.0, 16.0, 22.0, 30.0, 40.0, 55.0)
ORDER = 6


@compiled
def activity_levels(loud: Array, quiet: Array) -> Array:
    """Levels tried for these autocovariances of baseline and floor; the lowest above silence equals 0.7 of the floor."""
    lowest = min(max(0.7 * math.sqrt(quiet[0] / loud[0]), 0.02), 0.4)
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
def log_likelihoods(samples: Array, levels: Array, loud: Array, quiet: Array, forward: Array, backward: Array) -> None:
    """Fill log likelihoods of every sample at every level, predicted from the past and from the future.

    ``loud`` and ``quiet`` are the autocovariances of baseline and floor; ``forward`` and ``backward`` have shape (levels, n).
    """
    n = samples.size
    order = loud.size - 1
    for level in range(forward.shape[0]):
        gain = levels[level] * levels[level]
        mixed = gain * loud + max(0.0, 1.0 - gain) * quiet
        filter_ = predictor(mixed)
        variance = filter_[order + 1]
        constant = -0.5 * math.log(variance)
        for k in range(n):
            total = 0.0
            for j in range(min(order, k) + 1):
                total += filter_[j] * samples[k - j]
            forward[level, k] = constant - 0.5 * total * total / variance
        if level < ACTIVE:
            for k in range(n):
                total = 0.0
                for j in range(min(order, n - 1 - k) + 1):
                    total += filter_[j] * samples[k + j]
                backward[level, k] = constant - 0.5 * total * total / variance


@compiled
def level_shares(baseline: Array, prior: Array, step_ms: float) -> Array:
    """How often each active level occurs in the baseline, of shape (levels, n): expectation-maximisation from the prior."""
    shares = prior.copy()
    n = baseline.shape[1]
    weight = PRIOR_MS / step_ms
    for _ in range(4):
        counts = weight * prior
        for k in range(n):
            top = baseline[:ACTIVE, k].max()
            part = shares * np.exp(baseline[:ACTIVE, k] - top)
            counts += part / part.sum()
        shares = counts / counts.sum()
    return shares


@compiled
def activity_ahead(backward: Array, shares: Array, step_ms: float) -> Array:
    """Log likelihood of all samples from k on, given steady activity from k on; shape (n + 1,)."""
    n = backward.shape[1]
    stay = np.full(ACTIVE, math.exp(-step_ms / STAY_MS))
    stay[0] = math.exp(-step_ms / GAP_MS)
    out = np.zeros(n + 1)
    ahead = np.ones(ACTIVE)
    scale = 0.0
    for k in range(n - 1, -1, -1):
        top = backward[:ACTIVE, k].max()
        mean = 0.0
        for level in range(ACTIVE):
            mean += shares[level] * ahead[level]
        total = 0.0
        for level in range(ACTIVE):
            ahead[level] = (stay[level] * ahead[level] + (1 - stay[level]) * mean) * math.exp(backward[level, k] - top)
            total += shares[level] * ahead[level]
        scale += top + math.log(total)
        for level in range(ACTIVE):
            ahead[level] /= total
        out[k] = scale
    return out


@compiled
def silence_behind(forward: Array, step_ms: float, silent: Array, busy: Array) -> None:
    """Log likelihood of the first k samples with the silence going on at k, or the response going on at k; shapes (n + 1,)."""
    levels, n = forward.shape
    stay = math.exp(-step_ms / STAY_MS)
    over = 1 - math.exp(-step_ms / RESPONSE_MS)
    break_ends = 1 - math.exp(-step_ms / BREAK_MS)
    break_comes = 1 - math.exp(-step_ms / BETWEEN_BREAKS_MS)
    response = np.full(levels - 1, 1.0 / (levels - 1))
    breaks = np.zeros(STEPS)
    quiet = 0.0
    scale = 0.0
    silent[0] = -1e300
    busy[0] = 0.0
    for k in range(n):
        top = forward[:, k].max()
        mean = response.mean()
        mean_break = breaks.mean()
        for level in range(levels - 1):
            seen = math.exp(forward[1 + level, k] - top)
            response[level] = (stay * response[level] + (1 - stay) * mean) * seen
            if level < STEPS:
                breaks[level] = (stay * breaks[level] + (1 - stay) * mean_break) * seen
        quiet *= math.exp(forward[0, k] - top)
        # the sample is seen; now the regime may change
        comes = break_comes * quiet / STEPS
        quiet = (1 - break_comes) * quiet + break_ends * breaks.sum() + over * response.sum()
        breaks = (1 - break_ends) * breaks + comes
        response *= 1 - over
        total = quiet + breaks.sum() + response.sum()
        quiet /= total
        breaks /= total
        response /= total
        scale += top + math.log(total)
        silent[k + 1] = scale + math.log(quiet + 1e-300)
        busy[k + 1] = scale + math.log(response.sum() + 1e-300)


@compiled
def ramp_scores(backward: Array, levels: Array, ahead: Array, step_ms: float, scores: Array) -> None:
    """Log likelihood of all samples from k on for a return that begins at k and takes each of the ramps; shape (ramps, n)."""
    n = backward.shape[1]
    upto = np.zeros((1 + STEPS, n + 1))
    for level in range(1 + STEPS):
        for k in range(n):
            upto[level, k + 1] = upto[level, k] + backward[level, k]
    edges = np.zeros(2 + STEPS, dtype=np.int64)
    for r in range(len(RAMPS_MS)):
        for level in range(STEPS):
            meet = 0.5 * levels[1] if level == 0 else math.sqrt(levels[level] * levels[level + 1])
            edges[level + 1] = round(RAMPS_MS[r] * meet / step_ms)
        edges[1 + STEPS] = round(RAMPS_MS[r] / step_ms)
        for k in range(n):
            total = 0.0
            for level in range(1 + STEPS):
                total += upto[level, min(n, k + edges[level + 1])] - upto[level, min(n, k + edges[level])]
            scores[r, k] = total + ahead[min(n, k + edges[1 + STEPS])]
