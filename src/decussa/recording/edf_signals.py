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
from decussa.recording.cutting import place_sweeps
from decussa.recording.edf_header import EdfHeader, EdfSignal

#: Bytes kept free before samples, so that each can be seen as a word that starts a byte early.
_LEAD = 1
#: Samples read at once where a whole channel is needed.
_PIECE = 1 << 18


@dataclass(frozen=True, slots=True)
class Annotation:
    """Text at a time in seconds from the first sample."""

    onset_s: float
    text: str


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

    def cut(self, channel: int, events: Sequence[StimulusEvent], before_ms: float, after_ms: float) -> SweepBatch:
        """Return the sweeps of ``events`` on ``channel``; only their bytes are read."""
        line = self.lines[channel]
        rate_hz = self.header.rate_hz(line.signal)
        placed = place_sweeps([event.onset_s for event in events], rate_hz, before_ms, after_ms)
        total = self.header.record_count * line.signal.samples_per_record
        samples = np.full((len(events), placed.length), np.nan, dtype=np.float32)
        with open_file(self.header.path) as file:
            for sweep, first in enumerate(placed.first):
                start, stop = max(int(first), 0), min(int(first) + placed.length, total)
                if start < stop:
                    cut = line.scale(self._steps(file, line.signal, start, stop))
                    samples[sweep, start - first : stop - first] = cut
        return SweepBatch(
            samples_uv=samples, rate_hz=rate_hz, onset_sample=placed.onset_sample, shift_ms=placed.shift_ms
        )

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


def read_annotations(header: EdfHeader) -> tuple[Annotation, ...]:
    """Return the annotations of an EDF+ or BDF+ file in order of onset; none for plain EDF or BDF.

    Raises
    ------
    RecordingError
        If the file has gaps (EDF+D whose records do not follow each other), or its time stamps cannot be read.
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
                        starts.append(next((item.onset_s for item in stamped), record * header.record_s))
                    found.extend(item for item in stamped if item.text)
    elif header.discontinuous:
        raise _has_gaps(header, "no time stamps")
    if header.discontinuous:
        _refuse_gaps(header, starts)
    # Time stamps count from the header's whole second; the first record may start a fraction later.
    zero = starts[0] if starts else 0.0
    return tuple(sorted((Annotation(item.onset_s - zero, item.text) for item in found), key=lambda item: item.onset_s))


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


def _refuse_gaps(header: EdfHeader, starts: Sequence[float]) -> None:
    steps = np.diff(np.array(starts))
    wrong = np.flatnonzero(np.abs(steps - header.record_s) > 1e-4)
    if wrong.size:
        raise _has_gaps(header, f"a jump of {steps[wrong[0]]:g} s after data record {wrong[0] + 1}")


def _has_gaps(header: EdfHeader, found: str) -> RecordingError:
    return RecordingError(
        "recording has gaps",
        where=header.path,
        expected="data records that follow each other without a gap",
        found=found,
        do="export the recording as a continuous file, or each piece on its own",
    )
