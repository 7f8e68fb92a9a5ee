"""Artifacts that nobody asked for: a second one beside a single pulse, a third beside a pair."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from decussa.measuring.artifact_pulses import SHARP_SHARE, find_starts
from decussa.measuring.compiled import compiled
from decussa.measuring.door import check_sweeps
from decussa.model.sweep import SamplesUv

Array = NDArray[np.float64]

#: How far from the test pulse is looked, in ms: pairs in use are up to 200 ms apart (common practice, no source).
REACH_MS = 260.0
#: A start this near to a known artifact is that artifact, and its own ringing lasts so long.
SAME_MS = 0.75
RINGING_MS = 3.0
#: An artifact is so many times sharper than the sharpest bend of the baseline, and within responses this share of the known one.
LEAST_PER_BASELINE = 6.0
RESPONSE_SHARE = 0.6
RESPONSE_MS = (8.0, 100.0)


def extra_artifacts(
    samples_uv: ArrayLike,
    rate_hz: float,
    onset_sample: int,
    test_start_ms: ArrayLike,
    first_start_ms: ArrayLike | None = None,
) -> Array:
    """Return the start of an artifact besides those known in each sweep, ms from the test pulse, shape (n_sweeps,).

    Parameters
    ----------
    samples_uv : array, shape (n_sweeps, n_samples), microvolt
        As recorded.
    rate_hz, onset_sample
        Sampling rate; sample nearest to the onset of the test pulse.
    test_start_ms, first_start_ms : array, shape (n_sweeps,), ms from the test pulse
        Starts of the known artifacts, NaN where there is none.

    Returns
    -------
    The first such start; NaN where there is none, or no known artifact to hold it against.

    Raises
    ------
    UsageError
        If shapes, rate or onset cannot be meant.
    """
    samples = check_sweeps(samples_uv, rate_hz, onset_sample)
    per_ms = rate_hz / 1e3
    reach = round(REACH_MS * per_ms)
    first, last = max(0, onset_sample - reach), min(samples.shape[1], onset_sample + reach)
    near = samples[:, first:last]
    onset = onset_sample - first
    pulses_ms = np.broadcast_arrays(test_start_ms, np.nan if first_start_ms is None else first_start_ms)
    starts = np.column_stack(pulses_ms).astype(np.float64) * per_ms + onset_sample - first
    top, rest = np.empty(len(near), dtype=np.float32), np.empty(len(near), dtype=np.float32)
    _sharpest(near, starts, per_ms, top, rest)
    found = np.full(samples.shape[0], np.nan)
    # What is not even this sharp needs no baseline to be dismissed.
    suspects = np.flatnonzero((rest >= SHARP_SHARE * top) & np.isfinite(starts[:, 0]))
    least = np.maximum(SHARP_SHARE * top[suspects], LEAST_PER_BASELINE * _baseline_bend(near[suspects], onset, per_ms))
    for sweep, needed in zip(suspects, least, strict=True):
        if rest[sweep] >= needed:
            found[sweep] = _first_extra(near[sweep], rate_hz, starts[sweep], needed, top[sweep], onset)
    return found


@compiled
def _sharpest(samples: SamplesUv, starts: Array, per_ms: float, top: SamplesUv, rest: SamplesUv) -> None:
    """Fill in the sharpest bend about the start of the test artifact, and that of all outside the known artifacts.

    Bends are never below 0, so that their words, read as whole numbers, are in the same order: vector units find the greatest.
    """
    tops, rests = top.view(np.int32), rest.view(np.int32)
    bends = np.empty(samples.shape[1] - 2 if samples.shape[1] > 2 else 0, dtype=np.float32)
    for sweep in range(samples.shape[0]):
        row = samples[sweep]
        for k in range(bends.size):
            bends[k] = abs((row[k + 2] - row[k + 1]) - (row[k + 1] - row[k]))
        first, last = _around(starts[sweep, 0], -RINGING_MS, RINGING_MS, per_ms, bends.size)
        tops[sweep] = _greatest(bends[first:last].view(np.int32))
        for k in range(starts.shape[1]):
            first, last = _around(starts[sweep, k], -SAME_MS, 0.5 * RINGING_MS, per_ms, bends.size)
            bends[first:last] = 0.0
        rests[sweep] = _greatest(bends.view(np.int32))


@compiled
def _around(at: float, since_ms: float, until_ms: float, per_ms: float, count: int) -> tuple[int, int]:
    """Return first and last-but-one bend around an artifact that starts at sample ``at``; none where there is none."""
    if math.isnan(at):
        return 0, 0
    # The bend of sample k lies at k - 1; a start shows in the bend of the sample before it.
    first = max(0, math.floor(at + since_ms * per_ms) - 2)
    return min(first, count), min(count, max(0, math.ceil(at + until_ms * per_ms) - 1))


@compiled
def _greatest(words: NDArray[np.int32]) -> np.int32:
    """Return the word of the greatest bend, 0 where there is none; NaN is above all."""
    greatest = np.int32(0)
    for k in range(words.size):
        greatest = max(greatest, words[k])
    return greatest


def _baseline_bend(samples: SamplesUv, onset: int, per_ms: float) -> Array:
    """Return a bend that the baseline hardly ever exceeds: robust against a pulse within it."""
    first, last = max(0, onset - round(100 * per_ms)), max(1, onset - round(5 * per_ms))
    stretch = np.abs(np.diff(samples[:, first : last + 2], n=2))[:, ::4]
    return (
        np.asarray(np.quantile(stretch, 0.95, axis=1), dtype=np.float64) if stretch.size else np.zeros(samples.shape[0])
    )


def _first_extra(row: SamplesUv, rate_hz: float, known: Array, least: float, top: float, onset: int) -> float:
    per_ms = rate_hz / 1e3
    bends = np.abs(np.diff(row, n=2))
    for start in find_starts(row, rate_hz):
        height = float(bends[max(0, start - 2) : start + round(per_ms)].max(initial=0.0))
        after_ms = (start - onset) / per_ms
        needed = RESPONSE_SHARE * top if RESPONSE_MS[0] <= after_ms <= RESPONSE_MS[1] else least
        if height >= needed and not np.any(np.abs(start - known) <= SAME_MS * per_ms):
            return after_ms
    return math.nan
