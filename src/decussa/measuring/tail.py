"""The slow tail that an artifact may leave: an exponential return to the level before the pulse, removed where it is clear.

The tail is read between the end of the artifact and the earliest response, so that a response is never taken for one. For
each of a few time constants the height follows by least squares; the curves are averaged by their likelihood. The tail
counts as clear where it explains far more than the same fit does at places of the baseline where no pulse was: a slow wave of
the heart, mains or a drift steps there as well. Common practice, no source.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled, fused
from decussa.measuring.stretch import mean_of
from decussa.model.sweep import SamplesUv

#: Time constants that are tried, in ms.
TAUS_MS = np.array([2.0, 3.5, 6.0, 10.0, 18.0, 32.0, 56.0])
#: Stretch before the pulse that gives the level to return to, in ms, and how close to the pulse it may come.
LEVEL_MS = 20.0
LEVEL_END_MS = 0.5
#: Shortest stretch between artifact and response that a tail can be read from, in ms.
SHORTEST_MS = 2.0
#: Least gain in log likelihood, and how many times the largest gain in the baseline it must be.
LEAST_GAIN = 8.0
GAIN_RATIO = 2.0
#: Places in the baseline that the gain is held against.
PLACES = 5
#: So many of the longest time constants after its start nothing is left of a tail.
OVER = 25.0


@lru_cache(maxsize=8)
def tail_ratios(rate_hz: float) -> NDArray[np.float64]:
    """Return what is left of a tail from one sample to the next, for each of ``TAUS_MS``."""
    ratios = np.exp(-1e3 / rate_hz / TAUS_MS)
    ratios.setflags(write=False)
    return ratios


@compiled
def remove_tail(
    row: SamplesUv,
    first_pulse: int,
    end: int,
    response: int,
    base_start: int,
    rms: float,
    step_rms: float,
    per_ms: float,
    ratios: NDArray[np.float64],
) -> float:
    """Take the tail away from ``row`` from sample ``end`` on; return its height there in uV, 0 where none is clear.

    ``first_pulse`` is where the first artifact starts, ``response`` the earliest sample of a response; ``rms`` and ``step_rms``
    describe the noise.
    """
    length = response - end
    level_length = int(LEVEL_MS * per_ms)
    level_stop = first_pulse - int(LEVEL_END_MS * per_ms)
    if length < SHORTEST_MS * per_ms or level_stop - level_length < base_start or not rms > 0.0:
        return 0.0
    # neighbours that lean on each other count as fewer: variance times (1 + r) / (1 - r), r from the steps
    correlation = min(0.99, max(0.0, 1.0 - 0.5 * (step_rms / rms) ** 2))
    variance = rms * rms * (1.0 + correlation) / (1.0 - correlation)
    gap = end - first_pulse
    room = level_stop - base_start - level_length - gap - length
    heights, gains = np.empty(ratios.size), np.empty(ratios.size)
    best = fit_tail(row, level_stop - level_length, level_stop, end, length, variance, ratios, heights, gains)
    if room < 0 or best < LEAST_GAIN:
        return 0.0
    no_heights, no_gains = np.empty(ratios.size), np.empty(ratios.size)
    for place in range(PLACES):
        stop = base_start + level_length + room * place // (PLACES - 1)
        chance = fit_tail(
            row, stop - level_length, stop, stop + gap, length, variance, ratios, no_heights, no_gains
        )  # fmt: skip
        if best < GAIN_RATIO * chance:
            return 0.0
    whole = 0.0
    for j in range(ratios.size):
        gains[j] = math.exp(gains[j] - best)
        whole += gains[j]
    height = 0.0
    for j in range(ratios.size):
        heights[j] *= gains[j] / whole
        height += heights[j]
    take_away(row[end:], heights, ratios, int(OVER * TAUS_MS[-1] * per_ms))
    return height


@compiled
def take_away(rest: SamplesUv, heights: NDArray[np.float64], ratios: NDArray[np.float64], length: int) -> None:
    """Take the tails of all ``heights`` away from the first ``length`` samples of ``rest``; ``heights`` fall along with them."""
    for k in range(min(length, rest.size)):
        total = 0.0
        for j in range(ratios.size):
            total += heights[j]
            heights[j] *= ratios[j]
        rest[k] -= total


@compiled
def fit_tail(
    row: SamplesUv, level_start: int, level_stop: int, start: int, length: int, variance: float,
    ratios: NDArray[np.float64], heights: NDArray[np.float64], gains: NDArray[np.float64],
) -> float:  # fmt: skip
    """Fill height at ``start`` and gain in log likelihood for every time constant; return the largest gain."""
    level = mean_of(row[level_start:level_stop])
    sum_products(row[start : start + length], level, ratios, heights)
    best = 0.0
    for j in range(ratios.size):
        square = ratios[j] * ratios[j]
        power = (1.0 - square**length) / (1.0 - square)
        together = heights[j]
        heights[j] = together / power
        gains[j] = 0.5 * together * heights[j] / variance
        best = max(best, gains[j])
    return best


@fused
def sum_products(stretch: SamplesUv, level: float, ratios: NDArray[np.float64], together: NDArray[np.float64]) -> None:
    """Fill the sum of the products of each curve and the deviation from ``level``: Horner's rule, from the last sample on."""
    for j in range(ratios.size):
        together[j] = 0.0
    for k in range(stretch.size - 1, -1, -1):
        deviation = np.float64(stretch[k]) - level
        for j in range(ratios.size):
            together[j] = together[j] * ratios[j] + deviation
