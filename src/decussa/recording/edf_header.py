"""The header of EDF, EDF+, BDF and BDF+ files, checked against the file before a sample is read.

Published sources: Kemp, Värri, Rosa, Nielsen and Gade 1992, doi 10.1016/0013-4694(92)90009-7 (EDF); Kemp and Olivan 2003,
doi 10.1016/S1388-2457(03)00123-8 (EDF+). BDF has the same header and samples of three bytes.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from decussa.model.errors import RecordingError

MAGIC_EDF = b"0       "
MAGIC_BDF = b"\xffBIOSEMI"
_MAIN_BYTES = 256
_SIGNAL_BYTES = 256
#: Widths of the fields that follow the main header, each repeated for all signals.
_WIDTHS = {
    "label": 16, "transducer": 80, "unit": 8, "physical minimum": 8, "physical maximum": 8, "digital minimum": 8,
    "digital maximum": 8, "prefilter": 80, "samples per record": 8, "reserved": 32,
}  # fmt: skip
#: No converter for EMG is faster, no voltage greater: beyond, the header is damaged.
GREATEST_RATE_HZ = 1e6
_GREATEST_PHYSICAL = 1e15
_DATE_AT = 168
_GREATEST_SHIFT = 8
_ANNOTATION_LABELS = {"EDF Annotations", "BDF Annotations"}
_MONTHS = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")


@dataclass(frozen=True, slots=True, kw_only=True)
class EdfSignal:
    """One signal of the header. ``first_byte`` is where its samples start within each data record."""

    label: str
    transducer: str
    unit: str
    physical: tuple[float, float]
    digital: tuple[int, int]
    prefilter: str
    samples_per_record: int
    first_byte: int

    @property
    def holds_annotations(self) -> bool:
        """Whether the signal carries time-stamped text in place of samples."""
        return self.label in _ANNOTATION_LABELS


@dataclass(frozen=True, slots=True, kw_only=True)
class EdfHeader:
    """What the header says. ``record_s`` is the length of a data record in seconds; ``start`` is ISO text or empty."""

    path: Path
    sample_bytes: int
    header_bytes: int
    record_bytes: int
    record_count: int
    record_s: float
    start: str
    discontinuous: bool
    signals: tuple[EdfSignal, ...]
    notes: tuple[str, ...]

    @property
    def duration_s(self) -> float:
        """Length of the recording in seconds."""
        return self.record_count * self.record_s

    def rate_hz(self, signal: EdfSignal) -> float:
        """Sampling rate of ``signal``."""
        return signal.samples_per_record / self.record_s


def is_edf(first_bytes: bytes) -> bool:
    """Return whether a file that starts with these bytes is EDF or BDF."""
    return first_bytes[:8] in {MAGIC_EDF, MAGIC_BDF}


def read_header(path: Path) -> EdfHeader:
    """Read and check the header of an EDF, EDF+, BDF or BDF+ file.

    Raises
    ------
    RecordingError
        If the file is empty or cut short, is of another kind, or its header contradicts itself or the file's length.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        main, shift = _align(_check_magic(path, file.read(_MAIN_BYTES + _GREATEST_SHIFT)))
        if len(main) < _MAIN_BYTES:
            raise _cut_short(path, _MAIN_BYTES, len(main))
        count = _whole(path, "number of signals", main[252:256], least=1)
        header_bytes = _whole(path, "number of header bytes", main[184:192], least=0)
        if header_bytes != _MAIN_BYTES + _SIGNAL_BYTES * count:
            raise RecordingError(
                "header contradicts itself",
                where=path,
                expected=f"{_MAIN_BYTES + _SIGNAL_BYTES * count} header bytes for {count} signals",
                found=str(header_bytes),
                do="export the recording again",
            )
        header_bytes += shift
        if size < header_bytes:
            raise _cut_short(path, header_bytes, size)
        file.seek(_MAIN_BYTES + shift)
        rest = file.read(_SIGNAL_BYTES * count)
    sample_bytes = 3 if main[:8] == MAGIC_BDF else 2
    signals = _parse_signals(path, rest, count, sample_bytes)
    record_bytes = sum(signal.samples_per_record for signal in signals) * sample_bytes
    record_count, notes = _count_records(path, main[236:244], size - header_bytes, record_bytes)
    record_s = _real(path, "duration of a data record", main[244:252])
    greatest = max(signal.samples_per_record for signal in signals)
    if record_s <= 0 or greatest / record_s > GREATEST_RATE_HZ:
        raise RecordingError(
            "sampling rate cannot be known",
            where=path,
            expected=f"data records that last above 0 s, and at most {GREATEST_RATE_HZ:g} Hz",
            found=f"{greatest} samples in {record_s:g} s",
            do="export the recording again with the right sampling rate",
        )
    return EdfHeader(
        path=path,
        sample_bytes=sample_bytes,
        header_bytes=header_bytes,
        record_bytes=record_bytes,
        record_count=record_count,
        record_s=record_s,
        start=_parse_start(main),
        discontinuous=main[192:197] in {b"EDF+D", b"BDF+D"},
        signals=signals,
        notes=(*notes, *([f"the header is {shift:+d} byte off from the date on; read from there"] if shift else [])),
    )


