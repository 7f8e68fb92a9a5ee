"""Level, power and likeness of neighbours of a stretch of samples, in one pass by vector units and in double precision.

Deviations are taken from the first sample and moved to the mean afterwards: noise on a large offset loses nothing.
"""

from __future__ import annotations

import math

import numpy as np

from decussa.measuring.compiled import regrouped
from decussa.measuring.extent import larger
from decussa.model.sweep import SamplesUv


@regrouped
def moments(stretch: SamplesUv) -> tuple[float, float, float]:
    """Mean, sum of squared deviations from it, sum of the products of neighbours' deviations."""
    ahead = stretch[1:]
    first = np.float64(stretch[0])
    total = power = lean = 0.0
    for k in range(ahead.size):
        deviation = np.float64(ahead[k]) - first
        total += deviation
        power += deviation * deviation
        lean += deviation * (np.float64(stretch[k]) - first)
    n = stretch.size
    mean = total / n
    last = np.float64(stretch[n - 1]) - first
    return (
        first + mean,
        max(0.0, power - mean * total),
        lean - mean * (2.0 * total - last) + (n - 1) * mean * mean,
    )


@regrouped
def level_and_steps(stretch: SamplesUv) -> tuple[float, float, float, float]:
    """Level of all samples but the first, RMS about it, RMS of the steps that lead to them, largest step."""
    ahead = stretch[1:]
    first = np.float64(ahead[0])
    total = power = steps = 0.0
    largest = np.float32(0.0)
    for k in range(ahead.size):
        deviation = np.float64(ahead[k]) - first
        step = np.float64(ahead[k]) - np.float64(stretch[k])
        total += deviation
        power += deviation * deviation
        steps += step * step
        largest = larger(abs(ahead[k] - stretch[k]), largest)
    n = ahead.size
    mean = total / n
    return (
        first + mean,
        math.sqrt(max(0.0, power / n - mean * mean)),
        math.sqrt(steps / n),
        np.float64(largest),
    )
