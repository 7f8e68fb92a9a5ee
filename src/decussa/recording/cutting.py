"""Where sweeps lie in a continuous recording."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decussa.model.recording import StimulusEvent
from decussa.model.sweep import SamplesUv


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """Sweeps as sample numbers: ``first`` sample of each, shape (n_sweeps,), may be negative; ``length`` samples each.

    ``shift_ms`` is the true onset minus the time of the sample nearest to it, shape (n_sweeps,).
    """

    first: NDArray[np.int64]
    length: int
    onset_sample: int
    shift_ms: NDArray[np.float64]


def place_sweeps(onsets_s: Sequence[float], rate_hz: float, before_ms: float, after_ms: float) -> Placed:
    """Return which samples make up the sweeps around ``onsets_s``, each holding at least the span asked for."""
    exact = np.asarray(onsets_s, dtype=np.float64) * rate_hz
    nearest = np.rint(exact).astype(np.int64)
    before, after = span_samples(before_ms, rate_hz), span_samples(after_ms, rate_hz)
    return Placed(nearest - before, before + after + 1, before, (exact - nearest) / rate_hz * 1e3)


def held_samples(event: StimulusEvent, rate_hz: float, total: int) -> tuple[int, int]:
    """Return first and last-but-one sample that may belong to a stimulus: those of its segment, or of the whole file."""
    if event.segment_s is None:
        return 0, total
    return max(0, round(event.segment_s[0] * rate_hz)), min(total, round(event.segment_s[1] * rate_hz))


def held_by_all(samples_uv: SamplesUv, onset_sample: int) -> tuple[SamplesUv, int]:
    """Return sweeps, shape (n_sweeps, n_samples), without the ends that some do not hold, and the onset in what is left."""
    held = np.flatnonzero(np.isfinite(samples_uv).all(axis=0))
    if not held.size or not held[0] <= onset_sample <= held[-1]:
        return samples_uv, onset_sample
    return samples_uv[:, held[0] : held[-1] + 1], onset_sample - int(held[0])


def span_samples(span_ms: float, rate_hz: float) -> int:
    """Return the number of samples that cover ``span_ms``; a rounding error of the product adds none."""
    return math.ceil(round(span_ms * rate_hz / 1e3, 6))
