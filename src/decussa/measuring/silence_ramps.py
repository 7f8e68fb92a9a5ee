"""Returns of activity that take their time, or none: their log likelihoods; compiled."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled, regrouped
from decussa.measuring.exponential import logarithms
from decussa.measuring.silence_bins import ORDER, Single, Whole, columns
from decussa.measuring.silence_chain import weighted
from decussa.measuring.silence_kernel import (
    ACTIVE,
    STEPS,
    highest,
    judge,
    likelihoods,
    running_sums,
    squares_ahead,
)

Array = NDArray[np.float64]

#: A return takes one of these times, each equally likely.
RAMPS_MS = (0.0, 2.0, 4.0, 7.0, 11.0, 16.0, 22.0, 30.0, 40.0, 55.0)


@compiled
def let_stray(seen: Array, tops: Array, levels: Array, shares: Array, logs: Array) -> None:
    """Let activity stray from the levels a return climbs as it does from the baseline's: fill their ``logs`` anew.

    ``seen``, shape (levels, bins), are likelihoods in units of exp(``tops``), ``shares`` say how often each level occurs. What
    lies between two levels is shared out between them by its logarithm.
    """
    total, left, weights, heights = np.empty(tops.size), np.empty(tops.size), np.empty(ACTIVE), np.empty(ACTIVE)
    for level in range(1, ACTIVE):
        heights[level] = math.log(levels[level])
    for step in range(1, 1 + STEPS):
        for level in range(ACTIVE):
            weights[level] = 0.0
        weights[1], above = shares[0], 2
        for level in range(1, ACTIVE):
            wanted = heights[step] + heights[level]
            while above < ACTIVE - 1 and heights[above] < wanted:
                above += 1
            up = (wanted - heights[above - 1]) / (heights[above] - heights[above - 1])
            up = min(max(up, 0.0), 1.0)
            weights[above] += up * shares[level]
            weights[above - 1] += (1.0 - up) * shares[level]
        for b in range(total.size):
            total[b] = 0.0
        for level in range(1, ACTIVE):
            share, row = weights[level], seen[level]
            if share > 0.0:
                for b in range(total.size):
                    total[b] += share * row[b]
        logarithms(total, left)
        row = logs[step]
        for b in range(total.size):
            row[b] = tops[b] + left[b]


@compiled
def ramp_scores(
    logs: Array, levels: Array, silent: Array, ahead: Array, bin_ms: float, scores: Array, best: Array
) -> None:
    """Log likelihood of all samples for a return that begins with each bin and takes each of the ramps; the largest of each.

    ``logs``, shape (levels, bins), are those of the bins predicted from the future, ``silent``, shape (bins + 1,), of what
    comes before each bin and ``ahead``, shape (bins,), of it and what comes after; ``scores`` has shape (ramps, bins), ``best``
    (ramps,).
    """
    bins = ahead.size
    # up to each bin: silence with its sign turned, each level less the next, the baseline; constant past the end. The levels
    # that a return climbs then take one sum each, at the place in a bin where one gives way to the next.
    sums, less = np.empty((2 + STEPS, bins + int(RAMPS_MS[-1] / bin_ms) + 2)), np.zeros(bins)
    for level in range(2 + STEPS):
        for b in range(bins):
            less[b] = (logs[level - 1, b] if level > 0 else 0.0) - (logs[level, b] if level <= STEPS else 0.0)
        running_sums(less, sums[level])
    for b in range(bins):
        sums[0, b] += silent[b]
        sums[1 + STEPS, b] += ahead[b]
    edges = np.empty(1 + STEPS)
    for level in range(1 + STEPS):
        edges[level] = 1.0 if level == STEPS else math.sqrt(levels[level] * levels[level + 1])
    edges[0] = 0.5 * levels[1]
    for b in range(bins):
        scores[0, b] = silent[b] + ahead[b]
    best[0] = highest(scores[0])
    for r in range(1, len(RAMPS_MS)):
        best[r] = climb(sums, edges, RAMPS_MS[r] / bin_ms, scores[r])


@regrouped
def climb(sums: Array, edges: Array, ramp: float, scores: Array) -> float:
    """Fill ``scores`` for a return over ``ramp`` bins that changes levels at these shares of it; return the largest."""
    k0, k1, k2, k3, k4, k5 = (int(ramp * edges[0]), int(ramp * edges[1]), int(ramp * edges[2]),
                              int(ramp * edges[3]), int(ramp * edges[4]), int(ramp * edges[5]))  # fmt: skip
    s0, s1, s2 = ramp * edges[0] - k0, ramp * edges[1] - k1, ramp * edges[2] - k2
    s3, s4, s5 = ramp * edges[3] - k3, ramp * edges[4] - k4, ramp * edges[5] - k5
    silent, r0, r1, r2 = sums[0], sums[1, k0:], sums[2, k1:], sums[3, k2:]
    r3, r4, r5 = sums[4, k3:], sums[5, k4:], sums[6, k5:]
    for b in range(scores.size):
        low = silent[b] + r0[b] + s0 * (r0[b + 1] - r0[b]) + r1[b] + s1 * (r1[b + 1] - r1[b])
        middle = r2[b] + s2 * (r2[b + 1] - r2[b]) + r3[b] + s3 * (r3[b + 1] - r3[b])
        scores[b] = low + middle + r4[b] + s4 * (r4[b + 1] - r4[b]) + r5[b] + s5 * (r5[b + 1] - r5[b])
    return highest(scores)


@compiled
def sudden_bounds(
    past: Single, places: int, filters: Array, later: Array, units: Array, silent: Array, bounds: Array
) -> None:
    """Log likelihood that no sudden return within each bin exceeds, but for one at its first sample.

    The first sample is left to the silence; every other is taken to be as likely as can be. ``past`` are ``squares_left`` in
    silence.
    """
    most = filters[0, ORDER + 2]
    for level in range(1, 1 + STEPS):
        most = max(most, filters[level, ORDER + 2])
    most = (places - 1) * most + filters[0, ORDER + 2]
    logarithms(weighted(later, np.ones(ACTIVE)), bounds)
    for b in range(bounds.size):
        bounds[b] += units[b] + silent[b] + most - filters[0, ORDER + 1] * past[b]


@compiled
def sudden_scores(
    samples: Single, past: Single, filters: Array, levels: Array, later: Array, units: Array, silent: Array,
    chosen: Whole, scores: Array,
) -> float:  # fmt: skip
    """Fill log likelihoods of all samples for a sudden return before each sample of the ``chosen`` bins; return the largest.

    ``samples`` come ``by_place``, ``past`` are ``squares_left`` in silence, ``later`` and ``units`` come from
    ``activity_ahead``, ``silent`` from ``silence_behind``; ``scores`` has a place for every sample of all bins.
    """
    places, count = samples.shape[0] - 2 * ORDER, chosen.size
    cells = places * count
    # activity of the rest of the bin, seen from behind
    rest = squares_ahead(columns(samples, chosen), filters)
    for level in range(1 + STEPS):
        for place in range(places - 2, -1, -1):
            row, following = rest[level, place * count :], rest[level, (place + 1) * count :]
            for c in range(count):
                row[c] += following[c]
    counted, tops, total = np.empty(cells), np.empty(cells), np.zeros(cells)
    for place in range(places):
        for c in range(place * count, (place + 1) * count):
            counted[c] = places - place
    logs, seen, after = np.empty((ACTIVE, cells)), np.empty((ACTIVE, cells)), np.empty(count)
    judge(rest, filters, levels, counted, tops, logs)
    likelihoods(logs, tops, seen)
    for level in range(ACTIVE):
        for c in range(count):
            after[c] = later[chosen[c], level]
        for place in range(places):
            out, row = total[place * count :], seen[level, place * count :]
            for c in range(count):
                out[c] += after[c] * row[c]
    active = counted
    logarithms(total, active)
    # silence before it, seen from ahead
    best = -math.inf
    for c in range(count):
        before = silent[chosen[c]] + units[chosen[c]]
        for place in range(places):
            score = before + active[place * count + c] + tops[place * count + c]
            scores[chosen[c] * places + place] = score
            best = max(best, score)
            before += filters[0, ORDER + 2] - filters[0, ORDER + 1] * past[place * samples.shape[1] + chosen[c]]
    return best
