"""The size of a response freed of what noise adds to its peak-to-peak, with an interval, and the probability that there is one.

Noise always adds to a peak-to-peak, so ten noisy microvolts RMS look like a response of 50. The sweep is smoothed by sliding
polynomials (``filters``), which leave surface responses as they are and take the noise above them away; its peak-to-peak is then
held against the distribution it would have for a response of any size in the noise of the same sweep's baseline
(``size_table``). ``size_uv`` is the size for which the observed peak-to-peak would be the median; the interval holds every size
for which it lies within the central 95 %; all may be 0. A response that stands far above the noise needs no smoothing, and is
measured without, so that sharp ones keep their peaks; in between the two are mixed. ``response_p`` weighs no response against
sizes spread evenly in their logarithm from 1 to 1000 noise RMS, both equally likely before; where the baseline spans more than
normal noise of its RMS would, as that of few motor units does, its range counts for the noise and not its RMS.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled
from decussa.measuring.extent import span_of
from decussa.measuring.filters import smooth_stretch
from decussa.measuring.moments import moments
from decussa.measuring.noise import independence, known_means, mean_range
from decussa.measuring.readings import (
    AMPLITUDE,
    BACKGROUND,
    DENSITY,
    SMOOTH_AMPLITUDE,
    SMOOTH_BASELINE,
    SMOOTH_DENSITY,
    SMOOTH_RMS,
)
from decussa.measuring.size_table import DENSITIES, RANGES, size_table
from decussa.model.sweep import SamplesUv

Array = NDArray[np.float64]

#: Peak-to-peaks, in RMS of the recorded noise, from where on the smoothed one counts less, and not at all.
MIX_FROM, MIX_TO = 30.0, 100.0
#: What smoothing may take off a sharp response, as a share of its size: widens the upper end.
LOSS = 0.02

_LOG_FIRST = math.log(DENSITIES[0])
_LOG_STEP = math.log(DENSITIES[1] / DENSITIES[0])
_LAST = RANGES.size - 1
_RANGE_STEP = float(RANGES[1] - RANGES[0])


@compiled
def read_smoothed(
    row: SamplesUv, level: float, base_start: int, base_stop: int, start: int, stop: int, taps: NDArray[np.float32],
    samples_per_ms: float, line: Array,
) -> None:  # fmt: skip
    """Fill what ``line`` holds of the sweep smoothed about its ``level``: noise, peak-to-peak, range of the baseline."""
    smooth = np.empty(max(base_stop - base_start, stop - start), dtype=np.float32)
    base = smooth[: base_stop - base_start]
    smooth_stretch(row, level, base_start, base_stop, taps, base)
    _, line[SMOOTH_RMS], line[SMOOTH_DENSITY] = describe_noise(base, samples_per_ms)
    line[SMOOTH_BASELINE] = span_of(base)
    window = smooth[: stop - start]
    smooth_stretch(row, level, start, stop, taps, window)
    line[SMOOTH_AMPLITUDE] = span_of(window)


@compiled
def describe_noise(base: SamplesUv, samples_per_ms: float) -> tuple[float, float, float]:
    """Mean of the baseline, RMS of the noise about it, and how many independent samples one ms of it holds."""
    mean, power, lean = moments(base)
    if not power > 0.0:
        return mean, 0.0, samples_per_ms
    correlation = min(0.9999, max(0.0, lean / power))
    return mean, math.sqrt(power / base.size), independence(correlation) * samples_per_ms


def sizes_of(readings: Array, window_ms: float, baseline_ms: float) -> Array:
    """Return size, low, high (uV), probability of a response and range of the noise (uV), shape (n_sweeps, 5).

    ``readings`` are those of the same sweeps. NaN where there is no reading.
    """
    tables = _tables(window_ms, baseline_ms)
    found = np.full((readings.shape[0], 5), np.nan)
    while (missing := estimate_sizes(readings, window_ms, baseline_ms, known_means(), tables, found)) >= 0:
        tables[missing] = size_table(window_ms, baseline_ms, missing)
    return found


@lru_cache(maxsize=32)
def _tables(_window_ms: float, _baseline_ms: float) -> Array:
    """Room for the tables of all ``DENSITIES``: each filled when first needed, by any thread with the same numbers."""
    return np.full((DENSITIES.size, RANGES.size, 4), np.nan)


def prepare_tables(window_ms: float, baseline_ms: float) -> None:
    """Work out every table that sweeps of these lengths can need, so that none waits for its own; takes seconds."""
    for row in range(DENSITIES.size):
        size_table(window_ms, baseline_ms, row)


@compiled
def read_table(rms: float, density: float, height: float, tables: Array, found: Array) -> int:
    """Fill ``found`` with size, low, high (uV) and probability for noise RMS, density and peak-to-peak.

    Returns the row of a table that is still missing, with nothing filled, or -1.
    """
    if not rms > 0.0:
        for k in range(3):
            found[k] = height
        found[3] = 1.0 if height > 0.0 else 0.0
        return -1
    place = (math.log(max(density, DENSITIES[0])) - _LOG_FIRST) / _LOG_STEP
    place = min(place, DENSITIES.size - 1 - 1e-9)
    row = int(place)
    for needed in (row, row + 1):
        if math.isnan(tables[needed, 0, 0]):
            return needed
    part = place - row
    reach = min(height / rms / _RANGE_STEP, _LAST - 1e-9)
    cell = int(reach)
    inside = reach - cell
    for k in range(4):
        below = (1 - inside) * tables[row, cell, k] + inside * tables[row, cell + 1, k]
        above = (1 - inside) * tables[row + 1, cell, k] + inside * tables[row + 1, cell + 1, k]
        found[k] = (1 - part) * below + part * above
    beyond = height / rms / RANGES[_LAST]
    if beyond > 1.0:
        # far above the noise its peaks gain in inverse proportion to the size, while the doubt stays the same
        added = RANGES[_LAST] - found[0]
        shift = height / rms - added / beyond - found[0]
        for k in range(3):
            found[k] += shift
    for k in range(3):
        found[k] = max(0.0, found[k]) * rms
    return -1


@compiled
def estimate_sizes(
    readings: Array, window_ms: float, baseline_ms: float, means: Array, tables: Array, found: Array
) -> int:
    """Fill size, low, high (uV), probability of a response and range of the noise (uV) of every sweep.

    ``readings`` hold noise and peak-to-peak of each sweep with and without smoothing (``readings``). NaN, which ``found`` holds,
    stays where there is no reading. Returns the row of a table that is missing, where it stops, or -1.
    """
    other = np.empty(4)
    for i in range(found.shape[0]):
        line, sizes = readings[i], found[i]
        sizes[4] = line[BACKGROUND] * mean_range(1.0 + line[DENSITY] * window_ms, means)
        rms, density, height = line[SMOOTH_RMS], line[SMOOTH_DENSITY], line[SMOOTH_AMPLITUDE]
        if not (math.isfinite(rms) and math.isfinite(height) and math.isfinite(line[AMPLITUDE])):
            continue
        missing = read_table(rms, density, height, tables, sizes)
        sizes[2] += LOSS * sizes[0]
        expected = rms * mean_range(1.0 + density * baseline_ms, means)
        if missing < 0 and line[SMOOTH_BASELINE] > expected > 0.0:
            # spikier than normal noise: for the probability it counts as loud as its own range says
            missing = read_table(rms * (line[SMOOTH_BASELINE] / expected), density, height, tables, other)
            sizes[3] = other[3]
        ratio = line[AMPLITUDE] / line[BACKGROUND] if line[BACKGROUND] > 0.0 else MIX_TO
        share = min(1.0, math.log(max(ratio, MIX_FROM) / MIX_FROM) / math.log(MIX_TO / MIX_FROM))
        if missing < 0 and share > 0.0:
            missing = read_table(line[BACKGROUND], line[DENSITY], line[AMPLITUDE], tables, other)
            for k in range(3):
                sizes[k] += share * (other[k] - sizes[k])
        if missing >= 0:
            return missing
    return -1
