"""What the samples of a sweep say about the level of activity at each of them, compiled.

Activity is a Gaussian process with the spectrum of the baseline at a level that may fluctuate, on top of a noise floor with a
spectrum of its own. For every level a whitening filter turns samples into log likelihoods. Levels hold for a bin of one or two
milliseconds.
"""

from __future__ import annotations

import math
from typing import cast

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled, regrouped
from decussa.measuring.exponential import exponentials
from decussa.measuring.extent import larger
from decussa.measuring.silence_bins import ORDER, Single
from decussa.measuring.whitening import predictor

Array = NDArray[np.float64]

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
#: A slow wave (heart, movement) has so many times the RMS of the floor, and a Gaussian autocorrelation of this width.
WAVE_SIZE = 7.0
WAVE_MS = 12.0
#: How far below the best level any other is taken to lie at most.
LEAST_LIKELY = -79.0
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
        fill_filter(mixed, out[level])
    return out


@compiled
def fill_filter(covariance: Array, out: Array) -> None:
    """Fill in coefficients, half the precision and half its log of the filter that whitens this autocovariance."""
    fitted = predictor(covariance)
    for lag in range(ORDER + 1):
        out[lag] = fitted[lag]
    out[ORDER + 1] = 0.5 / fitted[ORDER + 1]
    out[ORDER + 2] = -0.5 * math.log(fitted[ORDER + 1])


@compiled
def silence_filters(filters: Array, quiet: Array, step_ms: float) -> Array:
    """The filter of the floor and, after it, that of the floor with a slow wave on it, shape (2, ORDER + 3)."""
    out, mixed = np.empty((2, ORDER + 3)), np.empty(ORDER + 1)
    for lag in range(ORDER + 1):
        away = lag * step_ms / WAVE_MS
        mixed[lag] = quiet[lag] + WAVE_SIZE * WAVE_SIZE * quiet[0] * math.exp(-0.5 * away * away)
    for k in range(ORDER + 3):
        out[0, k] = filters[0, k]
    fill_filter(mixed, out[1])
    return out


