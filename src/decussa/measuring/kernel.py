"""The one pass over a block of sweeps that gives every quantity read off the samples directly.

Each sweep is measured on its own, in one order of operations, so that it gives the same numbers alone, in a batch and in any
chunk, bit for bit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.amplitude import peak_to_peak
from decussa.measuring.area import rectified_area
from decussa.measuring.background import baseline_span, mean_and_rms
from decussa.measuring.compiled import compiled
from decussa.measuring.size import describe_noise, noise_and_range
from decussa.model.sweep import SamplesUv

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """What the pass fills, one row per sweep: plain readings and what the size is worked out from.

    ``values`` holds background RMS, amplitude, area and first amplitude; ``smoothed`` and ``recorded`` noise RMS, density of
    independent samples and peak-to-peak, ``smoothed`` the range of the baseline too; ``clipped`` the number of clipped samples.
    """

    values: Array
    smoothed: Array
    recorded: Array
    clipped: NDArray[np.int64]


def blank_readings(n_sweeps: int) -> Readings:
    """Return readings with nothing read yet."""
    return Readings(
        np.full((n_sweeps, 4), np.nan),
        np.full((n_sweeps, 4), np.nan),
        np.full((n_sweeps, 3), np.nan),
        np.zeros(n_sweeps, dtype=np.int64),
    )


@compiled
def read_block(
    samples: SamplesUv, bridged: SamplesUv, rate_hz: float, onset: int, window_ms: tuple[float, float],
    baseline_ms: tuple[float, float], first_ms: Array, places: Array, low_uv: float, high_uv: float, taps: Array,
    values: Array, smoothed: Array, recorded: Array, clipped: NDArray[np.int64],
) -> None:  # fmt: skip
    """Read every sweep of ``samples``; ``places`` holds start and end of both artifacts in samples, NaN for none."""
    per_ms = rate_hz / 1e3
    n_samples = samples.shape[1]
    start = math.floor(onset + window_ms[0] * per_ms + 0.5)
    stop = math.floor(onset + window_ms[1] * per_ms + 0.5) + 1
    for i in range(samples.shape[0]):
        row = samples[i]
        base_start, base_stop = baseline_span(n_samples, rate_hz, onset, baseline_ms, first_ms[i])
        clipped[i] = count_clipped(row, base_start, stop, places[i], low_uv, high_uv)
        level, rms = mean_and_rms(row, base_start, base_stop)
        if math.isnan(rms) or not all_finite(row, base_start, stop):
            continue
        values[i, 0] = rms
        values[i, 1] = peak_to_peak(row, start, stop, places[i, 2], places[i, 3])
        values[i, 2] = rectified_area(bridged[i], start, stop, level, 1.0 / per_ms)
        shift = math.floor(first_ms[i] * per_ms + 0.5)
        if first_ms[i] <= -50.0 and start + shift >= 0 and stop + shift <= onset:
            values[i, 3] = peak_to_peak(row, start + shift, stop + shift, places[i, 0], places[i, 1])
        noise_and_range(bridged[i], level, base_start, base_stop, start, stop, taps, per_ms, smoothed[i])
        base = row[base_start:base_stop].astype(np.float64)
        recorded[i, 0], recorded[i, 1] = describe_noise(base, per_ms)
        recorded[i, 2] = values[i, 1]


@compiled
def all_finite(row: SamplesUv, start: int, stop: int) -> bool:
    """Whether the samples from ``start`` to ``stop`` - 1 are all finite."""
    total = 0.0
    for k in range(start, stop):
        total += abs(row[k])
    return math.isfinite(total)


@compiled
def count_clipped(row: SamplesUv, start: int, stop: int, places: Array, low_uv: float, high_uv: float) -> int:
    """Number of samples at either end of the converter's range, those of the artifacts left out."""
    if math.isinf(low_uv) and math.isinf(high_uv):
        return 0
    count = 0
    for k in range(start, stop):
        if row[k] <= low_uv or row[k] >= high_uv:
            if places[0] <= k < places[1] or places[2] <= k < places[3]:
                continue
            count += 1
    return count
