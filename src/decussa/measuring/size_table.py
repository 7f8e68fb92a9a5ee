"""How large a true response is when its peak-to-peak in noise is known: the tables behind ``size``.

For a true size s the largest sample of the window stays below a level with a probability that follows from a two-phase shape
of that size plus Gaussian noise whose neighbours lean on each other; the smallest does alike, and both together give the
distribution of the peak-to-peak r. Read the other way round it gives the s for which r is the median, the s for which r is at
either end of the central 95 %, and, held against no response at all, the probability that there is one. The noise RMS is
known only as well as the baseline tells, so the distribution is mixed over that doubt. Everything is in noise RMS.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled
from decussa.measuring.noise import independence, upper_tail

Array = NDArray[np.float64]

LEVEL = 0.95
#: Span of sizes that count as a response, in noise RMS.
LEAST, MOST = 1.0, 1000.0
#: The two-phase shape is one cycle of a sine under a bell, of each of these lengths alike (common practice, no source).
LENGTHS_MS = (8.0, 13.0, 21.0)
LONGEST_STEP_MS = 0.5
#: Independent samples of noise per ms for which there are tables.
DENSITIES = np.geomspace(0.2, 20.0, 14)
#: Peak-to-peaks and sizes in noise RMS; beyond, everything grows in step.
RANGES = np.linspace(0.0, 40.0, 201)
SIZES = np.concatenate([np.linspace(0.0, 10.0, 41)[:-1], np.geomspace(10.0, 80.0, 36)])
#: Wider than the table, so that its far end is as exact as the rest.
_WIDE = np.linspace(0.0, 70.0, 351)
_LEVELS = np.linspace(-3.0, 50.0, 266)
#: So many standard deviations below the peak no sample of it stays.
HOPELESS = 7.0
_NODES, _NODE_WEIGHTS = np.polynomial.legendre.leggauss(20)
#: Three places and weights that stand for a normal distribution (Gauss-Hermite).
_PLACES = np.array([-math.sqrt(3), 0.0, math.sqrt(3)])
_WEIGHTS = np.array([1 / 6, 2 / 3, 1 / 6])


@lru_cache(maxsize=256)
def size_table(window_ms: float, baseline_ms: float, row: int) -> Array:
    """Return size, its low and high end (in noise RMS) and the probability of a response, for each of ``RANGES``.

    Sizes below 0 stand for 0.

    Parameters
    ----------
    window_ms, baseline_ms : float
        Length of the window of the response, and of the baseline that the noise is known from.
    row : int
        Which of ``DENSITIES`` the noise has.
    """
    density = float(DENSITIES[row])
    below = range_distribution(window_ms, density, 0.5 * density * baseline_ms)
    table = np.empty((RANGES.size, 4))
    for column, part in enumerate((0.5, 0.5 + 0.5 * LEVEL, 0.5 - 0.5 * LEVEL)):
        zero = float(np.interp(part, below[0], RANGES))
        sizes = np.array([np.interp(-part, -by_size, SIZES) for by_size in below.T])
        # goes on below 0 in a straight line, so that between two entries 0 is reached where it should be
        table[:, column] = np.where(zero <= RANGES, sizes, RANGES - zero)
    table[:, 3] = response_probability(below)
    table.setflags(write=False)
    return table


def range_distribution(window_ms: float, density: float, freedom: float) -> Array:
    """Return P(range <= r | size) on ``SIZES`` x ``RANGES``; the noise RMS has ``freedom`` degrees of freedom."""
    known = _distribution_of_known_noise(window_ms, density)
    spread = 1.0 / math.sqrt(2.0 * max(freedom, 2.0))
    mixed = np.zeros((SIZES.size, RANGES.size))
    for place, weight in zip(_PLACES, _WEIGHTS, strict=True):
        scale = math.exp(spread * place)
        by_range = np.array([np.interp(RANGES / scale, _WIDE, line) for line in known])
        mixed += weight * np.array([np.interp(SIZES / scale, SIZES, line) for line in by_range.T]).T
    return mixed


def _distribution_of_known_noise(window_ms: float, density: float) -> Array:
    """P(range <= r | size) on ``SIZES`` x ``_WIDE``, over responses of all lengths."""
    step_ms = min(LONGEST_STEP_MS, 1.0 / density)
    correlation = correlation_of_steps(density * step_ms)
    mixed = np.zeros((SIZES.size, _WIDE.size))
    below = np.empty((SIZES.size, _LEVELS.size))
    for length_ms in LENGTHS_MS:
        times = np.arange(0.5 * step_ms, length_ms, step_ms) / length_ms
        shape = np.sin(2 * math.pi * times) * np.sin(math.pi * times) ** 2
        stay_below(SIZES, _LEVELS, shape / np.ptp(shape), correlation, max(window_ms - length_ms, 0.0) * density, below)
        mixed += _range_of_both_ends(below) / len(LENGTHS_MS)
    return mixed


def _range_of_both_ends(below: Array) -> Array:
    """P(max - min <= r) on ``SIZES`` x ``_WIDE``, where the largest and minus the smallest are alike and independent."""
    mass = np.diff(below, axis=1, prepend=0.0)
    centre = _LEVELS - 0.5 * (_LEVELS[1] - _LEVELS[0])
    ranges = np.empty((SIZES.size, _WIDE.size))
    for i in range(SIZES.size):
        keep = mass[i] > 1e-7
        other = np.interp(_WIDE[:, None] - centre[None, keep], _LEVELS, below[i], left=0.0, right=1.0)
        ranges[i] = other @ mass[i, keep] / mass[i, keep].sum()
    return ranges


def correlation_of_steps(samples_per_step: float) -> float:
    """Return the correlation at which one step counts as so many (at most 1) independent samples."""
    wanted = samples_per_step
    low, high = 0.0, 1.0 - 1e-9
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if independence(middle) > wanted else (low, middle)
    return low


@compiled
def stay_below(sizes: Array, levels: Array, shape: Array, correlation: float, rest: float, out: Array) -> None:
    """Fill ``out`` with P(all samples <= level) for every size of the shape: a chain of neighbours that know only each other."""
    highest = shape[0]
    for k in range(shape.size):
        highest = max(highest, shape[k])
    for i in range(sizes.size):
        for j in range(levels.size):
            level = levels[j]
            out[i, j] = 0.0
            if level < sizes[i] * highest - HOPELESS:
                continue
            chance = (1.0 - upper_tail(level)) ** rest
            first = level - sizes[i] * shape[0]
            chance *= 1.0 - upper_tail(first)
            for k in range(1, shape.size):
                if chance < 1e-12:
                    break
                second = level - sizes[i] * shape[k]
                if first < 7.0 or second < 7.0:
                    alone = 1.0 - upper_tail(first)
                    chance *= min(1.0, both_below(first, second, correlation) / max(alone, 1e-300))
                first = second
            out[i, j] = chance


@compiled
def both_below(first: float, second: float, correlation: float) -> float:
    """P(X <= first, Y <= second) of two standard normals: Phi Phi plus an integral over the correlation.

    Plackett 1954, Biometrika 41:351, doi 10.1093/biomet/41.3-4.351.
    """
    top = math.asin(correlation)
    total = 0.0
    for k in range(20):
        angle = 0.5 * top * (_NODES[k] + 1.0)
        total += _NODE_WEIGHTS[k] * math.exp(
            -(first * first + second * second - 2.0 * first * second * math.sin(angle)) / (2.0 * math.cos(angle) ** 2)
        )
    product = (1.0 - upper_tail(first)) * (1.0 - upper_tail(second))
    return product + total * 0.5 * top / (2.0 * math.pi)


def response_probability(below: Array) -> Array:
    """Return P(response | range) on ``RANGES`` from P(range <= r | size); never falls as the range grows."""
    density = np.gradient(below, RANGES, axis=1)
    sizes = np.geomspace(LEAST, MOST, 200)
    inside = sizes[sizes <= SIZES[-1]]
    response = np.array([np.interp(inside, SIZES, line).sum() for line in density.T]) / sizes.size
    nothing = density[0]
    top = int(np.argmax(nothing))
    probability = np.where(nothing > 1e-9, response / (response + nothing + 1e-300), 1.0)
    probability[:top] = probability[top]
    return np.maximum.accumulate(probability)
