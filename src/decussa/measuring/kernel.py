"""The one pass over a block of sweeps that bridges artifacts and gives every quantity read off the samples directly.

Each sweep is measured on its own, in one order of operations, so that it gives the same numbers alone, in a batch and in any
chunk, bit for bit.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.amplitude import peak_to_peak
from decussa.measuring.area import rectified_area
from decussa.measuring.artifact import SETTLED_MS, bridge_sweep
from decussa.measuring.artifact_search import Bounds
from decussa.measuring.background import baseline_span
from decussa.measuring.classical_onsets import THRESHOLD_SD, find_run, rule_baseline
from decussa.measuring.classical_silences import THREE_SD, bin_edges, bins_before, chart_silence, fill_bins, lower_limit
from decussa.measuring.compiled import compiled
from decussa.measuring.readings import (
    AMPLITUDE,
    AREA,
    BACKGROUND,
    CLIPPED,
    DENSITY,
    FIRST_AMPLITUDE,
    FIRST_END,
    FIRST_START,
    LONE_END,
    LONE_START,
    RUN_END,
    RUN_START,
    SILENCE_END,
    SILENCE_START,
    TEST_END,
    TEST_START,
)
from decussa.measuring.size import describe_noise, read_smoothed
from decussa.measuring.stretch import all_finite, mean_of
from decussa.model.sweep import SamplesUv

Array = NDArray[np.float64]


@compiled
def read_block(
    samples: SamplesUv, bridged: SamplesUv, rate_hz: float, onset: int, window_ms: tuple[float, float],
    baseline_ms: tuple[float, float], isi: Array, bounds: Bounds, taps: NDArray[np.float32], ratios: Array, readings: Array,
) -> None:  # fmt: skip
    """Bridge and read every sweep of ``samples``; a ``bridged`` with fewer rows than sweeps is written over again and again."""
    for i in range(samples.shape[0]):
        wave = bridged[i % bridged.shape[0]]
        bridge_sweep(samples[i], wave, rate_hz, onset, isi[i], bounds, ratios, readings[i])
        read_sweep(samples[i], wave, rate_hz, onset, window_ms, baseline_ms, isi[i], bounds, taps, readings[i])


@compiled
def read_block_classically(
    samples: SamplesUv, wave: SamplesUv, rate_hz: float, onset: int, window_ms: tuple[float, float],
    baseline_ms: tuple[float, float], isi: Array, bounds: Bounds, taps: NDArray[np.float32], ratios: Array, readings: Array,
    run: int, silent_run: int,
) -> None:  # fmt: skip
    """The same in one go with onset and end by the published threshold, and the silence by the published chart.

    ``wave`` is room for one sweep; ``run`` counts samples, ``silent_run`` bins, 0 looks for no silence. All but a silence needs
    the sweep up to the end of the window only.
    """
    per_ms = rate_hz / 1e3
    needed = onset + max(window_ms[1], 0.0) * per_ms + taps.size
    needed = max(needed, onset + SETTLED_MS * per_ms + 8.0)
    near = wave[: min(wave.size, int(needed) + 1)]
    edges = bin_edges(wave.size, rate_hz, onset)
    bins, before = np.empty(edges.size - 1), bins_before(rate_hz, onset)
    for i in range(samples.shape[0]):
        row, line = samples[i], readings[i]
        first_ms = 0.0 if math.isnan(isi[i]) else -isi[i]
        bridge_sweep(row, near, rate_hz, onset, isi[i], bounds, ratios, line)
        read_sweep(row, near, rate_hz, onset, window_ms, baseline_ms, isi[i], bounds, taps, line)
        begin, stop = rule_baseline(near.size, rate_hz, onset, baseline_ms, first_ms)
        if stop - begin < 2:
            continue
        baseline = near[begin:stop]
        level = mean_of(baseline)
        end_ms = 0.0 if math.isnan(line[TEST_END]) else (line[TEST_END] - onset) * (1e3 / rate_hz)
        found = line[RUN_START : RUN_END + 1]
        find_run(near, baseline, level, rate_hz, onset, window_ms, end_ms, THRESHOLD_SD, run, found)
        if silent_run == 0:
            continue
        low = lower_limit(near, level, edges, bins, before, baseline_ms, first_ms, THREE_SD)
        if low > 0.0:
            bridge_sweep(row, wave, rate_hz, onset, isi[i], bounds, ratios, line)
            fill_bins(wave, level, edges, bins)
            silence, lone = line[SILENCE_START : SILENCE_END + 1], line[LONE_START : LONE_END + 1]
            otherwise = max(window_ms[0], end_ms)
            response_ms = otherwise if math.isnan(line[RUN_END]) else line[RUN_END]
            chart_silence(bins, before, low, response_ms, silent_run, silence)
            chart_silence(bins, before, low, otherwise, silent_run, lone)


@compiled
def read_sweep(
    row: SamplesUv, wave: SamplesUv, rate_hz: float, onset: int, window_ms: tuple[float, float],
    baseline_ms: tuple[float, float], isi: float, bounds: Bounds, taps: NDArray[np.float32], line: Array,
) -> None:  # fmt: skip
    """Fill ``line`` from one sweep, ``row`` as recorded and ``wave`` bridged."""
    per_ms = rate_hz / 1e3
    first_ms = 0.0 if math.isnan(isi) else -isi
    start = math.floor(onset + window_ms[0] * per_ms + 0.5)
    stop = math.floor(onset + window_ms[1] * per_ms + 0.5) + 1
    base_start, base_stop = baseline_span(row.size, rate_hz, onset, baseline_ms, first_ms)
    line[CLIPPED] = count_clipped(row, base_start, stop, line, bounds.low_uv, bounds.high_uv)
    if base_stop - base_start < 2 or not all_finite(row[base_start:stop]):
        return
    level, line[BACKGROUND], line[DENSITY] = describe_noise(row[base_start:base_stop], per_ms)
    line[AMPLITUDE] = peak_to_peak(row, start, stop, line[TEST_START], line[TEST_END])
    line[AREA] = rectified_area(wave, start, stop, level, 1.0 / per_ms)
    shift = math.floor(first_ms * per_ms + 0.5)
    if first_ms <= -50.0 and start + shift >= 0 and stop + shift <= onset:
        line[FIRST_AMPLITUDE] = peak_to_peak(row, start + shift, stop + shift, line[FIRST_START], line[FIRST_END])
    read_smoothed(wave, level, base_start, base_stop, start, stop, taps, per_ms, line)


@compiled
def count_clipped(row: SamplesUv, start: int, stop: int, places: Array, low_uv: float, high_uv: float) -> int:
    """Number of samples at either end of the converter's range, those of the artifacts left out."""
    if math.isinf(low_uv) and math.isinf(high_uv):
        return 0
    count = 0
    for k in range(start, stop):
        if row[k] <= low_uv or row[k] >= high_uv:
            if places[FIRST_START] <= k < places[FIRST_END] or places[TEST_START] <= k < places[TEST_END]:
                continue
            count += 1
    return count
