"""What the samples of a sweep say about the level of activity at each of them, compiled.

Activity is a Gaussian process with the spectrum of the baseline at a level that may fluctuate, on top of a noise floor with a
spectrum of its own. For every level a whitening filter turns samples into log likelihoods. Levels hold for a bin of about a
millisecond: samples stand by their place in a bin and the bin, so that loops run over bins side by side.
"""

from __future__ import annotations

import math
from typing import cast

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled, regrouped
from decussa.measuring.exponential import exponentials
from decussa.measuring.whitening import predictor

Array = NDArray[np.float64]
Single = NDArray[np.float32]

#: Levels of activity relative to the baseline: silence, STEPS from the floor to the baseline, and above; the first ACTIVE of
#: them occur in steady activity, all but silence in responses. The levels above differ from the baseline in variance alone.
STEPS = 5
ABOVE = (1.7, 3.0, 9.0, 30.0)
LEVELS = 1 + STEPS + len(ABOVE)
ACTIVE = STEPS + 3
#: How far the level of steady activity strays (SD of its logarithm), how often it is silent, and the weight of that in ms.
STRAY = 0.5
SILENT_SHARE = 0.003
PRIOR_MS = 20.0
#: Activity after a silence need not be spread over its levels like that before it: this share of it is spread evenly.
LEVELLING = 0.3
#: How far below the best level any other is taken to lie at most.
LEAST_LIKELY = -79.0
ORDER = 6
#: Where a prediction comes from, and the first bin; typed, so that one compiled form of a kernel serves all of its callers.
PAST, FIRST, FUTURE = cast("tuple[int, int, int]", (np.int64(-1), np.int64(0), np.int64(1)))


@compiled
def activity_levels(loud: Array, quiet: Array) -> Array:
    """Levels tried for these autocovariances of baseline and floor; the lowest above silence equals the floor."""
    lowest = min(max(math.sqrt(quiet[0] / loud[0]), 0.02), 0.4)
    out = np.zeros(LEVELS)
    for step in range(STEPS):
        out[1 + step] = lowest ** (1.0 - step / (STEPS - 1))
    for step in range(len(ABOVE)):
        out[1 + STEPS + step] = ABOVE[step]
    return out


@compiled
def expected_shares(levels: Array) -> Array:
    """How often each active level is expected before the baseline is seen: log-normal around 1, seldom silent."""
    out = np.zeros(ACTIVE)
    total = 0.0
    for level in range(1, ACTIVE):
        below = levels[level - 1] if level > 1 else levels[1] ** 2 / levels[2]
        width = 0.5 * math.log(levels[level + 1] / below)
        out[level] = width * math.exp(-0.5 * (math.log(levels[level]) / STRAY) ** 2) + 1e-4
        total += out[level]
    for level in range(1, ACTIVE):
        out[level] *= (1.0 - SILENT_SHARE) / total
    out[0] = SILENT_SHARE
    return out


@compiled
def whitening_filters(levels: Array, loud: Array, quiet: Array) -> Array:
    """For each level up to the baseline: coefficients (1, a1, ..., ap), half the precision, half its log.

    Shape (1 + STEPS, ORDER + 3).
    """
    out = np.empty((1 + STEPS, ORDER + 3))
    mixed = np.empty(ORDER + 1)
    for level in range(1 + STEPS):
        gain = levels[level] * levels[level]
        for lag in range(ORDER + 1):
            mixed[lag] = gain * loud[lag] + max(0.0, 1.0 - gain) * quiet[lag]
        fitted = predictor(mixed)
        for lag in range(ORDER + 1):
            out[level, lag] = fitted[lag]
        out[level, ORDER + 1] = 0.5 / fitted[ORDER + 1]
        out[level, ORDER + 2] = -0.5 * math.log(fitted[ORDER + 1])
    return out


