"""Samples of EDF, EDF+, BDF and BDF+ files, read from disk only where they are needed."""

from __future__ import annotations

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
from decussa.recording.timeline import Timeline

Steps = NDArray[np.int16] | NDArray[np.int32]
Places = NDArray[np.int64]

#: Bytes kept free before samples, so that each can be seen as a word that starts a byte early.
_LEAD = 1
#: Samples read at once where a whole channel is needed: so few stay in the cache.
_PIECE = 1 << 16
#: Samples looked at first where a channel that moves shall tell.
_GLANCE = 1 << 13
#: Sweeps decoded together: so few stay in the cache.
_SWEEPS = 16


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

    def scale(self, steps: Steps) -> SamplesUv:
        """Return microvolts from converter steps, as float32."""
        exact = steps * np.float64(self.gain)
        exact += self.signal.physical[0] * self.uv_per_unit - self.gain * self.signal.digital[0]
        return exact.astype(np.float32)

    @property
    def rails_uv(self) -> tuple[float, float]:
        """Return the ends of the converter's range in microvolt, exactly as samples there come out."""
        ends = self.scale(np.array(self.signal.digital, dtype=np.int32))
        return float(ends.min()), float(ends.max())


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
            total=self.header.record_count * per_record,
            first=self.runs.first * per_record,
            start_s=self.runs.start_s,
        )

    def cut(self, channel: int, events: Sequence[StimulusEvent], before_ms: float, after_ms: float) -> SweepBatch:
        """Return the sweeps of ``events`` on ``channel``; only their bytes are read."""
        line = self.lines[channel]
        rate_hz = self.header.rate_hz(line.signal)
        placed = self.timeline(channel).place([event.onset_s for event in events], before_ms, after_ms)
        total = self.header.record_count * line.signal.samples_per_record
        held = np.array([held_samples(event, rate_hz, total) for event in events], dtype=np.int64).reshape(-1, 2)
        start = np.maximum.reduce([placed.first, placed.low, held[:, 0]])
        stop = np.minimum.reduce([placed.first + placed.length, placed.high, held[:, 1]])
        samples = np.empty((len(events), placed.length), dtype=np.float32)
        with open_file(self.header.path) as file:
            for sweep in range(0, len(events), _SWEEPS):
                few = slice(sweep, sweep + _SWEEPS)
                self._cut_few(file, line, samples[few], placed.first[few], start[few], stop[few])
        onset_sample = placed.onset_sample
        if any(event.segment_s is not None for event in events):
            samples, onset_sample = held_by_all(samples, onset_sample)
        return SweepBatch(samples_uv=samples, rate_hz=rate_hz, onset_sample=onset_sample, shift_ms=placed.shift_ms)

    def read_channel(self, channel: int) -> SamplesUv:
        """Return all samples of one channel, shape (n_samples,), in microvolt (or its own unit where it is no voltage)."""
        samples = np.empty(self.header.record_count * self.lines[channel].signal.samples_per_record, dtype=np.float32)
        at = 0
        for piece in self.pieces(channel):
            samples[at : at + piece.size] = piece
            at += piece.size
        return samples

    def pieces(self, channel: int, length: int = _PIECE) -> Iterator[SamplesUv]:
        """Yield one channel from start to end in pieces of ``length`` samples."""
        line = self.lines[channel]
        total = self.header.record_count * line.signal.samples_per_record
        with open_file(self.header.path) as file:
            for start in range(0, total, length):
                held = bytearray(_LEAD + min(length, total - start) * self.header.sample_bytes)
                self._read(file, line.signal, start, memoryview(held)[_LEAD:])
                yield line.scale(_decode(held, self.header.sample_bytes))

    def is_flat(self, channel: int) -> bool:
        """Return whether all samples of a channel are one and the same; a channel that moves tells early."""
        seen = (float(end) for piece in self.pieces(channel, _GLANCE) for end in (piece.min(), piece.max()))
        first = next(seen)
        return all(end == first for end in seen)

    def _cut_few(
        self, file: FileIO, line: Line, samples: SamplesUv, first: Places, start: Places, stop: Places
    ) -> None:
        """Fill in sweeps whose first samples have the numbers ``first``; the file holds those from ``start`` up to ``stop``."""
        width, length = self.header.sample_bytes, samples.shape[1]
        held = bytearray(_LEAD + samples.size * width)
        view = memoryview(held)[_LEAD:]
        missing = []
        for row, (begin, low, high) in enumerate(
            zip(start.tolist(), (start - first).tolist(), (stop - first).tolist(), strict=True)
        ):
            if low < high:
                self._read(file, line.signal, begin, view[(row * length + low) * width : (row * length + high) * width])
            if low > 0 or high < length:
                missing += [samples[row, :low], samples[row, max(0, high) :]]
        samples[:] = line.scale(_decode(held, width)).reshape(samples.shape)
        for part in missing:
            part[:] = np.nan

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


def _decode(held: bytearray, width: int) -> Steps:
    """Return signed integers from little-endian two- or three-byte samples that start after ``_LEAD`` bytes."""
    if width == 2:
        return np.frombuffer(held, dtype="<i2", offset=_LEAD)
    # Each sample is seen as a word that starts a byte early: the shift drops that byte and brings the sign along.
    words = np.ndarray(((len(held) - _LEAD) // 3,), dtype="<i4", buffer=held, offset=_LEAD - 1, strides=(3,))
    return words >> 8
