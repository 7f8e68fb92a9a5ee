"""What lies under the noise of a sweep: the tail of the artifact, and a slow wander such as a heart beat.

A tail is a sum of two decaying exponentials of unknown size; the wander is a level whose slope changes at random. A Kalman filter
(Kalman 1960, doi 10.1115/1.3662552) that only looks back predicts both from sample to sample; what it cannot predict is noise, or
a response. Started anew where the artifact ends.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled

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
STATES = 4


@compiled
def follow_drift(white: Array, start: int, step_ms: float, gain: float, restless: float, out: Array) -> float:
    """Fill ``out`` from ``start`` on with what the drift does not explain, in units of its SD; return the sum of ln SD.

    Parameters
    ----------
    white : ndarray, shape (n,)
        Whitened samples: unit noise.
    start : int
        First sample free of artifact.
    step_ms : float
        Time between samples.
    gain : float
        By how much the whitening enlarges slow signals relative to the noise.
    restless : float
        ``CALM`` or ``BEATING``.
    out : ndarray, shape (n,)
        Filled from ``start`` on.
    """
    keep = np.array([math.exp(-step_ms / TAILS_MS[0]), math.exp(-step_ms / TAILS_MS[1]), 1.0, 1.0])
    state = np.zeros(STATES)
    doubt = np.zeros((STATES, STATES))
    doubt[0, 0] = (gain * TAIL_SIZES[0]) ** 2
    doubt[1, 1] = (gain * TAIL_SIZES[1]) ** 2
    doubt[2, 2] = (gain * LEVEL_SIZE) ** 2
    doubt[3, 3] = (gain * SLOPE_SIZE) ** 2
    change = gain * gain * restless * step_ms
    toward = np.empty(STATES)
    total = 0.0
    for k in range(start, white.size):
        variance = 1.0
        for i in range(STATES):
            toward[i] = doubt[i, 0] + doubt[i, 1] + doubt[i, 2]
        variance += toward[0] + toward[1] + toward[2]
        surprise = white[k] - state[0] - state[1] - state[2]
        out[k] = surprise / math.sqrt(variance)
        total += 0.5 * math.log(variance)
        for i in range(STATES):
            state[i] += toward[i] / variance * surprise
            for j in range(STATES):
                doubt[i, j] -= toward[i] * toward[j] / variance
        # to the next sample: the tails decay, the level moves by its slope
        for i in range(STATES):
            state[i] *= keep[i]
            for j in range(STATES):
                doubt[i, j] *= keep[i] * keep[j]
        state[2] += step_ms * state[3]
        for j in range(STATES):
            doubt[2, j] += step_ms * doubt[3, j]
        for i in range(STATES):
            doubt[i, 2] += step_ms * doubt[i, 3]
        doubt[3, 3] += change
        doubt[2, 2] += change * step_ms * step_ms / 3.0
        doubt[2, 3] += 0.5 * change * step_ms
        doubt[3, 2] += 0.5 * change * step_ms
    return total
