"""Sums over a stretch of samples, written for vector units. A stretch is a slice of one sweep; sums run in double precision."""

from __future__ import annotations

import numpy as np

from decussa.measuring.compiled import regrouped
from decussa.model.sweep import SamplesUv


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
