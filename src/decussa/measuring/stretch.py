"""Sums and extremes over a stretch of samples: the inner loops of everything read off a sweep, written for vector units.

A stretch is a slice of one sweep. Sums run in double precision; extremes presume finite samples, which ``all_finite`` tells.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled, regrouped
from decussa.model.sweep import SamplesUv

Array = NDArray[np.float64]


@regrouped
def all_finite(stretch: SamplesUv) -> bool:
    """Whether every sample is finite."""
    total = np.float32(0.0)
    for k in range(stretch.size):
        total += stretch[k] * np.float32(0.0)  # NaN for what is not finite
    return bool(total == np.float32(0.0))


@regrouped
def mean_of(stretch: SamplesUv) -> float:
    """Mean of the samples."""
    total = 0.0
    for k in range(stretch.size):
        total += np.float64(stretch[k])
    return total / stretch.size


@regrouped
def power_about(stretch: SamplesUv, level: float) -> float:
    """Sum of the squared deviations from ``level``."""
    total = 0.0
    for k in range(stretch.size):
        deviation = np.float64(stretch[k]) - level
        total += deviation * deviation
    return total


@regrouped
def magnitude_about(stretch: SamplesUv, level: float) -> float:
    """Sum of the deviations from ``level`` without their signs."""
    total = 0.0
    for k in range(stretch.size):
        total += abs(np.float64(stretch[k]) - level)
    return total


@regrouped
def lean_about(stretch: SamplesUv, level: float) -> float:
    """Sum of the products of neighbours' deviations from ``level``."""
    total = 0.0
    ahead = stretch[1:]
    for k in range(ahead.size):
        total += (np.float64(ahead[k]) - level) * (np.float64(stretch[k]) - level)
    return total


@regrouped
def power_of_steps(stretch: SamplesUv) -> float:
    """Sum of the squared steps from sample to sample."""
    total = 0.0
    ahead = stretch[1:]
    for k in range(ahead.size):
        step = np.float64(ahead[k]) - np.float64(stretch[k])
        total += step * step
    return total


@compiled
def largest_step(stretch: SamplesUv) -> float:
    """Largest step from sample to sample, without its sign; 0 for a single sample."""
    steps = np.empty(stretch.size, dtype=np.float32)
    steps[0] = np.float32(0.0)
    ahead = stretch[1:]
    for k in range(ahead.size):
        steps[1 + k] = abs(ahead[k] - stretch[k])
    return np.float64(extremes(steps)[1])


@compiled
def extremes(stretch: SamplesUv) -> tuple[np.float32, np.float32]:
    """Smallest and largest sample.

    Compared as integers: the bits of finite numbers of IEEE 754 are in their order, those below zero upside down.
    """
    bits = stretch.view(np.int32)
    low, high = np.int32(2**31 - 1), np.int32(-(2**31))
    for k in range(bits.size):
        ordered = bits[k] ^ ((bits[k] >> 31) & np.int32(2**31 - 1))
        low = min(low, ordered)
        high = max(high, ordered)
    both = np.empty(2, dtype=np.int32)
    both[0] = low ^ ((low >> 31) & np.int32(2**31 - 1))
    both[1] = high ^ ((high >> 31) & np.int32(2**31 - 1))
    found = both.view(np.float32)
    return found[0], found[1]
