"""Where sweeps lie in a continuous recording."""

from __future__ import annotations

import math

import numpy as np

from decussa.model.recording import StimulusEvent
from decussa.model.sweep import SamplesUv


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