def _check_magic(path: Path, first: bytes) -> bytes:
    if not first:
        raise RecordingError("file is empty", where=path, expected="an EDF or BDF header", do="copy the file again")
    if not is_edf(first):
        raise RecordingError(
            "not an EDF or BDF file",
            where=path,
            expected="a file that starts with '0' and blanks (EDF) or byte 255 and BIOSEMI (BDF)",
            found=repr(first[:8]),
            do="export the recording as EDF+ or BDF+",
        )
    return first


def _align(first: bytes) -> tuple[bytes, int]:
    """Return the main header and by how many bytes all that follows the date is off.

    Editing names out of a header by hand may lose a byte of the free text before the date. Date and time have a shape
    of their own, so the loss is certain; that the file's length then fits to the byte is checked with the data records.
    """
    date = re.search(rb"\d\d\.\d\d\.\d{4}\.\d\d\.\d\d", first[_DATE_AT - _GREATEST_SHIFT :])
    shift = date.start() - _GREATEST_SHIFT if date else 0
    if abs(shift) > _GREATEST_SHIFT:
        shift = 0
    return first[:_DATE_AT].ljust(_DATE_AT)[:_DATE_AT] + first[_DATE_AT + shift : _MAIN_BYTES + shift], shift


def _parse_signals(path: Path, text: bytes, count: int, sample_bytes: int) -> tuple[EdfSignal, ...]:
    fields: dict[str, list[bytes]] = {}
    at = 0
    for name, width in _WIDTHS.items():
        fields[name] = [text[at + width * index : at + width * (index + 1)] for index in range(count)]
        at += width * count
    signals: list[EdfSignal] = []
    first_byte = 0
    for index in range(count):
        signal = _parse_signal(
            path, {name: values[index] for name, values in fields.items()}, index, first_byte, sample_bytes
        )
        signals.append(signal)
        first_byte += signal.samples_per_record * sample_bytes
    return tuple(signals)


