"""Samples and annotations of EDF, EDF+, BDF and BDF+ files, read from disk only where they are needed."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from io import FileIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import MachineError, RecordingError
from decussa.model.recording import StimulusEvent, SweepBatch
from decussa.model.sweep import SamplesUv
from decussa.recording.cutting import held_by_all, held_samples
from decussa.recording.edf_header import EdfHeader, EdfSignal
from decussa.recording.timeline import Timeline, check_gaps

#: Bytes kept free before samples, so that each can be seen as a word that starts a byte early.
_LEAD = 1
#: Data records whose time stamps fit closer than this follow each other: stamps are rounded.
_SAME_S = 1e-4
#: Samples read at once where a whole channel is needed.
_PIECE = 1 << 18


@dataclass(frozen=True, slots=True)
class Annotation:
    """Text at a time in seconds from the first sample."""

    onset_s: float
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class Runs:
    """Data records that follow each other without a gap: number of the first of each run, and its start in seconds.

    Both are arrays of shape (n_runs,); a file without gaps is one run that starts at 0.
    """

    first: NDArray[np.int64]
    start_s: NDArray[np.float64]


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

    def scale(self, steps: NDArray[np.int32]) -> SamplesUv:
        """Return microvolts from converter steps, as float32."""
        zero = self.signal.physical[0] * self.uv_per_unit - self.gain * self.signal.digital[0]
        return (steps * self.gain + zero).astype(np.float32)

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
        samples = np.full((len(events), placed.length), np.nan, dtype=np.float32)
        with open_file(self.header.path) as file:
            for sweep, (event, first) in enumerate(zip(events, placed.first, strict=True)):
                held = held_samples(event, rate_hz, total)
                start = max(int(first), int(placed.low[sweep]), held[0])
                stop = min(int(first) + placed.length, int(placed.high[sweep]), held[1])
                if start < stop:
                    cut = line.scale(self._steps(file, line.signal, start, stop))
                    samples[sweep, start - first : stop - first] = cut
        onset_sample = placed.onset_sample
        if any(event.segment_s is not None for event in events):
            samples, onset_sample = held_by_all(samples, onset_sample)
        return SweepBatch(samples_uv=samples, rate_hz=rate_hz, onset_sample=onset_sample, shift_ms=placed.shift_ms)

    def read_channel(self, channel: int) -> SamplesUv:
        """Return all samples of one channel, shape (n_samples,), in microvolt (or its own unit where it is no voltage)."""
        return np.concatenate(list(self.pieces(channel)))

    def pieces(self, channel: int) -> Iterator[SamplesUv]:
        """Yield one channel from start to end in pieces of a bounded size."""
        line = self.lines[channel]
        total = self.header.record_count * line.signal.samples_per_record
        with open_file(self.header.path) as file:
            for start in range(0, total, _PIECE):
                yield line.scale(self._steps(file, line.signal, start, min(start + _PIECE, total)))

    def is_flat(self, channel: int) -> bool:
        """Return whether all samples of a channel are one and the same; a channel that moves tells early."""
        seen = (float(end) for piece in self.pieces(channel) for end in (piece.min(), piece.max()))
        first = next(seen)
        return all(end == first for end in seen)

    def _steps(self, file: FileIO, signal: EdfSignal, start: int, stop: int) -> NDArray[np.int32]:
        """Return converter steps of samples ``start`` to ``stop``, reading record by record just this signal's bytes."""
        width = self.header.sample_bytes
        per_record = signal.samples_per_record
        held = bytearray(_LEAD + (stop - start) * width)
        view = memoryview(held)[_LEAD:]
        at = start
        while at < stop:
            record, within = divmod(at, per_record)
            until = min(stop, (record + 1) * per_record)
            file.seek(self.header.header_bytes + record * self.header.record_bytes + signal.first_byte + within * width)
            piece = view[(at - start) * width : (until - start) * width]
            if file.readinto(piece) != len(piece):
                raise MachineError("file became shorter while it was read", where=self.header.path, do="try again")
            at = until
        return _decode(held, width)


