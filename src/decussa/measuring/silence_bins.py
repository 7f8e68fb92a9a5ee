"""Samples of a sweep by their place in a bin and the bin, without drift, so that loops run over bins side by side; compiled."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled, fused
from decussa.measuring.whitening import DRIFT_HZ

Array = NDArray[np.float64]
Single = NDArray[np.float32]
Whole = NDArray[np.int64]

#: So many samples before one, or after it, predict it.
ORDER = 6
#: Drift is taken away from the mean of so many ms on.
HEAD_MS = 20.0


@compiled
def by_place(sweep: Single, start: int, count: int, factor: int, places: int, step_ms: float) -> Single:
    """Means of every ``factor`` samples from ``start`` on, ``count`` of them, by their place in a bin and the bin; no drift.

    Shape (ORDER + places + ORDER, bins): besides those of a bin, the samples before and after it that predictions need. The
    first bin begins with mean ORDER. Means are ``step_ms`` apart.
    """
    head, level = factor * max(1, min(count, int(HEAD_MS / step_ms))), 0.0
    for k in range(start, start + head):
        level += sweep[k]
    level /= head
    bins = (count - 2 * ORDER) // places
    means = np.zeros((places, -(-count // places)), dtype=np.float32)
    for place in range(places):
        there = -((place - count) // places)
        fill_means(means[place, :there], sweep[start + place * factor :], factor, places * factor, level)
    take_slow_away(means, math.exp(-2.0 * math.pi * DRIFT_HZ * step_ms / 1e3))
    out = np.empty((places + 2 * ORDER, bins), dtype=np.float32)
    for place in range(out.shape[0]):
        row, source = out[place], means[place % places, place // places :]
        for b in range(bins):
            row[b] = source[b]
    return out


@compiled
def fill_means(out: Single, sweep: Single, factor: int, step: int, level: float) -> None:
    """Fill in the mean of ``factor`` samples every ``step`` samples, less ``level``."""
    share = 1.0 / factor
    for b in range(out.size):
        total = np.float64(sweep[b * step])
        for j in range(b * step + 1, b * step + factor):
            total += sweep[j]
        out[b] = share * total - level


@fused
def take_slow_away(means: Single, decay: float) -> None:
    """Forward one-pole high-pass over means by place: within bins, side by side, then from bin to bin."""
    places, bins = means.shape
    keep, take = np.float32(decay), np.float32(1.0 - decay)
    slow = np.zeros(bins, dtype=np.float32)
    for place in range(places):
        row = means[place]
        for b in range(bins):
            slow[b] = keep * slow[b] + take * row[b]
            row[b] -= slow[b]
    fade, before = decay**places, 0.0
    for b in range(bins):
        before, slow[b] = fade * before + slow[b], before
    fade = 1.0
    for place in range(places):
        fade *= decay
        row, share = means[place], np.float32(fade)
        for b in range(bins):
            row[b] -= share * slow[b]


@compiled
def in_order(samples: Single) -> Array:
    """Samples of all bins one after the other; they come ``by_place``."""
    places, bins = samples.shape[0] - 2 * ORDER, samples.shape[1]
    out = np.empty(places * bins)
    for place in range(places):
        row = samples[ORDER + place]
        for b in range(bins):
            out[b * places + place] = row[b]
    return out


@compiled
def columns(samples: Single, chosen: Whole) -> Single:
    """The ``chosen`` bins of samples ``by_place``."""
    out = np.empty((samples.shape[0], chosen.size), dtype=np.float32)
    for place in range(samples.shape[0]):
        row, near = samples[place], out[place]
        for c in range(chosen.size):
            near[c] = row[chosen[c]]
    return out
