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
    left = np.empty(n)
    for level in range(forward.shape[0]):
        gain = levels[level] * levels[level]
        filter_ = predictor(gain * loud + max(0.0, 1.0 - gain) * quiet)
        variance = filter_[order + 1]
        constant = -0.5 * math.log(variance)
        # the first and last samples lack what they would be predicted from: they count for no level
        forward[level, :order] = 0.0
        predict(samples, filter_[: order + 1], False, left)
        for k in range(n - order):
            forward[level, order + k] = constant - 0.5 * left[k] * left[k] / variance
        if level < ACTIVE:
            backward[level, n - order :] = 0.0
            predict(samples, filter_[: order + 1], True, left)
            for k in range(n - order):
                backward[level, k] = constant - 0.5 * left[k] * left[k] / variance


@compiled
def predict(samples: Array, filter_: Array, reverse: bool, left: Array) -> None:
    """Fill what a prediction from the past, or the future, leaves of the samples that have enough of it."""
    order = filter_.size - 1
    n = samples.size - order
    left[:n] = 0.0
    for j in range(order + 1):
        weight = filter_[order - j] if not reverse else filter_[j]
        shifted = samples[j : j + n]
        for k in range(n):
            left[k] += weight * shifted[k]


@compiled
def likelihoods(logs: Array, out: Array, tops: Array) -> None:
    """Fill likelihoods, shape (n, levels), in units of the largest of each sample, whose logarithms go into ``tops``."""
    levels, n = logs.shape
    tops[:] = logs[0]
    for level in range(1, levels):
        row = logs[level]
        for k in range(n):
            tops[k] = max(tops[k], row[k])
    left, likely = np.empty(n), np.empty(n)
    for level in range(levels):
        left[:] = logs[level] - tops
        exponentials(left, likely)
        for k in range(n):
            out[k, level] = likely[k]


@compiled
def level_shares(seen: Array, prior: Array, step_ms: float) -> Array:
    """How often each active level occurs in the baseline, from likelihoods of shape (n, levels): expectation-maximisation."""
    shares = prior.copy()
    weight = PRIOR_MS / step_ms
    for _ in range(4):
        counts = weight * prior
        for k in range(seen.shape[0]):
            total = 0.0
            for level in range(ACTIVE):
                total += shares[level] * seen[k, level]
            if total > 0.0:
                for level in range(ACTIVE):
                    counts[level] += shares[level] * seen[k, level] / total
        shares = counts / counts.sum()
    # activity after a silence need not be spread like that before it
    shares[2:] = (1.0 - LEVELLING) * shares[2:] + LEVELLING * shares[2:].sum() / (ACTIVE - 2)
    return shares


@compiled
def activity_ahead(seen: Array, tops: Array, shares: Array, step_ms: float) -> Array:
    """Log likelihood of all samples from k on, given steady activity from k on; shape (n + 1,).

    ``seen`` and ``tops`` are the likelihoods predicted from the future.
    """
    n = tops.size
    stay = np.full(ACTIVE, math.exp(-step_ms / STAY_MS))
    stay[:2] = math.exp(-step_ms / GAP_MS)
    out = np.zeros(n + 1)
    ahead = np.ones(ACTIVE)
    scale = 0.0
    for k in range(n - 1, -1, -1):
        mean = 0.0
        for level in range(ACTIVE):
            mean += shares[level] * ahead[level]
        total = 0.0
        for level in range(ACTIVE):
            ahead[level] = (stay[level] * ahead[level] + (1 - stay[level]) * mean) * seen[k, level]
            total += shares[level] * ahead[level]
        scale += tops[k] + math.log(total)
        for level in range(ACTIVE):
            ahead[level] /= total
        out[k] = scale
    return out


@compiled
def silence_behind(
    ahead: Array,
    ahead_tops: Array,
    behind: Array,
    behind_tops: Array,
    shares: Array,
    step_ms: float,
    silent: Array,
    busy: Array,
) -> None:
    """Log likelihood of the first k samples with the silence going on at k, or the response going on at k; shapes (n + 1,).

    ``ahead`` and ``behind`` are likelihoods predicted from the past and from the future. ``quiet[b]`` is the silence after b
    breaks. A break is seen from behind, as the return is, so that nothing but its length tells the two apart.
    """
    n, levels = ahead.shape
    stay = math.exp(-step_ms / STAY_MS)
    break_ends = 1 - math.exp(-step_ms / BREAK_MS)
    break_comes = 1 - math.exp(-step_ms / BETWEEN_BREAKS_MS)
    still_over = 1 - math.exp(-step_ms / RESPONSE_MS)
    mix = shares[1:] / shares[1:].sum()
    response = np.full(levels - 1, 1.0 / (levels - 1))
    breaks = np.zeros((BREAKS, ACTIVE - 1))
    quiet = np.zeros(BREAKS + 1)
    scale = 0.0
    silent[0] = -1e300
    busy[0] = 0.0
    for k in range(n):
        going = 0.0
        mean = response.mean()
        for level in range(levels - 1):
            response[level] = (stay * response[level] + (1 - stay) * mean) * ahead[k, 1 + level]
            going += response[level]
        beyond = math.exp(min(behind_tops[k] - ahead_tops[k], 2.0 * MOST_SURPRISE))
        most = math.exp(MOST_SURPRISE)
        for b in range(BREAKS):
            total = breaks[b].sum()
            if total > 0.0:
                for level in range(ACTIVE - 1):
                    seen = min(behind[k, 1 + level] * beyond, most)
                    breaks[b, level] = (stay * breaks[b, level] + (1 - stay) * mix[level] * total) * seen
        for b in range(BREAKS + 1):
            quiet[b] *= ahead[k, 0]
        # the sample is seen; now the regime may change
        for b in range(BREAKS - 1, -1, -1):
            comes = break_comes * quiet[b]
            quiet[b] -= comes
            quiet[b + 1] += break_ends * breaks[b].sum()
            for level in range(ACTIVE - 1):
                breaks[b, level] = (1 - break_ends) * breaks[b, level] + comes * mix[level]
        over = still_over if (k + 1) * step_ms < LONGEST_RESPONSE_MS else 1.0
        quiet[0] += over * going
        silence = quiet.sum()
        going *= 1 - over
        total = silence + breaks.sum() + going
        for level in range(levels - 1):
            response[level] *= (1 - over) / total
        breaks /= total
        quiet /= total
        scale += ahead_tops[k] + math.log(total)
        silent[k + 1] = scale + math.log(silence / total + 1e-300)
        busy[k + 1] = scale + math.log(going / total + 1e-300)


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
        row = scores[r]
        reach = min(n, edges[1 + STEPS])
        inside = n - reach
        row[:inside] = ahead[reach:n]
        for level in range(1 + STEPS):
            late, early = upto[level, edges[level + 1] :], upto[level, edges[level] :]
            for k in range(inside):
                row[k] += late[k] - early[k]
        # returns that the end of the sweep cuts off
        for k in range(inside, n):
            row[k] = ahead[n]
            for level in range(1 + STEPS):
                row[k] += upto[level, min(n, k + edges[level + 1])] - upto[level, min(n, k + edges[level])]
