"""A continuous channel from start to end, in pieces of a bounded size, whatever its format."""

from __future__ import annotations

from collections.abc import Iterator

from decussa.model.recording import Recording, StimulusEvent
from decussa.model.stimulus import Stimulus
from decussa.model.sweep import SamplesUv


def cut_samples(recording: Recording, index: int, first: int, count: int) -> SamplesUv:
    """Return ``count`` samples of channel ``index`` from sample ``first`` on, shape (count,), microvolt."""
    rate_hz = recording.channels[index].rate_hz
    at = StimulusEvent(sweep=1, onset_s=first / rate_hz, stimulus=Stimulus(stim_type="single"), pulse_from="artifact")
    samples: SamplesUv = recording.signals.cut(index, [at], 0.0, (count - 1) / rate_hz * 1e3).samples_uv[0]
    return samples[:count]


def channel_pieces(recording: Recording, index: int, length: int, *, shared: int = 0) -> Iterator[SamplesUv]:
    """Yield a channel in pieces of ``length`` samples, each followed by the ``shared`` first samples of the next one."""
    total = round(recording.duration_s * recording.channels[index].rate_hz)
    for first in range(0, max(0, total - shared), length):
        yield cut_samples(recording, index, first, min(length + shared, total - first))