@compiled
def by_place(samples: Array, places: int) -> Single:
    """Samples by their place in a bin and the bin, shape (places, bins and margins); 0 where there are none.

    The first bin begins with sample ORDER; the margins, before it and after the last, hold what predictions need.
    """
    margin = -(-ORDER // places)
    out = np.zeros((places, (samples.size - 2 * ORDER) // places + 2 * margin), dtype=np.float32)
    for place in range(places):
        start = ORDER + place - margin * places
        row = out[place]
        for b in range(row.size):
            k = start + b * places
            if 0 <= k < samples.size:
                row[b] = samples[k]
    return out


@regrouped
def add_squares(samples: Single, filters: Array, towards: int, place: int, start: int, squares: Single) -> None:
    """Add what a prediction from the past (-1) or the future (1) leaves, squared, to ``squares``, shape (levels, bins).

    Of the samples at ``place`` of the bins from ``start`` on; ``samples`` come ``by_place``.
    """
    levels, bins = squares.shape
    places = samples.shape[0]
    start += -(-ORDER // places)
    k1, k2, k3 = place + towards, place + 2 * towards, place + 3 * towards
    k4, k5, k6 = place + 4 * towards, place + 5 * towards, place + 6 * towards
    x0, x1 = samples[place, start:], samples[k1 % places, start + k1 // places :]
    x2, x3 = samples[k2 % places, start + k2 // places :], samples[k3 % places, start + k3 // places :]
    x4, x5 = samples[k4 % places, start + k4 // places :], samples[k5 % places, start + k5 // places :]
    x6 = samples[k6 % places, start + k6 // places :]
    for level in range(levels):
        out = squares[level]
        w1, w2, w3 = np.float32(filters[level, 1]), np.float32(filters[level, 2]), np.float32(filters[level, 3])
        w4, w5, w6 = np.float32(filters[level, 4]), np.float32(filters[level, 5]), np.float32(filters[level, 6])
        for b in range(bins):
            left = x0[b] + w1 * x1[b] + w2 * x2[b] + w3 * x3[b] + w4 * x4[b] + w5 * x5[b] + w6 * x6[b]
            out[b] += left * left


@compiled
def whole_bins(samples: Single, filters: Array, towards: int, levels: int, bins: int) -> Single:
    """Sums of those squares over each of the first bins, shape (levels, bins)."""
    squares = np.zeros((levels, bins), dtype=np.float32)
    for place in range(samples.shape[0]):
        add_squares(samples, filters, towards, place, FIRST, squares)
    return squares


@compiled
def judge(squares: Single, filters: Array, levels: Array, counted: int, tops: Array, logs: Array) -> None:
    """Fill log likelihoods, shape (levels, bins), from squares of ``counted`` samples each, shape (1 + STEPS, bins).

    The largest of each bin go into ``tops``.
    """
    tops[:] = -math.inf
    for level in range(logs.shape[0]):
        filtered = min(level, STEPS)
        share = 1.0
        constant = filters[filtered, ORDER + 2]
        if level > STEPS:
            share = 1.0 / (levels[level] * levels[level])
            constant -= math.log(levels[level])
        factor = share * filters[filtered, ORDER + 1]
        constant *= counted
        row, out = squares[filtered], logs[level]
        for b in range(tops.size):
            value = constant - factor * row[b]
            out[b] = value
            tops[b] = max(tops[b], value)


@compiled
def likelihoods(logs: Array, tops: Array, seen: Array) -> None:
    """Fill ``seen``, shape (levels, bins), with likelihoods of ``logs`` in units of exp(``tops``)."""
    left = np.empty(tops.size)
    for level in range(logs.shape[0]):
        row = logs[level]
        for b in range(tops.size):
            left[b] = min(max(row[b] - tops[b], LEAST_LIKELY), -LEAST_LIKELY)
        exponentials(left, seen[level])


@regrouped
def level_shares(seen: Array, prior: Array, bin_ms: float) -> Array:
    """How often each active level occurs in the baseline, from likelihoods of shape (levels, bins): expectation-maximisation."""
    shares, counts = prior.copy(), np.empty(ACTIVE)
    parts = np.empty(seen.shape[1])
    weight = PRIOR_MS / bin_ms
    for _ in range(4):
        parts[:] = 0.0
        for level in range(ACTIVE):
            row, share = seen[level], shares[level]
            for k in range(parts.size):
                parts[k] += share * row[k]
        for k in range(parts.size):
            parts[k] = 1.0 / parts[k]
        everything = 0.0
        for level in range(ACTIVE):
            row, total = seen[level], 0.0
            for k in range(parts.size):
                total += row[k] * parts[k]
            counts[level] = weight * prior[level] + shares[level] * total
            everything += counts[level]
        for level in range(ACTIVE):
            shares[level] = counts[level] / everything
    # activity after a silence need not be spread like that before it
    spread = LEVELLING * (1.0 - shares[0] - shares[1]) / (ACTIVE - 2)
    for level in range(2, ACTIVE):
        shares[level] = (1.0 - LEVELLING) * shares[level] + spread
    return shares
