"""A BDF+ file that grows while it is recorded, and can be read at any moment: also after its program was killed.

The header's number of data records follows every record, a fifth of a second each. A kill between the two leaves less
than one record too many, which ``mend_bdf`` takes away. Format: Kemp and Olivan 2003, doi 10.1016/s1388-2457(03)00123-8,
with samples of 24 bits.
"""

from __future__ import annotations

import math
import os
from collections import deque
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from decussa.model.errors import MachineError, RecordingError
from decussa.model.recording import Channel
from decussa.model.sweep import SamplesUv

#: Ends of the range where a stream does not tell them: 0.05 of a unit is the last bit.
RANGE = 400_000.0
_DIGITAL = (-8_388_608, 8_388_607)
_RECORD_S = 0.2
_TEXT_BYTES = 360
_COUNT_AT = 236
_LOST = "samples lost"


class GrowingBdf:
    """Writes one device's channels; missing samples are written as 0, with an annotation that says so.

    Parameters
    ----------
    path : Path
        New file.
    channels : sequence of Channel
        ``low_uv`` and ``high_uv`` become the physical range where they are finite; a sample beyond it is cut off there.
    rate_hz : float
        Sampling rate.
    participant : str
        Pseudonym.
    start : datetime
        When the first sample was taken, about.

    Raises
    ------
    MachineError
        If the file cannot be written.
    """

    def __init__(
        self, path: Path, channels: Sequence[Channel], rate_hz: float, *, participant: str = "X", start: datetime
    ) -> None:
        self.path, self.rate_hz = path, rate_hz
        self._count = max(1, round(rate_hz * _RECORD_S))
        self._ranges = np.array([_range(channel) for channel in channels], dtype=np.float64)
        self._waiting: list[SamplesUv] = []
        self._waits = self.records = 0
        self._texts: deque[tuple[float, str]] = deque()
        header = _header(channels, self._ranges, self._count, rate_hz, participant, start.astimezone(UTC))
        try:
            self._file = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644)
            self._end = os.pwrite(self._file, header, 0)
        except OSError as error:
            raise MachineError("stream cannot be kept", where=path, found=str(error)) from None

    def write(self, samples: SamplesUv) -> None:
        """Take samples, shape (n_channels, n_samples); NaN where they were lost.

        Raises
        ------
        MachineError
            If the disk refuses.
        """
        self._say_lost(samples)
        self._waiting.append(samples)
        self._waits += samples.shape[1]
        if self._waits < self._count:
            return
        whole = np.concatenate(self._waiting, axis=1)
        while whole.shape[1] >= self._count:
            self._record(whole[:, : self._count])
            whole = whole[:, self._count :]
        self._waiting, self._waits = [whole], whole.shape[1]

    def note(self, sample: int, text: str) -> None:
        """Take words about a sample, counted from the first that was written."""
        self._texts.append((max(sample, 0) / self.rate_hz, text))

    def close(self) -> None:
        """Write what is left, filled up with zeros, and wait until it is on disk."""
        if self._waits or self._texts:
            left = np.concatenate([np.empty((len(self._ranges), 0), np.float32), *self._waiting], axis=1)
            self._record(np.pad(left, ((0, 0), (0, self._count - left.shape[1]))))
            while self._texts:
                self._record(np.zeros((len(self._ranges), self._count), dtype=np.float32))
        os.fsync(self._file)
        os.close(self._file)

    def _say_lost(self, samples: SamplesUv) -> None:
        missing = np.isnan(samples).any(axis=0)
        if missing.any():
            edges = np.flatnonzero(np.diff(missing, prepend=False, append=False))
            base = self.records * self._count + self._waits
            for start, stop in edges.reshape(-1, 2):
                self.note(base + int(start), f"{_LOST}: {stop - start}")

    def _record(self, samples: SamplesUv) -> None:
        low, high = self._ranges[:, :1], self._ranges[:, 1:]
        share = (np.clip(np.nan_to_num(samples.astype(np.float64)), low, high) - low) / (high - low)
        digital = np.round(share * (_DIGITAL[1] - _DIGITAL[0]) + _DIGITAL[0]).astype("<i4")
        data = digital.reshape(-1, 1).view(np.uint8)[:, :3].tobytes() + self._text()
        try:
            if os.pwrite(self._file, data, self._end) != len(data):
                raise OSError("disk full")
            self._end += len(data)
            self.records += 1
            os.pwrite(self._file, f"{self.records:<8d}".encode(), _COUNT_AT)
        except OSError as error:
            raise MachineError("stream can no longer be kept", where=self.path, found=str(error)) from None

    def _text(self) -> bytes:
        """Return the annotations of a record: its own time first, then what was said and still fits."""
        text = f"+{_plain(self.records * self._count / self.rate_hz)}\x14\x14\x00".encode()
        while self._texts:
            at_s, words = self._texts[0]
            said = f"+{_plain(at_s)}\x14{' '.join(words.split())}".encode()[: _TEXT_BYTES - 40]
            said = said.decode("utf-8", "ignore").encode() + b"\x14\x00"
            if len(text) + len(said) > _TEXT_BYTES:
                break
            text += said
            self._texts.popleft()
        return text.ljust(_TEXT_BYTES, b"\x00")


