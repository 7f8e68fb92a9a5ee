"""The slow tail that an artifact may leave: an exponential return to the level before the pulse, removed where it is clear.

The tail is read between the end of the artifact and the earliest response, so that a response is never taken for one. For
each of a few time constants the height follows by least squares; the curves are averaged by their likelihood. The tail
counts as clear where it explains far more than the same fit does at places of the baseline where no pulse was: a slow wave of
the heart, mains or a drift steps there as well. Common practice, no source.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled, regrouped
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


@lru_cache(maxsize=8)
def tail_curves(rate_hz: float, n_samples: int) -> NDArray[np.float32]:
    """Return what is left of a tail of height 1 after so many samples, shape (time constants, n_samples)."""
    curves = np.array(np.exp(-np.arange(n_samples) * (1e3 / rate_hz) / TAUS_MS[:, None]), dtype=np.float32)
    curves.setflags(write=False)
    return curves


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
    curves: NDArray[np.float32],
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
    heights, gains = np.empty(TAUS_MS.size), np.empty(TAUS_MS.size)
    gap = end - first_pulse
    room = level_stop - base_start - level_length - gap - length
    fit_tail(row, level_stop - level_length, level_stop, end, length, variance, curves, heights, gains)
    best = gains.max()
    if room < 0 or best < LEAST_GAIN:
        return 0.0
    no_heights, no_gains = np.empty(TAUS_MS.size), np.empty(TAUS_MS.size)
    for place in range(PLACES):
        stop = base_start + level_length + room * place // (PLACES - 1)
        fit_tail(row, stop - level_length, stop, stop + gap, length, variance, curves, no_heights, no_gains)
        if best < GAIN_RATIO * no_gains.max():
            return 0.0
    weights = np.exp(gains - best)
    weights /= weights.sum()
    take_away(row[end:], weights * heights, curves)
    return float((weights * heights).sum())


@regrouped
def take_away(rest: SamplesUv, heights: NDArray[np.float64], curves: NDArray[np.float32]) -> None:
    """Take the sum of all curves with their ``heights`` away from ``rest``."""
    total = np.zeros(rest.size, dtype=np.float32)
    for j in range(heights.size):
        height = np.float32(heights[j])
        curve = curves[j, : rest.size]
        for k in range(rest.size):
            total[k] += height * curve[k]
    for k in range(rest.size):
        rest[k] -= total[k]


@compiled
def fit_tail(
    row: SamplesUv, level_start: int, level_stop: int, start: int, length: int, variance: float,
    curves: NDArray[np.float32], heights: NDArray[np.float64], gains: NDArray[np.float64],
) -> None:  # fmt: skip
    """Fill height at ``start`` and gain in log likelihood for every time constant."""
    level = mean_of(row[level_start:level_stop])
    stretch = row[start : start + length]
    for j in range(TAUS_MS.size):
        together, power = fit_curve(stretch, level, curves[j, :length])
        heights[j] = together / power
        gains[j] = 0.5 * together * together / power / variance


@regrouped
def fit_curve(stretch: SamplesUv, level: float, curve: NDArray[np.float32]) -> tuple[float, float]:
    """Sum of the products of curve and deviation from ``level``, and of the curve's squares."""
    together = power = 0.0
    for k in range(stretch.size):
        value = np.float64(curve[k])
        together += value * (np.float64(stretch[k]) - level)
        power += value * value
    return together, power
