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

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled
from decussa.measuring.filters import smooth_stretch
from decussa.measuring.noise import effective_samples
from decussa.measuring.size_table import DENSITIES, RANGES, size_table
from decussa.measuring.stretch import extremes, lean_about, mean_of, power_about
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
def noise_and_range(
    row: SamplesUv, level: float, base_start: int, base_stop: int, start: int, stop: int, taps: NDArray[np.float32],
    samples_per_ms: float, facts: Array,
) -> None:  # fmt: skip
    """Fill ``facts`` with noise RMS, independent samples per ms, peak-to-peak in the window and range of the baseline.

    All are those of the sweep smoothed about its ``level``.
    """
    smooth = np.empty(max(base_stop - base_start, stop - start), dtype=np.float32)
    base = smooth[: base_stop - base_start]
    smooth_stretch(row, level, base_start, base_stop, taps, base)
    facts[0], facts[1] = describe_noise(base, samples_per_ms)
    low, high = extremes(base)
    facts[3] = np.float64(high) - np.float64(low)
    window = smooth[: stop - start]
    smooth_stretch(row, level, start, stop, taps, window)
    low, high = extremes(window)
    facts[2] = np.float64(high) - np.float64(low)


@compiled
def describe_noise(base: SamplesUv, samples_per_ms: float) -> tuple[float, float]:
    """RMS of the noise about its mean, and how many independent samples one ms of it holds."""
    mean = mean_of(base)
    power = power_about(base, mean)
    if not power > 0.0:
        return 0.0, samples_per_ms
    correlation = min(0.9999, max(0.0, lean_about(base, mean) / power))
    return math.sqrt(power / base.size), (effective_samples(correlation, 2.0) - 1.0) * samples_per_ms


def tables_for(densities: Array, window_ms: float, baseline_ms: float) -> Array:
    """Return the tables that these noise densities need, shape (len(DENSITIES), len(RANGES), 4); the others stay NaN."""
    tables = np.full((DENSITIES.size, RANGES.size, 4), np.nan)
    known = densities[np.isfinite(densities)]
    places = np.clip((np.log(np.maximum(known, DENSITIES[0])) - _LOG_FIRST) / _LOG_STEP, 0, DENSITIES.size - 1 - 1e-9)
    rows = np.unique(places.astype(np.int64))
    for row in np.union1d(rows, rows + 1):
        tables[row] = size_table(window_ms, baseline_ms, int(row))
    return tables


def prepare_tables(window_ms: float, baseline_ms: float) -> None:
    """Work out every table that sweeps of these lengths can need, so that none waits for its own; takes seconds."""
    for row in range(DENSITIES.size):
        size_table(window_ms, baseline_ms, row)


@compiled
def read_table(facts: Array, tables: Array, found: Array) -> None:
    """Fill ``found`` with size, low, high (uV) and probability for noise RMS, density and peak-to-peak in ``facts``."""
    rms, density, height = facts[0], facts[1], facts[2]
    if not rms > 0.0:
        found[:3] = height
        found[3] = 1.0 if height > 0.0 else 0.0
        return
    place = (math.log(max(density, DENSITIES[0])) - _LOG_FIRST) / _LOG_STEP
    place = min(place, DENSITIES.size - 1 - 1e-9)
    row = int(place)
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


@compiled
def estimate_sizes(smoothed: Array, recorded: Array, expected: Array, tables: Array, found: Array) -> None:
    """Fill ``found`` with size, low, high (uV) and probability of a response for every sweep.

    ``smoothed`` and ``recorded`` hold noise RMS, density and peak-to-peak of each sweep with and without smoothing, ``smoothed``
    the range of the baseline too, and ``expected`` what that range would be in normal noise. NaN gives NaN.
    """
    other = np.empty(4)
    for i in range(found.shape[0]):
        found[i] = np.nan
        if not (math.isfinite(smoothed[i, 0]) and math.isfinite(smoothed[i, 2]) and math.isfinite(recorded[i, 2])):
            continue
        read_table(smoothed[i], tables, found[i])
        found[i, 2] += LOSS * found[i, 0]
        if smoothed[i, 3] > expected[i] > 0.0:
            # spikier than normal noise: for the probability it counts as loud as its own range says
            loud = smoothed[i].copy()
            loud[0] *= smoothed[i, 3] / expected[i]
            read_table(loud, tables, other)
            found[i, 3] = other[3]
        ratio = recorded[i, 2] / recorded[i, 0] if recorded[i, 0] > 0.0 else MIX_TO
        share = min(1.0, math.log(max(ratio, MIX_FROM) / MIX_FROM) / math.log(MIX_TO / MIX_FROM))
        if share > 0.0:
            read_table(recorded[i], tables, other)
            for k in range(3):
                found[i, k] += share * (other[k] - found[i, k])
