"""Where in a sweep an artifact begins and ends, and at which lag one comes again; compiled."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from decussa.measuring.compiled import compiled
from decussa.measuring.moments import level_and_steps
from decussa.model.sweep import SamplesUv

#: Level, RMS about it, RMS of the steps, largest step of the baseline.
Normal = tuple[float, float, float, float]

#: So long must it be quiet, in ms, before the artifact is over.
QUIET_MS = 1.0
#: The steps and levels of the baseline: what neither leaves these behind is not the artifact.
STEEP_PER_LARGEST = 1.25
STEEP_PER_RMS = 6.0
START_PER_STEEPEST = 0.25
QUIET_PER_RMS = 4.0
LEVEL_PER_RMS = 10.0
LEVEL_PER_PEAK = 0.1
#: Least correlation between the steps of two artifacts that counts as the same shape.
LEAST_LIKENESS = 0.7


class Bounds(NamedTuple):
    """Bounds within which artifacts are looked for.

    Parameters
    ----------
    low_uv, high_uv : float
        Ends of the converter's range.
    reach_ms, longest_ms : float
        How far from its mark a pulse is looked for, and the longest stretch that is bridged.
    response_ms : float
        Earliest response; minus infinity looks for no tail.
    """

    low_uv: float
    high_uv: float
    reach_ms: float
    longest_ms: float
    response_ms: float


@compiled
def describe_normal(row: SamplesUv, start: int, stop: int) -> Normal:
    """Level, RMS about it, RMS of the steps and largest step in the baseline; in its place 4 samples where it has fewer."""
    start = max(start, 1)
    if stop - start < 4:
        stop = min(row.size, start + 4)
    return level_and_steps(row[start - 1 : stop])


@compiled
def find_start(row: SamplesUv, start: float, stop: float, normal: Normal) -> int:
    """First sample of an artifact between ``start`` and ``stop``; -1 where nothing is steeper than the baseline."""
    first, last = max(1, int(start)), min(row.size, int(stop) + 1)
    steepest = 0.0
    for k in range(first, last):
        steepest = max(steepest, abs(float(row[k]) - float(row[k - 1])))
    least = max(STEEP_PER_LARGEST * normal[3], STEEP_PER_RMS * normal[2])
    if not steepest > least:
        return -1
    begin = first
    while abs(float(row[begin]) - float(row[begin - 1])) < max(START_PER_STEEPEST * steepest, least):
        begin += 1
    while begin > first and abs(float(row[begin - 1]) - float(row[begin - 2])) > least:
        begin -= 1
    return begin


@compiled
def find_repetition(row: SamplesUv, start: int, least: float, most: float, width: float) -> float:
    """Lag in samples at which the artifact from ``start`` on comes again, between samples too; -1 where it does not.

    Both pulses of a pair leave artifacts of one shape, so that even the second of two that overlap is found.
    """
    lags = int(most) - int(least) + 1
    begin, length = start - 1, max(3, int(width) + 1)
    score = np.empty(lags)
    best = -1
    for j in range(lags):
        lag = int(least) + j
        score[j] = 0.0
        if lag < 2 or begin + lag + length > row.size:
            continue
        both = one = other = 0.0
        for k in range(1, length):
            a = float(row[begin + k]) - float(row[begin + k - 1])
            b = float(row[begin + lag + k]) - float(row[begin + lag + k - 1])
            both, one, other = both + a * b, one + a * a, other + b * b
        score[j] = both / math.sqrt(one * other) if one * other > 0 else 0.0
        if best < 0 or score[j] > score[best]:
            best = j
    if best < 0 or score[best] < LEAST_LIKENESS:
        return -1.0
    shift = 0.0
    if 0 < best < lags - 1:
        bend = score[best - 1] - 2 * score[best] + score[best + 1]
        shift = 0.5 * (score[best - 1] - score[best + 1]) / bend if bend < 0 else 0.0
    return int(least) + best + shift


@compiled
def find_end(row: SamplesUv, begin: int, normal: Normal, bounds: Bounds, longest: float, per_ms: float) -> int:
    """First sample that is no longer artifact."""
    level, rms, step_rms, _ = normal
    end_at_most = min(row.size - 1, begin + max(1, int(longest)))
    peak = 0.0
    for k in range(begin, min(row.size, begin + max(1, int(2 * per_ms)))):
        peak = max(peak, abs(row[k] - level))
    bound = max(LEVEL_PER_RMS * rms, LEVEL_PER_PEAK * peak)
    needed = max(3, int(QUIET_MS * per_ms))
    quiet = 0
    end = begin + 1
    while end < end_at_most and quiet < needed:
        calm = abs(float(row[end]) - float(row[end - 1])) <= QUIET_PER_RMS * step_rms and abs(row[end] - level) <= bound
        quiet = quiet + 1 if calm and bounds.low_uv < row[end] < bounds.high_uv else 0
        end += 1
    return end - quiet // 2 if quiet >= needed else end_at_most