def _decode(held: bytearray, width: int) -> NDArray[np.int32]:
    """Return signed integers from little-endian two- or three-byte samples that start after ``_LEAD`` bytes."""
    if width == 2:
        return np.frombuffer(held, dtype="<i2", offset=_LEAD).astype(np.int32)
    # Each sample is seen as a word that starts a byte early: the shift drops that byte and brings the sign along.
    words = np.ndarray(((len(held) - _LEAD) // 3,), dtype="<i4", buffer=held, offset=_LEAD - 1, strides=(3,))
    return words >> 8


def open_file(path: Path) -> FileIO:
    """Open a file for reading without a buffer: sweeps are small islands far apart."""
    try:
        return FileIO(path, "rb")
    except OSError as error:
        raise MachineError("file cannot be read", where=path, found=error.strerror or str(error)) from error


def read_stamps(header: EdfHeader) -> tuple[tuple[Annotation, ...], Runs]:
    """Return the annotations of a file in order of onset (none for plain EDF or BDF), and which data records follow each other.

    Raises
    ------
    RecordingError
        If the time stamps cannot be read, or the data records of EDF+D run backwards.
    """
    carriers = [signal for signal in header.signals if signal.holds_annotations]
    found: list[Annotation] = []
    starts: list[float] = []
    if carriers:
        with open_file(header.path) as file:
            for record in range(header.record_count):
                for carrier in carriers:
                    file.seek(header.header_bytes + record * header.record_bytes + carrier.first_byte)
                    block = file.read(carrier.samples_per_record * header.sample_bytes)
                    stamped = _parse_block(header.path, record, block)
                    if carrier is carriers[0]:
                        starts.append(next((item.onset_s for item in stamped), math.nan))
                    found.extend(item for item in stamped if item.text)
    # Time stamps count from the header's whole second; the first record may start a fraction later.
    zero = starts[0] if starts and math.isfinite(starts[0]) else 0.0
    runs = _find_runs(header, starts, zero) if header.discontinuous else Runs(np.zeros(1, dtype=np.int64), np.zeros(1))
    notes = [Annotation(item.onset_s - zero, item.text) for item in found]
    return tuple(sorted(notes, key=lambda item: item.onset_s)), runs


def _parse_block(path: Path, record: int, block: bytes) -> list[Annotation]:
    """Return what one record's annotation signal says; the record's own time stamp comes first, with empty text."""
    items: list[Annotation] = []
    for stamped in block.rstrip(b"\0").split(b"\0"):
        if not stamped:
            continue
        when, *texts = stamped.split(b"\x14")
        try:
            onset_s = float(when.split(b"\x15")[0])
        except ValueError:
            onset_s = math.nan
        if not math.isfinite(onset_s):
            raise RecordingError(
                f"annotation in data record {record + 1} cannot be read",
                where=path,
                expected="a time in seconds",
                found=repr(when[:20].decode("latin-1")),
                do="export the recording again",
            )
        items.extend(Annotation(onset_s, text.decode("utf-8", "replace").strip()) for text in texts[:-1] or [b""])
    return items


def _find_runs(header: EdfHeader, starts: Sequence[float], zero: float) -> Runs:
    """Return the runs of a file whose data records need not follow each other (EDF+D, BDF+D)."""
    unstamped = next((record for record, start_s in enumerate(starts) if math.isnan(start_s)), None if starts else 0)
    if unstamped is not None:
        raise RecordingError(
            "data record has no time stamp",
            where=header.path,
            expected="a time for every data record, as the header says that there are gaps",
            found=f"none in data record {unstamped + 1}",
            do="export the recording again",
        )
    first, start_s = [0], [0.0]
    for record, stamp in enumerate(starts[1:], start=1):
        at = stamp - zero
        if at - (starts[record - 1] - zero) < header.record_s - _SAME_S:
            raise RecordingError(
                "data records run backwards",
                where=header.path,
                expected=f"data record {record + 1} at {starts[record - 1] - zero + header.record_s:g} s or later",
                found=f"{at:g} s",
                do="export the recording again",
            )
        if abs(at - (start_s[-1] + (record - first[-1]) * header.record_s)) > _SAME_S:
            first.append(record)
            start_s.append(at)
    check_gaps(start_s[-1] - first[-1] * header.record_s, str(header.path))
    return Runs(np.array(first, dtype=np.int64), np.array(start_s, dtype=np.float64))
