"""Stimuli from a trigger channel: where it rises from rest."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import RecordingError

#: Edges closer than this bounce; edges of one stimulus lie closer than ``SAME_STIMULUS_S``. Common practice, no source:
#: the longest interval of a pair in use is 200 ms, the shortest pause between stimuli 1 s.
BOUNCE_S = 0.0005
SAME_STIMULUS_S = 0.5
#: A channel that takes few values carries codes: each rise from rest counts, however small.
_CODES = 64
#: Noise alone reaches about 8 times its median excursion in an hour (5.5 standard deviations of 0.67); a pulse far more.
_ABOVE_NOISE = 12.0


def rising_edges(samples: NDArray[np.float32]) -> NDArray[np.int64]:
    """Return the sample numbers where the channel leaves its rest, shape (n_edges,); none for a channel that rests.

    Rest is the median. The channel has left it when it is past half its greatest excursion, or, where it only takes few
    values (codes), at all. Pulses that go down from a high rest are found alike.
    """
    if samples.size < 2:
        return np.empty(0, dtype=np.int64)
    rest = np.median(samples)
    low, high = samples.min(), samples.max()
    if low == high:
        return np.empty(0, dtype=np.int64)
    excursion = samples - rest if high - rest >= rest - low else rest - samples
    sample = excursion[:: max(1, samples.size // 100_000)]
    coded = np.unique(sample).size <= _CODES
    if not coded and excursion.max() < _ABOVE_NOISE * np.median(np.abs(sample)):
        return np.empty(0, dtype=np.int64)
    away = excursion > (0 if coded else excursion.max() / 2)
    return np.flatnonzero(away[1:] & ~away[:-1]) + 1


def group_edges(onsets_s: Sequence[float], *, where: str) -> list[tuple[float, ...]]:
    """Return the pulses of each stimulus in seconds: one for a single pulse, two for a pair.

    Raises
    ------
    RecordingError
        If more than two edges follow each other closely: a train, or a channel that is no trigger.
    """
    groups: list[list[float]] = []
    for onset_s in onsets_s:
        if groups and onset_s - groups[-1][-1] < BOUNCE_S:
            continue
        if groups and onset_s - groups[-1][0] < SAME_STIMULUS_S:
            groups[-1].append(onset_s)
        else:
            groups.append([onset_s])
    train = next((group for group in groups if len(group) > 2), None)
    if train is not None:
        raise RecordingError(
            f"trigger channel rises {len(train)} times within {SAME_STIMULUS_S:g} s from {train[0]:.3f} s",
            where=where,
            expected="one or two pulses for a stimulus",
            do="give the stimuli in a sheet of events, or change the channel's type",
        )
    return [tuple(group) for group in groups]
