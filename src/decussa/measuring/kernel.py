"""The one pass over a block of sweeps that bridges artifacts and gives every quantity read off the samples directly.

Each sweep is measured on its own, in one order of operations, so that it gives the same numbers alone, in a batch and in any
chunk, bit for bit.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.amplitude import peak_to_peak
from decussa.measuring.area import rectified_area
from decussa.measuring.artifact import Bounds, bridge_sweep
from decussa.measuring.background import baseline_span, mean_and_rms
from decussa.measuring.classical_onsets import THRESHOLD_SD, find_run
from decussa.measuring.classical_silences import THREE_SD, chart_of
from decussa.measuring.compiled import compiled
from decussa.measuring.size import describe_noise, noise_and_range
from decussa.measuring.stretch import all_finite
from decussa.model.sweep import SamplesUv

Array = NDArray[np.float64]


class Readings(NamedTuple):
    """What the pass fills, one row per sweep: plain readings and what the size is worked out from.

    ``values`` holds background RMS, amplitude, area and first amplitude; ``smoothed`` and ``recorded`` noise RMS, density of
    independent samples and peak-to-peak, ``smoothed`` the range of the baseline too; ``clipped`` the number of clipped samples;
    ``places`` start and end of the artifacts of the first and the test pulse and the lag between them, in samples.
    """

    values: Array
    smoothed: Array
    recorded: Array
    clipped: NDArray[np.int64]
    places: Array


def blank_readings(n_sweeps: int) -> Readings:
    """Return readings with nothing read yet."""
    return Readings(
        np.full((n_sweeps, 4), np.nan),
        np.full((n_sweeps, 4), np.nan),
        np.full((n_sweeps, 3), np.nan),
        np.zeros(n_sweeps, dtype=np.int64),
        np.full((n_sweeps, 5), np.nan),
    )


@compiled
def read_block(
    samples: SamplesUv, bridged: SamplesUv, rate_hz: float, onset: int, window_ms: tuple[float, float],
    baseline_ms: tuple[float, float], isi: Array, bounds: Bounds, taps: NDArray[np.float32], curves: NDArray[np.float32],
    readings: Readings,
) -> None:  # fmt: skip
    """Bridge and read every sweep of ``samples``; a ``bridged`` with fewer rows than sweeps is written over again and again."""
    for i in range(samples.shape[0]):
        wave = bridged[i % bridged.shape[0]]
        wave[:] = samples[i]
        bridge_sweep(wave, rate_hz, onset, isi[i], bounds, curves, readings.places[i])
        first_ms = 0.0 if math.isnan(isi[i]) else -isi[i]
        read_sweep(i, samples[i], wave, rate_hz, onset, window_ms, baseline_ms, first_ms, bounds, taps, readings)


@compiled
def read_block_classically(
    samples: SamplesUv, wave: SamplesUv, rate_hz: float, onset: int, window_ms: tuple[float, float],
    baseline_ms: tuple[float, float], isi: Array, bounds: Bounds, taps: NDArray[np.float32], curves: NDArray[np.float32],
    readings: Readings, run: int, runs: Array, limits: Array,
) -> None:  # fmt: skip
    """The same in one go with onset and end by the published threshold, and the lower limit of the published chart.

    ``wave`` is room for one sweep; ``runs`` has shape (n_sweeps, 2), ``limits`` one number per sweep or no size.
    """
    for i in range(samples.shape[0]):
        first_ms = 0.0 if math.isnan(isi[i]) else -isi[i]
        wave[:] = samples[i]
        bridge_sweep(wave, rate_hz, onset, isi[i], bounds, curves, readings.places[i])
        read_sweep(i, samples[i], wave, rate_hz, onset, window_ms, baseline_ms, first_ms, bounds, taps, readings)
        end = readings.places[i, 3]
        end_ms = 0.0 if math.isnan(end) else (end - onset) * (1e3 / rate_hz)
        find_run(wave, rate_hz, onset, window_ms, baseline_ms, end_ms, first_ms, THRESHOLD_SD, run, runs[i])
        if limits.size > 0:
            limits[i] = chart_of(wave, rate_hz, onset, baseline_ms, first_ms, THREE_SD)[3]


@compiled
def read_sweep(
    i: int, row: SamplesUv, wave: SamplesUv, rate_hz: float, onset: int, window_ms: tuple[float, float],
    baseline_ms: tuple[float, float], first_ms: float, bounds: Bounds, taps: NDArray[np.float32], readings: Readings,
) -> None:  # fmt: skip
    """Fill line ``i`` of ``readings`` from one sweep, ``row`` as recorded and ``wave`` bridged."""
    per_ms = rate_hz / 1e3
    start = math.floor(onset + window_ms[0] * per_ms + 0.5)
    stop = math.floor(onset + window_ms[1] * per_ms + 0.5) + 1
    base_start, base_stop = baseline_span(row.size, rate_hz, onset, baseline_ms, first_ms)
    places, values, recorded = readings.places[i], readings.values[i], readings.recorded[i]
    readings.clipped[i] = count_clipped(row, base_start, stop, places, bounds.low_uv, bounds.high_uv)
    if base_stop - base_start < 2 or not all_finite(row[base_start:stop]):
        return
    level, values[0] = mean_and_rms(row, base_start, base_stop)
    values[1] = peak_to_peak(row, start, stop, places[2], places[3])
    values[2] = rectified_area(wave, start, stop, level, 1.0 / per_ms)
    shift = math.floor(first_ms * per_ms + 0.5)
    if first_ms <= -50.0 and start + shift >= 0 and stop + shift <= onset:
        values[3] = peak_to_peak(row, start + shift, stop + shift, places[0], places[1])
    noise_and_range(wave, level, base_start, base_stop, start, stop, taps, per_ms, readings.smoothed[i])
    recorded[0], recorded[1] = describe_noise(row[base_start:base_stop], per_ms)
    recorded[2] = values[1]


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
