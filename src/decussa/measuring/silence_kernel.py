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
#: Activity after a silence need not be spread over its levels like that before it: this share of it is spread evenly.
LEVELLING = 0.3
#: Levels last so long before they change, those down at the floor so long.
STAY_MS = 6.0
GAP_MS = 2.0
#: So many breaks there may be, so long and so far apart. Without a limit a chain of breaks would do for activity.
BREAKS = 2
BREAK_MS = 4.0
BETWEEN_BREAKS_MS = 100.0
#: What is left of the response lasts so long, and never longer than that.
RESPONSE_MS = 15.0
LONGEST_RESPONSE_MS = 60.0
#: Cap on how much better than every forward prediction a sample may look from behind.
MOST_SURPRISE = 30.0
#: A return takes one of these times, each equally likely.
RAMPS_MS = (0.0, 2.0, 4.0, 7.0, 11.0, 16.0, 22.0, 30.0, 40.0, 55.0)
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
        # the first and last samples lack what they would be predicted from: they count for no level
        forward[level, :order] = 0.0
        for k in range(order, n):
            total = 0.0
            for j in range(order + 1):
                total += filter_[j] * samples[k - j]
            forward[level, k] = constant - 0.5 * total * total / variance
        if level < ACTIVE:
            backward[level, n - order :] = 0.0
            for k in range(n - order):
                total = 0.0
                for j in range(order + 1):
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
    # activity after a silence need not be spread like that before it
    shares[2:] = (1.0 - LEVELLING) * shares[2:] + LEVELLING * shares[2:].sum() / (ACTIVE - 2)
    return shares


@compiled
def activity_ahead(backward: Array, shares: Array, step_ms: float) -> Array:
    """Log likelihood of all samples from k on, given steady activity from k on; shape (n + 1,)."""
    n = backward.shape[1]
    stay = np.full(ACTIVE, math.exp(-step_ms / STAY_MS))
    stay[:2] = math.exp(-step_ms / GAP_MS)
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
def silence_behind(forward: Array, backward: Array, shares: Array, step_ms: float, silent: Array, busy: Array) -> None:
    """Log likelihood of the first k samples with the silence going on at k, or the response going on at k; shapes (n + 1,).

    ``quiet[b]`` is the silence after b breaks. A break is seen from behind, as the return is, so that nothing but its length
    tells the two apart.
    """
    levels, n = forward.shape
    stay = math.exp(-step_ms / STAY_MS)
    break_ends = 1 - math.exp(-step_ms / BREAK_MS)
    break_comes = 1 - math.exp(-step_ms / BETWEEN_BREAKS_MS)
    mix = shares[1:] / shares[1:].sum()
    response = np.full(levels - 1, 1.0 / (levels - 1))
    breaks = np.zeros((BREAKS, ACTIVE - 1))
    quiet = np.zeros(BREAKS + 1)
    scale = 0.0
    silent[0] = -1e300
    busy[0] = 0.0
    for k in range(n):
        top = forward[:, k].max()
        mean = response.mean()
        for level in range(levels - 1):
            response[level] = (stay * response[level] + (1 - stay) * mean) * math.exp(forward[1 + level, k] - top)
        for b in range(BREAKS):
            total = breaks[b].sum()
            for level in range(ACTIVE - 1):
                seen = math.exp(min(backward[1 + level, k] - top, MOST_SURPRISE))
                breaks[b, level] = (stay * breaks[b, level] + (1 - stay) * mix[level] * total) * seen
        quiet *= math.exp(forward[0, k] - top)
        # the sample is seen; now the regime may change
        for b in range(BREAKS - 1, -1, -1):
            comes = break_comes * quiet[b]
            quiet[b] -= comes
            quiet[b + 1] += break_ends * breaks[b].sum()
            breaks[b] = (1 - break_ends) * breaks[b] + comes * mix
        over = 1 - math.exp(-step_ms / RESPONSE_MS) if (k + 1) * step_ms < LONGEST_RESPONSE_MS else 1.0
        quiet[0] += over * response.sum()
        response *= 1 - over
        total = quiet.sum() + breaks.sum() + response.sum()
        quiet /= total
        breaks /= total
        response /= total
        scale += top + math.log(total)
        silent[k + 1] = scale + math.log(quiet.sum() + 1e-300)
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
