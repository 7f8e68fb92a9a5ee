"""Annotations and time stamps of EDF+ and BDF+ files, and which of their data records follow each other."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from io import FileIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import MachineError, RecordingError
from decussa.recording.edf_header import EdfHeader, EdfSignal
from decussa.recording.timeline import check_gaps

#: Data records whose time stamps fit closer than this follow each other: stamps are rounded.
_SAME_S = 1e-4
#: Bytes of annotations that are read together.
_TOGETHER = 1 << 24


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


def read_stamps(header: EdfHeader) -> tuple[tuple[Annotation, ...], Runs]:
    """Return the annotations of a file in order of onset (none for plain EDF or BDF), and which data records follow each other.

    Raises
    ------
    RecordingError
        If the time stamps cannot be read, or the data records of EDF+D run backwards.
    MachineError
        If the file cannot be read, or became shorter.
    """
    carriers = [signal for signal in header.signals if signal.holds_annotations]
    starts_s = np.full(header.record_count if carriers else 0, np.nan)
    stamped: list[tuple[float, list[bytes]]] = []
    for record, first, lists in _read_lists(header, carriers):
        onsets_s = _read_onsets(header.path, record, [parts[0] for parts in lists])
        # The first list of a record's first annotation signal is the record's own time stamp.
        starts_s[record[first][::-1]] = onsets_s[first][::-1]
        stamped += zip(onsets_s.tolist(), lists, strict=True)
    # Time stamps count from the header's whole second; the first record may start a fraction later.
    zero = float(starts_s[0]) if starts_s.size and math.isfinite(starts_s[0]) else 0.0
    runs = (
        _find_runs(header, starts_s.tolist(), zero)
        if header.discontinuous
        else Runs(np.zeros(1, dtype=np.int64), np.zeros(1))
    )
    notes = [
        Annotation(onset_s - zero, text)
        for onset_s, parts in stamped
        for said in parts[1:-1]
        if said and (text := said.decode("utf-8", "replace").strip())
    ]
    return tuple(sorted(notes, key=lambda item: item.onset_s)), runs


def _read_lists(
    header: EdfHeader, carriers: Sequence[EdfSignal]
) -> Iterator[tuple[NDArray[np.int64], NDArray[np.bool_], list[list[bytes]]]]:
    """Yield the annotation lists of some data records: number of the record, whether its first signal holds them, their parts."""
    if not carriers:
        return
    # A byte of zero more than the longest signal: no list runs into the next one.
    spans = [(carrier.first_byte, carrier.samples_per_record * header.sample_bytes) for carrier in carriers]
    width = 1 + max(length for _, length in spans)
    together = max(1, _TOGETHER // (width * len(spans)))
    with open_file(header.path) as file:
        for first in range(0, header.record_count, together):
            count = min(together, header.record_count - first)
            held = bytearray(count * len(carriers) * width)
            view = memoryview(held)
            places = [
                (header.header_bytes + record * header.record_bytes + first_byte, length)
                for record in range(first, first + count)
                for first_byte, length in spans
            ]
            for at, (place, length) in zip(range(0, len(held), width), places, strict=True):
                read_exactly(file, place, view[at : at + length])
            filled = np.concatenate([[False], np.frombuffer(held, dtype=np.uint8) != 0])
            begins, ends = np.flatnonzero(np.diff(filled)).reshape(-1, 2).T
            signal = begins // width
            text = bytes(held)
            lists = [text[begin:end].split(b"\x14") for begin, end in zip(begins.tolist(), ends.tolist(), strict=True)]
            yield first + signal // len(carriers), signal % len(carriers) == 0, lists


def _read_onsets(path: Path, record: NDArray[np.int64], whens: Sequence[bytes]) -> NDArray[np.float64]:
    """Return onsets in seconds, each with its duration left out."""
    onsets_s = np.array([_seconds(when.partition(b"\x15")[0]) for when in whens], dtype=np.float64)
    unreadable = np.flatnonzero(~np.isfinite(onsets_s))
    if unreadable.size:
        raise RecordingError(
            f"annotation in data record {record[unreadable[0]] + 1} cannot be read",
            where=path,
            expected="a time in seconds",
            found=repr(whens[unreadable[0]][:20].decode("latin-1")),
            do="export the recording again",
        )
    return onsets_s


def _seconds(text: bytes) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan


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


def open_file(path: Path) -> FileIO:
    """Open a file for reading without a buffer: sweeps are small islands far apart."""
    try:
        return FileIO(path, "rb")
    except OSError as error:
        raise MachineError("file cannot be read", where=path, found=error.strerror or str(error)) from error


def read_exactly(file: FileIO, place: int, into: memoryview) -> None:
    """Fill ``into`` with the bytes from ``place`` on."""
    file.seek(place)
    if file.readinto(into) != len(into):
        raise MachineError("file became shorter while it was read", where=str(file.name), do="try again")
