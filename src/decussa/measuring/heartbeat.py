"""Heartbeats in a slow copy of a channel: of an ECG lead, or as they show in the EMG of the trunk.

A heart is believed only where many bumps of one shape follow each other at one pace. Beats that fall into what was left out
around a stimulus are put between their neighbours, with what the pace makes of the uncertainty. Rates and sizes: common practice,
no source; the tests hold it against invented hearts whose beats are known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import signal

Array = NDArray[np.float64]

#: The slow copy's rate: beats last 20 to 100 ms.
SLOW_HZ = 250.0
_BAND_HZ = (5.0, 40.0)
#: A beat stands so many robust standard deviations out, beats are so far apart, and at least so many make a heart.
LEAST_SD = 5.0
CLOSEST_S = 0.3
FEWEST = 8
#: Pace of hearts at rest, in s between beats; neighbouring beats differ by less than this share from the pace around them.
PACE_S = (0.35, 1.8)
MOST_UNEVEN = 0.2
#: Share of beats that must keep the pace, and likeness of their shapes.
LEAST_EVEN = 0.8
LEAST_LIKENESS = 0.7
#: A beat disturbs a channel if its median course rises so many robust standard deviations of the channel.
VISIBLE_SD = 1.0
#: Part of a beat's height where it begins and ends.
_FOOT = 0.2
_HALF_S = 0.12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heart:
    """Beats of a channel: their times in s, how unsure each is, and how far a beat reaches before and after, in s."""

    times_s: Array
    unsure_s: Array
    before_s: float
    after_s: float

    def beat_in(self, start_s: ArrayLike, stop_s: ArrayLike) -> Array:
        """Return the time of the first beat that reaches into each span, shape (n_spans,), NaN where none does."""
        starts = np.atleast_1d(np.asarray(start_s, dtype=np.float64))
        stops = np.atleast_1d(np.asarray(stop_s, dtype=np.float64))
        first = self.times_s - self.unsure_s - self.before_s
        last = self.times_s + self.unsure_s + self.after_s
        inside = (last[None, :] > starts[:, None]) & (first[None, :] < stops[:, None])
        return np.where(inside.any(axis=1), self.times_s[inside.argmax(axis=1)], np.nan)


def slow_copy(samples_uv: ArrayLike, rate_hz: float) -> Array:
    """Return means over blocks, about ``SLOW_HZ`` of them a second, shape (n_blocks,); NaN where none of a block is finite."""
    samples = np.asarray(samples_uv, dtype=np.float64).ravel()
    width = block_samples(rate_hz)
    count = samples.size // width
    blocks = samples[: count * width].reshape(count, width)
    held = np.isfinite(blocks)
    total = np.where(held, blocks, 0.0).sum(axis=1)
    return np.where(held.any(axis=1), total / np.maximum(held.sum(axis=1), 1), np.nan)


def block_samples(rate_hz: float) -> int:
    """Return the number of samples in a block of the slow copy."""
    return max(1, round(rate_hz / SLOW_HZ))


def find_heart(slow_uv: ArrayLike, slow_hz: float, left_out_s: ArrayLike) -> Heart | None:
    """Return the heart that a slow copy shows; None where it shows none.

    Parameters
    ----------
    slow_uv : array, shape (n_blocks,), microvolt
        From ``slow_copy``.
    slow_hz : float
        Its rate.
    left_out_s : array, shape (n_spans, 2), s
        Spans around stimuli that must not be taken for beats.
    """
    trace = _without(
        np.asarray(slow_uv, dtype=np.float64), slow_hz, np.asarray(left_out_s, dtype=np.float64).reshape(-1, 2)
    )
    half = round(_HALF_S * slow_hz)
    if slow_hz < 2.5 * _BAND_HZ[1] or trace.size < FEWEST * CLOSEST_S * slow_hz or not np.ptp(trace) > 0:
        return None
    band = signal.butter(2, _BAND_HZ, "bandpass", fs=slow_hz, output="sos")
    bumps = np.asarray(signal.sosfiltfilt(band, trace))
    usual = 1.4826 * float(np.median(np.abs(bumps)))
    peaks, _ = signal.find_peaks(np.abs(bumps), height=LEAST_SD * usual, distance=max(1, round(CLOSEST_S * slow_hz)))
    peaks = peaks[(peaks > half) & (peaks < trace.size - half)]
    if peaks.size < FEWEST:
        return None
    shapes = np.array([bumps[peak - half : peak + half + 1] for peak in peaks])
    alike = _likeness(shapes) >= LEAST_LIKENESS
    if alike.sum() < FEWEST or alike.mean() < LEAST_EVEN:
        return None
    times_s, unsure_s = _keep_pace(peaks[alike] / slow_hz, 1.0 / slow_hz)
    if not times_s.size:
        return None
    before_s, after_s = _reach(average_beat(trace, peaks[alike], half), half, slow_hz)
    return Heart(times_s=times_s + 0.5 / slow_hz, unsure_s=unsure_s, before_s=before_s, after_s=after_s)


def shows_heart(slow_uv: ArrayLike, slow_hz: float, heart: Heart) -> bool:
    """Return whether another channel shows the beats of ``heart``: their average stands out of what chance leaves of it."""
    trace = _without(np.asarray(slow_uv, dtype=np.float64), slow_hz, np.empty((0, 2)))
    half = round(_HALF_S * slow_hz)
    peaks = np.rint(heart.times_s * slow_hz - 0.5).astype(int)
    peaks = peaks[(peaks > half) & (peaks < trace.size - half)]
    if peaks.size < FEWEST:
        return False
    usual = 1.4826 * float(np.median(np.abs(trace - np.median(trace))))
    height = float(np.abs(average_beat(trace, peaks, half)).max())
    return height > VISIBLE_SD * usual


def average_beat(trace: Array, peaks: NDArray[np.int64], half: int) -> Array:
    """Return the median course of a beat, from ``half`` blocks before its peak to as many after, above its own middle."""
    shape = np.median([trace[peak - half : peak + half + 1] for peak in peaks], axis=0)
    return np.asarray(shape - np.median(shape))


def _without(trace: Array, slow_hz: float, spans_s: Array) -> Array:
    """Return the trace with lines in place of what is left out or missing."""
    kept = np.isfinite(trace)
    for start_s, stop_s in spans_s:
        kept[max(0, math.floor(start_s * slow_hz)) : max(0, math.ceil(stop_s * slow_hz) + 1)] = False
    if not kept.any():
        return np.zeros(trace.size)
    places = np.arange(trace.size)
    return np.interp(places, places[kept], trace[kept])


def _likeness(shapes: Array) -> Array:
    """Return the correlation of each shape with the median of all."""
    middle = np.median(shapes, axis=0)
    power = np.sqrt((shapes**2).sum(axis=1) * (middle**2).sum())
    return np.asarray(np.divide(shapes @ middle, power, out=np.zeros(len(shapes)), where=power > 0))


def _keep_pace(times_s: Array, step_s: float) -> tuple[Array, Array]:
    """Return the beats with those between them that were left out, and how unsure each is; none where there is no pace."""
    gaps = np.diff(times_s)
    pace_s = float(np.median(gaps))
    if not PACE_S[0] <= pace_s <= PACE_S[1]:
        return np.empty(0), np.empty(0)
    turns = np.maximum(1, np.rint(gaps / pace_s)).astype(int)
    off = np.abs(gaps / turns / pace_s - 1)
    if np.mean(off <= MOST_UNEVEN) < LEAST_EVEN:
        return np.empty(0), np.empty(0)
    single = gaps[(turns == 1) & (off <= MOST_UNEVEN)]
    jitter_s = float(np.std(np.diff(single))) / math.sqrt(2) if single.size > 2 else MOST_UNEVEN * pace_s
    times, unsure = [float(times_s[0])], [step_s]
    for start, gap, count in zip(times_s[:-1], gaps, turns, strict=True):
        between = [] if count > 3 else [start + gap * turn / count for turn in range(1, count)]
        times += [*between, float(start + gap)]
        unsure += [*([max(step_s, 2 * jitter_s)] * len(between)), step_s]
    return np.array(times), np.array(unsure)


def _reach(shape: Array, half: int, slow_hz: float) -> tuple[float, float]:
    """Return how far a beat reaches before and after its peak, where it falls below its foot."""
    large = np.flatnonzero(np.abs(shape) >= _FOOT * np.abs(shape).max())
    near = large[np.abs(large - half) <= round(0.06 * slow_hz)]
    return float(half - near[0]) / slow_hz, float(near[-1] - half) / slow_hz
