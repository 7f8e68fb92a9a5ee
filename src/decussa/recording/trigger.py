"""Stimuli from a trigger channel: where it rises from rest."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import RecordingError
from decussa.model.recording import Channel
from decussa.model.sweep import SamplesUv
from decussa.recording.timeline import Timeline

#: Edges closer than this bounce; edges of one stimulus lie closer than ``SAME_STIMULUS_S``. Common practice, no source:
#: the longest interval of a pair in use is 200 ms, the shortest pause between stimuli 1 s.
BOUNCE_S = 0.0005
SAME_STIMULUS_S = 0.5
#: Samples looked at together: nearly all such stretches of a trigger channel are at rest.
_STRETCH = 1 << 13
#: Samples looked at to learn how the channel rests.
_GLANCES = 100_000
#: A channel that takes few values carries codes: each rise from rest counts, however small.
_CODES = 64
#: A rise below this part of the greatest is the converter's last bits; codes have one byte or less.
_GREATEST_CODE = 512
#: Noise alone reaches about 8 times its median excursion in an hour (5.5 standard deviations of 0.67); a pulse far more.
_ABOVE_NOISE = 12.0


class Continuous(Protocol):
    """Channels that can be read as a whole, and when their samples were taken."""

    def read_channel(self, channel: int) -> SamplesUv:
        """Return all samples of one channel, shape (n_samples,)."""
        ...

    def timeline(self, channel: int) -> Timeline:
        """Return when the samples of a channel were taken."""
        ...


def trigger_edges_s(channels: Sequence[Channel], signals: Continuous) -> list[float]:
    """Return the onsets of trigger pulses in seconds, from the first trigger channel that has any.

    None right after a gap: a channel that comes back changed did not rise then.
    """
    for index, channel in enumerate(channels):
        if channel.kind == "trigger":
            timeline = signals.timeline(index)
            edges = rising_edges(signals.read_channel(index))
            edges = edges[~np.isin(edges, timeline.first)]
            if edges.size:
                return [float(edge) for edge in timeline.times_s(edges)]
    return []


def rising_edges(samples: NDArray[np.float32]) -> NDArray[np.int64]:
    """Return the sample numbers where the channel leaves its rest, shape (n_edges,); none for a channel that rests.

    Rest is the median. The channel has left it when it is past half its greatest excursion, or, where it only takes few
    values (codes), past the converter's last bits. Pulses that go down from a high rest are found alike.
    """
    if samples.size < 2:
        return np.empty(0, dtype=np.int64)
    glance = samples[:: max(1, samples.size // _GLANCES)]
    rest, low, high = np.median(glance), samples.min(), samples.max()
    up = high - rest >= rest - low
    reach = high - rest if up else rest - low
    if reach <= _ABOVE_NOISE * np.median(np.abs(glance - rest)):
        return np.empty(0, dtype=np.int64)
    small = reach / _GREATEST_CODE
    coded = np.unique(glance[np.abs(glance - rest) > small]).size <= _CODES
    least = small if coded else reach / 2
    found = []
    for first in range(1, samples.size, _STRETCH):
        # From the sample before on, so that an edge is seen whole.
        stretch = samples[first - 1 : first + _STRETCH]
        away = stretch > rest + least if up else stretch < rest - least
        if away.any():
            found.append(np.flatnonzero(away[1:] & ~away[:-1]) + first)
    return np.concatenate(found) if found else np.empty(0, dtype=np.int64)


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
