"""Returns of activity that take their time: the log likelihood of every ramp from every sample on; compiled."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled, regrouped
from decussa.measuring.silence_kernel import STEPS

Array = NDArray[np.float64]

#: A return takes one of these times, each equally likely.
RAMPS_MS = (0.0, 2.0, 4.0, 7.0, 11.0, 16.0, 22.0, 30.0, 40.0, 55.0)


@compiled
def ramp_sums(backward: Array, reach: int) -> Array:
    """Sums of log likelihoods up to each sample, of each level up to the baseline less the next; constant past the end.

    Shape (2 + STEPS, n + 1 + reach); the first is that of silence with its sign turned, the last that of the baseline. The
    levels that a return climbs then take one sum each, at the sample where one gives way to the next.
    """
    n = backward.shape[1]
    out = np.zeros((2 + STEPS, n + 1 + reach))
    upto = np.zeros(1 + STEPS)
    for k in range(n):
        for level in range(1 + STEPS):
            upto[level] += backward[level, k]
        out[0, k + 1] = -upto[0]
        for level in range(STEPS):
            out[1 + level, k + 1] = upto[level] - upto[level + 1]
        out[1 + STEPS, k + 1] = upto[STEPS]
    for row in range(2 + STEPS):
        out[row, n + 1 :] = out[row, n]
    return out


@compiled
def ramp_scores(
    sums: Array, levels: Array, silent: Array, ahead: Array, step_ms: float, scores: Array, best: Array
) -> None:
    """Log likelihood of all samples for a return that begins at k and takes each of the ramps; shape (ramps, n).

    ``silent`` and ``ahead`` are the log likelihoods of what comes before and after; ``best`` gets the largest of each sample.
    """
    n = scores.shape[1]
    before, after = sums[0], sums[1 + STEPS]
    for k in range(n + 1):
        before[k] += silent[k]
        after[k] += ahead[k]
    edges = np.zeros(1 + STEPS, dtype=np.int64)
    for r in range(len(RAMPS_MS)):
        for level in range(STEPS):
            meet = 0.5 * levels[1] if level == 0 else math.sqrt(levels[level] * levels[level + 1])
            edges[level] = round(RAMPS_MS[r] * meet / step_ms)
        edges[STEPS] = round(RAMPS_MS[r] / step_ms)
        climb(sums, edges, scores[r])
    best[:] = scores[0]
    for r in range(1, len(RAMPS_MS)):
        row = scores[r]
        for k in range(n):
            best[k] = max(best[k], row[k])


@regrouped
def climb(sums: Array, edges: NDArray[np.int64], scores: Array) -> None:
    """Fill the log likelihoods of one ramp whose levels give way to the next after ``edges`` samples."""
    s0, s1, s2, s3 = sums[0], sums[1, edges[0] :], sums[2, edges[1] :], sums[3, edges[2] :]
    s4, s5, s6 = sums[4, edges[3] :], sums[5, edges[4] :], sums[6, edges[5] :]
    for k in range(scores.size):
        scores[k] = s0[k] + s1[k] + s2[k] + s3[k] + s4[k] + s5[k] + s6[k]