def _parse_signal(path: Path, field: dict[str, bytes], index: int, first_byte: int, sample_bytes: int) -> EdfSignal:
    label = _text(field["label"]) or f"signal {index + 1}"
    of = f" of {label}"
    samples = _whole(path, "samples per record" + of, field["samples per record"], least=0)
    if samples == 0:
        raise RecordingError(
            f"channel {label} has a sampling rate of 0 Hz",
            where=path,
            expected="1 or more samples per data record",
            found="0",
            do="export the recording again without this channel",
        )
    digital = (
        _whole(path, "digital minimum" + of, field["digital minimum"]),
        _whole(path, "digital maximum" + of, field["digital maximum"]),
    )
    physical = (
        _real(path, "physical minimum" + of, field["physical minimum"]),
        _real(path, "physical maximum" + of, field["physical maximum"]),
    )
    whole = 1 << (8 * sample_bytes - 1)
    meant = -whole <= digital[0] < digital[1] < whole and physical[0] != physical[1]
    if label not in _ANNOTATION_LABELS and not (meant and max(map(abs, physical)) < _GREATEST_PHYSICAL):
        raise RecordingError(
            f"scale of channel {label} cannot be known",
            where=path,
            expected=f"two different ends each, the digital within {-whole} to {whole - 1}",
            found=f"physical {physical[0]:g} to {physical[1]:g}, digital {digital[0]} to {digital[1]}",
            do="export the recording again",
        )
    return EdfSignal(
        label=label,
        transducer=_text(field["transducer"]),
        unit=_text(field["unit"]),
        physical=physical,
        digital=digital,
        prefilter=_text(field["prefilter"]),
        samples_per_record=samples,
        first_byte=first_byte,
    )


def _count_records(path: Path, field: bytes, body_bytes: int, record_bytes: int) -> tuple[int, tuple[str, ...]]:
    promised = _whole(path, "number of data records", field, least=-1)
    whole, left = divmod(body_bytes, record_bytes)
    if promised == -1 and whole > 0:
        note = f"the header was never closed: {whole} whole data records were found and read"
        return whole, (note + (f", {left} bytes of a last one left out" if left else ""),)
    if promised <= 0:
        raise RecordingError("recording holds no samples", where=path, found="0 data records", do="copy the file again")
    if promised != whole or left:
        raise RecordingError(
            "file is cut short" if body_bytes < promised * record_bytes else "file is longer than its header says",
            where=path,
            expected=f"{promised} data records of {record_bytes} bytes",
            found=f"{body_bytes / record_bytes:.1f} data records",
            do="copy or export the file again",
        )
    return promised, ()


def _cut_short(path: Path, expected: int, found: int) -> RecordingError:
    return RecordingError(
        "file is cut short",
        where=path,
        expected=f"a header of {expected} bytes",
        found=f"{found} bytes in all",
        do="copy the file again",
    )


def _text(field: bytes) -> str:
    """Decode a header field; the standard allows ASCII only, but labs write umlauts and the micro sign."""
    try:
        text = field.decode("utf-8")
    except UnicodeDecodeError:
        text = field.decode("latin-1")
    return text.replace("\0", " ").strip()


def _real(path: Path, name: str, field: bytes) -> float:
    try:
        number = float(_text(field))
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise _not_a_number(path, name, field)
    return number


def _whole(path: Path, name: str, field: bytes, *, least: int | None = None) -> int:
    number = _real(path, name, field)
    if number != int(number) or (least is not None and number < least):
        raise _not_a_number(path, name, field, "a whole number" + ("" if least is None else f" from {least}"))
    return int(number)


def _not_a_number(path: Path, name: str, field: bytes, expected: str = "a number") -> RecordingError:
    return RecordingError(
        f"header cannot be read: {name}",
        where=path,
        expected=expected,
        found=repr(_text(field)),
        do="export the recording again",
    )


def _parse_start(main: bytes) -> str:
    """Return date and time of the first sample as ISO text; empty where the header does not tell."""
    digits = re.fullmatch(r"(\d\d)\.(\d\d)\.(\d\d)(\d\d)\.(\d\d)\.(\d\d)", _text(main[168:184]))
    if digits is None:
        return ""
    day, month, short_year, hour, minute, second = map(int, digits.groups())
    year = short_year + (1900 if short_year >= 85 else 2000)  # EDF's rule for two-digit years
    named = re.match(r"Startdate (\d\d)-([A-Za-z]{3})-(\d{4})", _text(main[88:168]))
    if named and named[2].upper() in _MONTHS:
        day, month, year = int(named[1]), _MONTHS.index(named[2].upper()) + 1, int(named[3])
    try:
        return datetime(year, month, day, hour, minute, second).isoformat()  # noqa: DTZ001  EDF knows no time zone
    except ValueError:
        return ""
