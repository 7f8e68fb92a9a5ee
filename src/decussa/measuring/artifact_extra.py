"""Artifacts that nobody asked for: a second one beside a single pulse, a third beside a pair."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from decussa.measuring.artifact_pulses import SHARP_SHARE, find_starts
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
    test = np.asarray(test_start_ms, dtype=np.float64) * per_ms + onset_sample - first
    known = (
        [test]
        if first_start_ms is None
        else [test, np.asarray(first_start_ms, dtype=np.float64) * per_ms + onset_sample - first]
    )
    bends = np.abs(np.diff(near, n=2))
    top = np.array(
        [_slice(row, at, -RINGING_MS, RINGING_MS, per_ms).max(initial=0.0) for row, at in zip(bends, test, strict=True)]
    )
    least = np.maximum(SHARP_SHARE * top, LEAST_PER_BASELINE * _baseline_bend(bends, onset_sample - first, per_ms))
    for starts in known:
        for row, at in zip(bends, starts, strict=True):
            _slice(row, at, -SAME_MS, 0.5 * RINGING_MS, per_ms)[:] = 0.0
    suspects = np.flatnonzero((bends.max(axis=1) >= least) & np.isfinite(test))
    found = np.full(samples.shape[0], np.nan)
    for sweep in suspects:
        starts = np.array([values[sweep] for values in known])
        found[sweep] = _first_extra(near[sweep], rate_hz, starts, least[sweep], top[sweep], onset_sample - first)
    return found


def _slice(row: SamplesUv, at: float, since_ms: float, until_ms: float, per_ms: float) -> SamplesUv:
    """Return the bends around an artifact that starts at sample ``at``; nothing where there is none."""
    if math.isnan(at):
        return row[:0]
    # The bend of sample k lies at k - 1; a start shows in the bend of the sample before it.
    return row[max(0, math.floor(at + since_ms * per_ms) - 2) : max(0, math.ceil(at + until_ms * per_ms) - 1)]


def _baseline_bend(bends: SamplesUv, onset: int, per_ms: float) -> Array:
    """Return a bend that the baseline hardly ever exceeds: robust against a pulse within it."""
    stretch = bends[:, max(0, onset - round(100 * per_ms)) : max(1, onset - round(5 * per_ms)) : 4]
    return (
        np.asarray(np.quantile(stretch, 0.95, axis=1), dtype=np.float64) if stretch.size else np.zeros(bends.shape[0])
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
