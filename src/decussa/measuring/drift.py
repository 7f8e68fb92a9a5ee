"""What lies under the noise of a sweep: the tail of the artifact, and a slow wander such as a heart beat.

A tail is a sum of two decaying exponentials of unknown size; the wander is a level whose slope changes at random. A Kalman filter
(Kalman 1960, doi 10.1115/1.3662552) that only looks back predicts both from sample to sample; what it cannot predict is noise, or
a response. Started anew where the artifact ends.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import fused

Array = NDArray[np.float64]

#: Decay of the two tails, and their size beforehand (SD, in units of the noise).
TAILS_MS = (2.0, 8.0)
TAIL_SIZES = (50.0, 20.0)
#: Level and slope (per ms) of the wander beforehand, in units of the noise.
LEVEL_SIZE = 5.0
SLOPE_SIZE = 0.5
#: How fast the slope may change: variance per ms, in units of the noise. A calm sweep, and one with a heart beat.
CALM = 1e-6
BEATING = 3e-3
#: Sizes are orders of magnitude: filters are kept for gains of the whitening so many to the octave, from the least, so many.
GAINS_PER_OCTAVE = 8
LEAST_GAIN = 2.0**-6
GAINS = 80


class DriftFilters(NamedTuple):
    """Kalman filters of both kinds of drift at one sampling rate: their gains do not depend on the samples.

    Parameters
    ----------
    table : ndarray, shape (GAINS, steps, 12)
        For every gain of the whitening and every sample after the first: by how much what is missed of a sample moves tails,
        level and slope, and what they foretell; its precision as 1 / SD; first of a calm sweep, then of a wandering one.
    cost : ndarray, shape (GAINS, steps + 1, 2)
        Sum of ln SD over as many samples.
    fast, slow : float
        By how much either tail decays from sample to sample.
    step_ms : float
        Time between samples.
    """

    table: Array
    cost: Array
    fast: float
    slow: float
    step_ms: float


class Drift(NamedTuple):
    """What is known of the drift before a sample: two tails, level and slope, and the sample they foretell."""

    tail: float
    tail_2: float
    level: float
    slope: float
    told: float


@lru_cache(maxsize=8)
def drift_filters(rate_hz: float, steps: int) -> DriftFilters:
    """Return the filters for a sampling rate in Hz and up to ``steps`` samples."""
    step_ms = 1e3 / rate_hz
    fast, slow = math.exp(-step_ms / TAILS_MS[0]), math.exp(-step_ms / TAILS_MS[1])
    decay = np.array([fast, slow, 1.0, 1.0])
    gains = LEAST_GAIN * 2.0 ** (np.arange(GAINS) / GAINS_PER_OCTAVE)
    power = np.broadcast_to(gains**2, (2, GAINS))
    known = power * np.diag(np.square([*TAIL_SIZES, LEVEL_SIZE, SLOPE_SIZE]))[:, :, None, None]
    change = power * np.array([[CALM], [BEATING]])
    table, variances = np.empty((6, 2, GAINS, steps)), np.empty((2, GAINS, steps))
    for k in range(steps):
        seen = known[0] + known[1] + known[2]
        variance = 1.0 + seen[0] + seen[1] + seen[2]
        known = known - seen[:, None] * (seen / variance)
        for side in (known, known.swapaxes(0, 1), seen[:, None]):  # to the next sample
            side *= decay[:, None, None, None]
            side[2] += step_ms * side[3]
        known[2, 2] += change * (step_ms**3 / 3.0)
        known[2, 3] += change * (step_ms**2 / 2.0)
        known[3, 2] += change * (step_ms**2 / 2.0)
        known[3, 3] += change * step_ms
        table[:4, ..., k], variances[..., k] = seen / variance, variance
    table[4], table[5] = table[:3].sum(axis=0), 1.0 / np.sqrt(variances)
    cost = np.zeros((GAINS, steps + 1, 2))
    cost[:, 1:] = np.cumsum(0.5 * np.log(variances), axis=2).transpose(1, 2, 0)
    rows = np.ascontiguousarray(table.transpose(2, 3, 1, 0)).reshape(GAINS, steps, 12)
    return DriftFilters(rows, cost, fast, slow, step_ms)


@fused
def follow_drift(
    white: Array, start: int, filters: DriftFilters, gain: float, calm: Array, beating: Array
) -> tuple[float, float]:
    """Fill ``calm`` and ``beating`` with what the drift of either kind does not explain, in units of its SD.

    Parameters
    ----------
    white : ndarray, shape (n,)
        Whitened samples: unit noise.
    start : int
        First sample free of artifact.
    filters : DriftFilters
        For at least n - start samples.
    gain : float
        By how much the whitening enlarges slow signals relative to the noise.
    calm, beating : ndarray, shape (n,)
        Filled from ``start`` on.

    Returns
    -------
    (float, float)
        Sum of ln SD of either.
    """
    octaves = math.log2(max(gain, LEAST_GAIN) / LEAST_GAIN)
    chosen = min(round(GAINS_PER_OCTAVE * octaves), GAINS - 1)
    one = other = Drift(0.0, 0.0, 0.0, 0.0, 0.0)
    for k in range(start, white.size):  # side by side: each step waits for its own last one alone
        row = filters.table[chosen, k - start]
        one, calm[k] = after_sample(one, white[k], row, filters)
        other, beating[k] = after_sample(other, white[k], row[6:], filters)
    cost = filters.cost[chosen, white.size - start]
    return cost[0], cost[1]


@fused
def after_sample(drift: Drift, sample: float, row: Array, filters: DriftFilters) -> tuple[Drift, float]:
    """What is known of the drift before the next sample, and what it does not explain of this one, in units of its SD."""
    left = sample - drift.told
    tail, tail_2 = filters.fast * drift.tail, filters.slow * drift.tail_2
    level = drift.level + filters.step_ms * drift.slope
    after = Drift(
        tail + row[0] * left, tail_2 + row[1] * left, level + row[2] * left, drift.slope + row[3] * left,
        (tail + tail_2 + level) + row[4] * left,
    )  # fmt: skip
    return after, left * row[5]
