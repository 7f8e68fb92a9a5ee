"""Where sweeps lie in a continuous recording."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from decussa.model.recording import StimulusEvent
from decussa.model.sweep import SamplesUv


def held_samples(events: Sequence[StimulusEvent], rate_hz: float, total: int) -> NDArray[np.int64]:
    """Return first and last-but-one sample that may belong to each stimulus, shape (n_events, 2).

    They are those of its segment, or of the whole file.
    """
    spans = np.tile(np.array([0, total], dtype=np.int64), (len(events), 1))
    for span, event in zip(spans, events, strict=True):
        if event.segment_s is not None:
            start_s, end_s = event.segment_s
            span[:] = max(0, round(start_s * rate_hz)), min(total, round(end_s * rate_hz))
    return spans


def held_by_all(samples_uv: SamplesUv, onset_sample: int) -> tuple[SamplesUv, int]:
    """Return sweeps, shape (n_sweeps, n_samples), without the ends that some do not hold, and the onset in what is left."""
    held = np.flatnonzero(np.isfinite(samples_uv).all(axis=0))
    if not held.size or not held[0] <= onset_sample <= held[-1]:
        return samples_uv, onset_sample
    return samples_uv[:, held[0] : held[-1] + 1], onset_sample - int(held[0])


def span_samples(span_ms: float, rate_hz: float) -> int:
    """Return the number of samples that cover ``span_ms``; a rounding error of the product adds none."""
    return math.ceil(round(span_ms * rate_hz / 1e3, 6))