def mend_bdf(path: Path) -> int:
    """Have the header of a file whose program was killed tell the records that are whole; return their number.

    Raises
    ------
    RecordingError
        If the file is too short to be one.
    """
    with path.open("r+b") as file:
        head = file.read(256)
        try:
            header_bytes, signals = int(head[184:192]), int(head[252:256])
            file.seek(256 + signals * 216)
            counts = [int(file.read(8)) for _ in range(signals)]
        except ValueError:
            raise RecordingError("header is not whole", where=path, do="take the file away") from None
        record_bytes = 3 * sum(counts)
        size = file.seek(0, os.SEEK_END)
        records = max(0, (size - header_bytes) // record_bytes)
        file.truncate(header_bytes + records * record_bytes)
        file.seek(_COUNT_AT)
        file.write(f"{records:<8d}".encode())
        file.flush()
        os.fsync(file.fileno())
    return records


def _range(channel: Channel) -> tuple[float, float]:
    ends = (channel.low_uv, channel.high_uv)
    fits = all(math.isfinite(end) and float(f"{end:.7g}"[:8]) == end for end in ends) and ends[0] < ends[1]
    return ends if fits else (-RANGE, RANGE)


def _header(
    channels: Sequence[Channel],
    ranges: np.ndarray,
    count: int,
    rate_hz: float,
    participant: str,
    start: datetime,
) -> bytes:
    months = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")
    date = f"{start.day:02d}-{months[start.month - 1]}-{start.year}"
    signals = len(channels) + 1
    labels = [*(_ascii(channel.name) for channel in channels), "BDF Annotations"]
    units = [*("uV" if channel.kind == "emg" else _ascii(channel.unit) for channel in channels), ""]
    lows = [*(f"{low:.7g}" for low in ranges[:, 0]), "-1"]
    highs = [*(f"{high:.7g}" for high in ranges[:, 1]), "1"]
    counts = [*(str(count) for _ in channels), str(_TEXT_BYTES // 3)]
    columns: list[tuple[int, list[str]]] = [
        (16, labels),
        (80, [""] * signals),
        (8, units),
        (8, lows),
        (8, highs),
        (8, [str(_DIGITAL[0])] * signals),
        (8, [str(_DIGITAL[1])] * signals),
        (80, [""] * signals),
        (8, counts),
        (32, [""] * signals),
    ]
    fixed = [
        (80, f"{_ascii(participant).replace(' ', '_')} X X X"),
        (80, f"Startdate {date} X X X"),
        (8, start.strftime("%d.%m.%y")),
        (8, start.strftime("%H.%M.%S")),
        (8, str(256 * (signals + 1))),
        (44, "BDF+C"),
        (8, "0"),
        (8, _plain(count / rate_hz)),
        (4, str(signals)),
    ]
    text = "".join(part[:width].ljust(width) for width, part in fixed)
    text += "".join(part[:width].ljust(width) for width, parts in columns for part in parts)
    return b"\xffBIOSEMI" + text.encode("ascii")


def _plain(value: float) -> str:
    """Return a number of seconds without an exponent, at most eight characters after which nothing is lost in practice."""
    return f"{value:.6f}".rstrip("0").rstrip(".")


def _ascii(text: str) -> str:
    return text.encode("ascii", "replace").decode()
