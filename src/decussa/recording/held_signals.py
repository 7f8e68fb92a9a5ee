"""Signals that are in memory: sweeps that were already cut, or a recording from a text file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from decussa.model.recording import StimulusEvent, SweepBatch
from decussa.model.sweep import SamplesUv
from decussa.recording.cutting import span_samples
from decussa.recording.timeline import Timeline


@dataclass(frozen=True, slots=True, eq=False)
class HeldSweeps:
    """Sweeps that were already cut.

    Parameters
    ----------
    samples_uv : ndarray of float32, shape (n_channels, n_sweeps, n_samples), microvolt
        Sweep number 1 comes first.
    rate_hz : float
        Sampling rate.
    onset_sample : int
        Index of the sample nearest to the onset of the test pulse.
    shift_ms : float
        True onset minus the time of that sample.
    """

    samples_uv: SamplesUv
    rate_hz: float
    onset_sample: int
    shift_ms: float

    def cut(self, channel: int, events: Sequence[StimulusEvent], before_ms: float, after_ms: float) -> SweepBatch:
        """Return the sweeps of ``events``; they keep their own span where it is shorter than asked."""
        first = max(0, self.onset_sample - span_samples(before_ms, self.rate_hz))
        last = self.onset_sample + span_samples(after_ms, self.rate_hz)
        chosen = [event.sweep - 1 for event in events]
        return SweepBatch(
            samples_uv=self.samples_uv[channel][chosen, first : last + 1],
            rate_hz=self.rate_hz,
            onset_sample=self.onset_sample - first,
            shift_ms=np.full(len(chosen), self.shift_ms),
        )


@dataclass(frozen=True, slots=True, eq=False)
class HeldSamples:
    """A continuous recording, ``samples_uv`` of shape (n_channels, n_samples) in microvolt."""

    samples_uv: SamplesUv
    rate_hz: float

    def cut(self, channel: int, events: Sequence[StimulusEvent], before_ms: float, after_ms: float) -> SweepBatch:
        """Return the sweeps of ``events``, NaN beyond the ends of the recording."""
        placed = self.timeline(channel).place([event.onset_s for event in events], before_ms, after_ms)
        wanted = placed.first[:, None] + np.arange(placed.length)
        line = self.samples_uv[channel]
        inside = (wanted >= 0) & (wanted < line.size)
        samples = np.where(inside, line[np.clip(wanted, 0, line.size - 1)], np.float32(np.nan))
        return SweepBatch(
            samples_uv=samples.astype(np.float32),
            rate_hz=self.rate_hz,
            onset_sample=placed.onset_sample,
            shift_ms=placed.shift_ms,
        )

    def timeline(self, channel: int) -> Timeline:
        """Return when the samples of a channel were taken."""
        return Timeline.even(self.rate_hz, self.samples_uv[channel].size)

    def read_channel(self, channel: int) -> SamplesUv:
        """Return all samples of one channel, shape (n_samples,)."""
        samples: SamplesUv = self.samples_uv[channel]
        return samples
