"""Amplitude: raw peak-to-peak in the window, the largest minus the smallest recorded sample that is not artifact."""

from __future__ import annotations

import math

import numpy as np

from decussa.measuring.compiled import compiled
from decussa.measuring.extent import extremes, span_of
from decussa.model.sweep import SamplesUv


@compiled
def peak_to_peak(row: SamplesUv, start: int, stop: int, skip_from: float, skip_to: float) -> float:
    """Peak-to-peak of samples ``start`` to ``stop`` (not included) without those from ``skip_from`` to ``skip_to``.

    Finite samples are presumed. NaN skips nothing; NaN comes back where no sample is left.
    """
    first = start
    if not math.isnan(skip_to) and skip_from < stop and skip_to > start:
        first = min(stop, int(skip_to))
    if first >= stop:
        return math.nan
    if not (first > start and skip_from > start):
        return span_of(row[first:stop])
    low, high = extremes(row[first:stop])
    early_low, early_high = extremes(row[start : int(skip_from)])
    return np.float64(max(high, early_high)) - np.float64(min(low, early_low))
