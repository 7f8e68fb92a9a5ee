"""Samples of EDF, EDF+, BDF and BDF+ files, read from disk only where they are needed."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from io import FileIO

import numpy as np
from numpy.typing import NDArray

from decussa.model.recording import StimulusEvent, SweepBatch
from decussa.model.sweep import SamplesUv
from decussa.recording.cutting import held_by_all, held_samples
from decussa.recording.edf_header import EdfHeader, EdfSignal
from decussa.recording.edf_stamps import Runs, open_file, read_exactly
from decussa.recording.edf_steps import LEAD, scale_bytes
from decussa.recording.timeline import Timeline

Places = NDArray[np.int64]

#: Samples read at once where a whole channel is needed: so few stay in the cache.
_PIECE = 1 << 16
#: Samples looked at first where a channel that moves shall tell.
_GLANCE = 1 << 13


@dataclass(frozen=True, slots=True)
class Line:
    """One signal of the file and the unit its samples leave in: ``uv_per_unit`` microvolts in one unit of the header.

    Signals that are no voltage keep their own unit: ``uv_per_unit`` is then 1.
    """

    signal: EdfSignal
    uv_per_unit: float

    @property
    def gain(self) -> float:
        """Microvolts in one step of the converter."""
        low, high = self.signal.physical
        first, last = self.signal.digital
        return (high - low) / (last - first) * self.uv_per_unit

    @property
    def zero_uv(self) -> float:
        """Microvolts where the converter says 0."""
        return self.signal.physical[0] * self.uv_per_unit - self.gain * self.signal.digital[0]

    @property
    def rails_uv(self) -> tuple[float, float]:
        """Return the ends of the converter's range in microvolt, exactly as samples there come out."""
        ends = [float(np.float32(step * self.gain + self.zero_uv)) for step in self.signal.digital]
        return min(ends), max(ends)


@dataclass(frozen=True, slots=True)
class EdfSignals:
    """Cuts sweeps out of a file; channels are counted as in ``lines``."""

    header: EdfHeader
    lines: tuple[Line, ...]
    runs: Runs

    def timeline(self, channel: int) -> Timeline:
        """Return when the samples of a channel were taken."""
        per_record = self.lines[channel].signal.samples_per_record
        return Timeline(
            rate_hz=self.header.rate_hz(self.lines[channel].signal),
            total=self._total(channel),
            first=self.runs.first * per_record,
            start_s=self.runs.start_s,
        )

    def cut(self, channel: int, events: Sequence[StimulusEvent], before_ms: float, after_ms: float) -> SweepBatch:
        """Return the sweeps of ``events`` on ``channel``; only their bytes are read."""
        line = self.lines[channel]
        rate_hz = self.header.rate_hz(line.signal)
        placed = self.timeline(channel).place([event.onset_s for event in events], before_ms, after_ms)
        held = held_samples(events, rate_hz, self._total(channel))
        start = np.maximum.reduce([placed.first, placed.low, held[:, 0]])
        stop = np.minimum.reduce([placed.first + placed.length, placed.high, held[:, 1]])
        samples = np.empty((len(events), placed.length), dtype=np.float32)
        self._fill(line, samples, start, start - placed.first, stop - placed.first)
        onset_sample = placed.onset_sample
        if any(event.segment_s is not None for event in events):
            samples, onset_sample = held_by_all(samples, onset_sample)
        return SweepBatch(samples_uv=samples, rate_hz=rate_hz, onset_sample=onset_sample, shift_ms=placed.shift_ms)

    def read_channel(self, channel: int) -> SamplesUv:
        """Return all samples of one channel, shape (n_samples,), in microvolt (or its own unit where it is no voltage)."""
        samples = np.empty(self._total(channel), dtype=np.float32)
        for start, piece in self._pieces(channel, _PIECE):
            samples[start : start + piece.size] = piece
        return samples

    def flat_level(self, channel: int) -> float:
        """Return the level of a channel whose samples are all one and the same; NaN for one that moves, which tells early."""
        level = math.nan
        for start, piece in self._pieces(channel, _GLANCE):
            level = level if start else float(piece[0])
            if not np.all(piece == level):
                return math.nan
        return level

    def _total(self, channel: int) -> int:
        return self.header.record_count * self.lines[channel].signal.samples_per_record

    def _pieces(self, channel: int, length: int) -> Iterator[tuple[int, SamplesUv]]:
        """Yield one channel from start to end in pieces of ``length`` samples, each with the number of its first one."""
        total = self._total(channel)
        with open_file(self.header.path) as file:
            for start in range(0, total, length):
                yield start, self._read_samples(file, self.lines[channel], start, min(length, total - start))

    def _fill(self, line: Line, samples: SamplesUv, start: Places, low: Places, high: Places) -> None:
        """Fill in sweeps, each from its sample ``low`` up to ``high`` with those of the file from ``start`` on; else NaN."""
        width, length = self.header.sample_bytes, samples.shape[1]
        held = bytearray(LEAD + samples.size * width)
        view = memoryview(held)[LEAD:]
        with open_file(self.header.path) as file:
            for row, (begin, first, last) in enumerate(zip(start.tolist(), low.tolist(), high.tolist(), strict=True)):
                if first < last:
                    sweep = row * length
                    self._read(file, line.signal, begin, view[(sweep + first) * width : (sweep + last) * width])
        scale_bytes(held, width, line.gain, line.zero_uv, samples)
        for row in np.flatnonzero((low > 0) | (high < length)).tolist():
            samples[row, : low[row]] = np.nan
            samples[row, max(0, high[row]) :] = np.nan

    def _read_samples(self, file: FileIO, line: Line, start: int, count: int) -> SamplesUv:
        """Return ``count`` samples from number ``start`` on, shape (count,)."""
        width = self.header.sample_bytes
        samples = np.empty(count, dtype=np.float32)
        held = bytearray(LEAD + count * width)
        self._read(file, line.signal, start, memoryview(held)[LEAD:])
        scale_bytes(held, width, line.gain, line.zero_uv, samples)
        return samples

    def _read(self, file: FileIO, signal: EdfSignal, start: int, into: memoryview) -> None:
        """Fill ``into`` with the bytes of samples from number ``start`` on, record by record just this signal's."""
        width, per_record = self.header.sample_bytes, signal.samples_per_record
        done = 0
        while done < len(into):
            record, within = divmod(start + done // width, per_record)
            until = min(len(into), done + (per_record - within) * width)
            place = self.header.header_bytes + record * self.header.record_bytes + signal.first_byte + within * width
            read_exactly(file, place, into[done:until])
            done = until