@compiled
def running_sums(values: Array, out: Array) -> None:
    """Fill ``out`` with the sums of the ``values`` before each; its rest with the sum of all."""
    total, whole = 0.0, 4 * (values.size // 4)
    for k in range(0, whole, 4):
        second = values[k] + values[k + 1]
        third = second + values[k + 2]
        out[k], out[k + 1], out[k + 2], out[k + 3] = total, total + values[k], total + second, total + third
        total += third + values[k + 3]
    for k in range(whole, values.size):
        out[k] = total
        total += values[k]
    for k in range(values.size, out.size):
        out[k] = total


@compiled
def highest(values: Array) -> float:
    """The largest of the values, none of which is NaN."""
    best = values[0]
    for k in range(values.size):
        best = larger(values[k], best)
    return float(best)


@regrouped
def squares_left(samples: Single, filters: Array, towards: int, squares: Single) -> None:
    """Fill in what predictions from the past (-1) or the future (1) by two filters leave, squared, one row for each.

    ``samples`` come ``by_place``; rows have a cell for each of the bins at the first place, then at the second, and so on.
    """
    flat, first, step = samples.ravel(), ORDER * samples.shape[1], towards * samples.shape[1]
    x0, x1, x2, x3 = flat[first:], flat[first + step :], flat[first + 2 * step :], flat[first + 3 * step :]
    x4, x5, x6 = flat[first + 4 * step :], flat[first + 5 * step :], flat[first + 6 * step :]
    v1, v2, v3 = np.float32(filters[0, 1]), np.float32(filters[0, 2]), np.float32(filters[0, 3])
    v4, v5, v6 = np.float32(filters[0, 4]), np.float32(filters[0, 5]), np.float32(filters[0, 6])
    w1, w2, w3 = np.float32(filters[1, 1]), np.float32(filters[1, 2]), np.float32(filters[1, 3])
    w4, w5, w6 = np.float32(filters[1, 4]), np.float32(filters[1, 5]), np.float32(filters[1, 6])
    one, other = squares[0], squares[1]
    for k in range(one.size):
        left = x0[k] + v1 * x1[k] + v2 * x2[k] + v3 * x3[k] + v4 * x4[k] + v5 * x5[k] + v6 * x6[k]
        left_2 = x0[k] + w1 * x1[k] + w2 * x2[k] + w3 * x3[k] + w4 * x4[k] + w5 * x5[k] + w6 * x6[k]
        one[k] = left * left
        other[k] = left_2 * left_2


@compiled
def squares_ahead(samples: Single, filters: Array) -> Single:
    """Squares of what predictions from the future leave at each level of ``filters``, a row for each."""
    places, bins = samples.shape[0] - 2 * ORDER, samples.shape[1]
    out = np.empty((filters.shape[0], places * bins), dtype=np.float32)
    for level in range(0, filters.shape[0], 2):
        squares_left(samples, filters[level : level + 2], FUTURE, out[level : level + 2])
    return out


@compiled
def whole_bins(samples: Single, filters: Array, towards: int) -> Single:
    """Sums of those squares over each bin at each level of ``filters``, shape (levels, bins)."""
    places, bins = samples.shape[0] - 2 * ORDER, samples.shape[1]
    sums = np.empty((filters.shape[0], bins), dtype=np.float32)
    squares = np.empty((2, places * bins), dtype=np.float32)
    for level in range(0, filters.shape[0], 2):
        squares_left(samples, filters[level : level + 2], towards, squares)
        sum_places(squares[0], sums[level])
        sum_places(squares[1], sums[level + 1])
    return sums


@compiled
def sum_places(squares: Single, sums: Single) -> None:
    """Fill in the sums of the cells of each bin."""
    for b in range(sums.size):
        sums[b] = squares[b]
    for start in range(sums.size, squares.size, sums.size):
        row = squares[start:]
        for b in range(sums.size):
            sums[b] += row[b]


@compiled
def judge(squares: Single, filters: Array, levels: Array, counted: Array, tops: Array, logs: Array) -> None:
    """Fill log likelihoods, shape (levels, bins), from squares of so many samples each, shape (1 + STEPS, bins).

    The largest of each bin go into ``tops``.
    """
    for b in range(tops.size):
        tops[b] = -math.inf
    for level in range(logs.shape[0]):
        filtered = min(level, STEPS)
        share = 1.0
        constant = filters[filtered, ORDER + 2]
        if level > STEPS:
            share = 1.0 / (levels[level] * levels[level])
            constant -= math.log(levels[level])
        factor = share * filters[filtered, ORDER + 1]
        row, out = squares[filtered], logs[level]
        for b in range(tops.size):
            value = constant * counted[b] - factor * row[b]
            out[b] = value
            tops[b] = max(tops[b], value)


@regrouped
def judge_fresh(samples: Single, quiet: Array, past: Single, filters: Array, logs: Array) -> None:
    """Fill log likelihoods of each bin of samples ``by_place`` in silence whatever came before it.

    ``quiet`` is the autocovariance of the floor, ``past`` are ``squares_left`` in silence. What comes before the first bin of a
    silence is activity: predicted from that, a smooth wave would pass for silence at any height.
    """
    places, bins = samples.shape[0] - 2 * ORDER, logs.size
    sums, left, constant = np.zeros(bins, dtype=np.float32), np.empty(bins, dtype=np.float32), 0.0
    for place in range(min(places, ORDER)):
        fitted = predictor(quiet[: place + 1])
        row = samples[ORDER + place]
        for b in range(bins):
            left[b] = row[b]
        for j in range(1, place + 1):
            row, weight = samples[ORDER + place - j], np.float32(fitted[j])
            for b in range(bins):
                left[b] += weight * row[b]
        constant -= 0.5 * math.log(fitted[place + 1])
        factor = np.float32(0.5 / fitted[place + 1])
        for b in range(bins):
            sums[b] += factor * left[b] * left[b]
    factor = np.float32(filters[0, ORDER + 1])
    for place in range(ORDER, places):
        constant += filters[0, ORDER + 2]
        row = past[place * bins : (place + 1) * bins]
        for b in range(bins):
            sums[b] += factor * row[b]
    for b in range(bins):
        logs[b] = constant - sums[b]


@compiled
def by_bin(seen: Array) -> Array:
    """What comes in shape (levels, bins) in shape (bins, levels)."""
    out = np.empty((seen.shape[1], seen.shape[0]))
    for level in range(seen.shape[0]):
        row = seen[level]
        for b in range(row.size):
            out[b, level] = row[b]
    return out


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
    return shares


@compiled
def levelled(shares: Array) -> Array:
    """Shares of levels in activity after a silence, which need not be spread like that before it."""
    out = shares.copy()
    spread = LEVELLING * (1.0 - shares[0] - shares[1]) / (ACTIVE - 2)
    for level in range(2, ACTIVE):
        out[level] = (1.0 - LEVELLING) * shares[level] + spread
    return out
