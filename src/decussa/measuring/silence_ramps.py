"""Returns of activity that take their time, or none: their log likelihoods; compiled."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled, regrouped
from decussa.measuring.exponential import logarithms
from decussa.measuring.silence_kernel import ACTIVE, FUTURE, ORDER, PAST, STEPS, Single, add_squares, judge, likelihoods

Array = NDArray[np.float64]

#: A return takes one of these times, each equally likely.
RAMPS_MS = (0.0, 2.0, 4.0, 7.0, 11.0, 16.0, 22.0, 30.0, 40.0, 55.0)


@regrouped
def ramp_scores(logs: Array, levels: Array, silent: Array, ahead: Array, bin_ms: float, scores: Array) -> float:
    """Log likelihood of all samples for a return that begins with each bin and takes each of the ramps; return the largest.

    ``logs``, shape (levels, bins), are those of the bins predicted from the future, ``silent``, shape (bins + 1,), of what
    comes before each bin and ``ahead``, shape (bins,), of it and what comes after; ``scores`` has shape (ramps, bins).
    """
    bins = ahead.size
    beyond = int(RAMPS_MS[-1] / bin_ms) + 2
    # up to each bin: silence with its sign turned, each level less the next, the baseline; constant past the end. The levels
    # that a return climbs then take one sum each, at the place in a bin where one gives way to the next.
    sums = np.zeros((2 + STEPS, bins + beyond))
    for level in range(1 + STEPS):
        lower, upper, row, total = sums[level], sums[1 + level], logs[level], 0.0
        for b in range(bins):
            lower[b] -= total
            upper[b] += total
            total += row[b]
        for b in range(bins, bins + beyond):
            lower[b] -= total
            upper[b] += total
    for b in range(bins):
        sums[0, b] += silent[b]
        sums[1 + STEPS, b] += ahead[b]
    tops = np.full(bins, -math.inf)
    for r in range(len(RAMPS_MS)):
        out = scores[r]
        for b in range(bins):
            out[b] = sums[0, b]
        for level in range(1 + STEPS):
            meet = 1.0
            if level < STEPS:
                meet = 0.5 * levels[1] if level == 0 else math.sqrt(levels[level] * levels[level + 1])
            edge = RAMPS_MS[r] * meet / bin_ms
            whole = int(edge)
            share = edge - whole
            part, next_part = sums[1 + level, whole:], sums[1 + level, whole + 1 :]
            for b in range(bins):
                out[b] += part[b] + share * (next_part[b] - part[b])
        for b in range(bins):
            tops[b] = max(tops[b], out[b])
    best = -math.inf
    for b in range(bins):
        best = max(best, tops[b])
    return best


@compiled
def sudden_bounds(filters: Array, later: Array, silent: Array, places: int, bounds: Array) -> None:
    """Log likelihood that no sudden return within each bin exceeds: as if every sample of it were as likely as can be."""
    most = filters[0, ORDER + 2]
    for level in range(1, 1 + STEPS):
        most = max(most, filters[level, ORDER + 2])
    total = np.zeros(bounds.size)
    for level in range(ACTIVE):
        for b in range(bounds.size):
            total[b] += later[level, b]
    logarithms(total, bounds)
    for b in range(bounds.size):
        bounds[b] += later[ACTIVE, b] + silent[b] + places * most


@compiled
def sudden_scores(
    samples: Single, filters: Array, levels: Array, later: Array, silent: Array, start: int, stop: int, scores: Array
) -> None:
    """Log likelihood of all samples for a sudden return before each sample of the bins from ``start`` to ``stop``.

    ``samples`` come ``by_place``, ``later`` from ``activity_ahead``, ``silent`` from ``silence_behind``.
    """
    places, bins = samples.shape[0], stop - start
    # activity of the rest of the bin, seen from behind
    squares = np.zeros((1 + STEPS, bins), dtype=np.float32)
    tops, logs, seen = np.empty(bins), np.empty((ACTIVE, bins)), np.empty((ACTIVE, bins))
    total, total_logs = np.empty(bins), np.empty(bins)
    for place in range(places - 1, -1, -1):
        add_squares(samples, filters, FUTURE, place, start, squares)
        judge(squares, filters, levels, places - place, tops, logs)
        likelihoods(logs, tops, seen)
        total[:] = 0.0
        for level in range(ACTIVE):
            for b in range(bins):
                total[b] += later[level, start + b] * seen[level, b]
        logarithms(total, total_logs)
        for b in range(bins):
            scores[b * places + place] = total_logs[b] + tops[b] + later[ACTIVE, start + b]
    # silence before it, seen from ahead
    quiet = np.zeros((1, bins), dtype=np.float32)
    for place in range(places):
        for b in range(bins):
            judged = place * filters[0, ORDER + 2] - filters[0, ORDER + 1] * quiet[0, b]
            scores[b * places + place] += silent[start + b] + judged
        add_squares(samples, filters, PAST, place, start, quiet)
