"""Samples of files of arrays, taken out piece by piece: sweeps that were already cut, or a continuous recording."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decussa.model.recording import StimulusEvent, SweepBatch
from decussa.model.sweep import SamplesUv
from decussa.recording.array_file import NamedArray
from decussa.recording.cutting import span_samples
from decussa.recording.timeline import Timeline

#: Samples looked at at once.
_PIECE = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArrayLine:
    """One channel of an array.

    ``axes`` are those of ``decide_axes``; ``index`` counts along the axis of channels. A number in the file times
    ``uv_per_unit`` plus ``zero_uv`` is microvolt (or its own unit where it is no voltage: then 1 and 0).
    """

    array: NamedArray
    axes: tuple[str, ...]
    index: int
    uv_per_unit: float
    zero_uv: float = 0.0

    def extent(self, axis: str) -> int:
        """Return how long an axis is; 1 where there is none."""
        return self.array.shape[self.axes.index(axis)] if axis in self.axes else 1

    def block(self, sweeps: slice, samples: slice) -> SamplesUv:
        """Return samples of a range of sweeps, shape (n_sweeps, n_samples), in microvolt; NaN where they are not finite."""
        where = {"sweep": sweeps, "sample": samples, "channel": slice(self.index, self.index + 1), "one": slice(0, 1)}
        taken = self.array.take(tuple(where[axis] for axis in self.axes))
        order = sorted(
            range(len(self.axes)),
            key=lambda axis: (
                ("sweep", "sample").index(self.axes[axis]) if self.axes[axis] in {"sweep", "sample"} else 2
            ),
        )
        n_sweeps = taken.shape[self.axes.index("sweep")] if "sweep" in self.axes else 1
        plain = taken.transpose(order).reshape(n_sweeps, taken.shape[self.axes.index("sample")])
        with np.errstate(all="ignore"):
            scaled = (plain.astype(np.float64) * self.uv_per_unit + self.zero_uv).astype(np.float32)
        scaled[~np.isfinite(scaled)] = np.nan
        return scaled

    def pieces(self) -> Iterator[SamplesUv]:
        """Yield all sweeps in blocks of a bounded size, shape (n_sweeps, n_samples) each; sweeps longer than that in parts."""
        n_sweeps, n_samples = self.extent("sweep"), self.extent("sample")
        step = max(1, _PIECE // n_samples)
        for first in range(0, n_sweeps, step):
            for start in range(0, n_samples, _PIECE):
                yield self.block(
                    slice(first, min(first + step, n_sweeps)), slice(start, min(start + _PIECE, n_samples))
                )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CutArrays:
    """Sweeps that were already cut. ``shift_ms`` is the true onset minus the time of ``onset_sample``.

    ``first_sweep`` is the number of the first sweep in the file.
    """

    lines: tuple[ArrayLine, ...]
    rate_hz: float
    onset_sample: int
    shift_ms: float
    first_sweep: int = 1

    def cut(self, channel: int, events: Sequence[StimulusEvent], before_ms: float, after_ms: float) -> SweepBatch:
        """Return the sweeps of ``events``; they keep their own span where it is shorter than asked."""
        line = self.lines[channel]
        first = max(0, self.onset_sample - span_samples(before_ms, self.rate_hz))
        stop = min(line.extent("sample"), self.onset_sample + span_samples(after_ms, self.rate_hz) + 1)
        chosen = np.array([event.sweep - self.first_sweep for event in events], dtype=np.int64)
        samples = np.empty((chosen.size, stop - first), dtype=np.float32)
        for start, end in _runs(chosen):
            samples[start:end] = line.block(slice(int(chosen[start]), int(chosen[end - 1]) + 1), slice(first, stop))
        return SweepBatch(
            samples_uv=samples,
            rate_hz=self.rate_hz,
            onset_sample=self.onset_sample - first,
            shift_ms=np.full(chosen.size, self.shift_ms),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ContinuousArrays:
    """Channels of a continuous recording, each with the times of its samples."""

    lines: tuple[ArrayLine, ...]
    timelines: tuple[Timeline, ...]

    def cut(self, channel: int, events: Sequence[StimulusEvent], before_ms: float, after_ms: float) -> SweepBatch:
        """Return the sweeps of ``events``, NaN where there is no sample: beyond the ends and beyond gaps."""
        line, timeline = self.lines[channel], self.timelines[channel]
        placed = timeline.place([event.onset_s for event in events], before_ms, after_ms)
        samples = np.full((len(events), placed.length), np.nan, dtype=np.float32)
        for sweep, (first, low, high) in enumerate(zip(placed.first, placed.low, placed.high, strict=True)):
            start, stop = max(int(first), int(low)), min(int(first) + placed.length, int(high))
            if start < stop:
                samples[sweep, start - first : stop - first] = line.block(slice(0, 1), slice(start, stop))[0]
        return SweepBatch(
            samples_uv=samples, rate_hz=timeline.rate_hz, onset_sample=placed.onset_sample, shift_ms=placed.shift_ms
        )

    def timeline(self, channel: int) -> Timeline:
        """Return when the samples of a channel were taken."""
        return self.timelines[channel]

    def read_channel(self, channel: int) -> SamplesUv:
        """Return all samples of one channel, shape (n_samples,)."""
        return np.concatenate([piece[0] for piece in self.lines[channel].pieces()])


def _runs(chosen: NDArray[np.int64]) -> list[tuple[int, int]]:
    """Return ranges of ``chosen`` whose numbers follow each other, so that each is read at once."""
    if not chosen.size:
        return []
    breaks = np.flatnonzero(np.diff(chosen) != 1) + 1
    ends = [0, *breaks.tolist(), chosen.size]
    return list(itertools.pairwise(ends))
