"""Walks the chunks of an XDF file before a library reads it: lengths, headers and sample counts must fit each other.

Published source: the XDF file format, version 1.0: the magic ``XDF:``, then chunks of length, tag and content. Tags: 1 file
header, 2 stream header, 3 samples, 4 clock offset, 5 boundary, 6 stream footer.
"""

from __future__ import annotations

import math
import struct
import xml.parsers.expat
from dataclasses import dataclass, field
from pathlib import Path
from xml.etree import ElementTree

from decussa.model.errors import RecordingError

MAGIC = b"XDF:"
#: All that is read into memory, unpacked with its times, at most.
XDF_BYTES = 250 << 20
_FILE_HEADER, _STREAM_HEADER, _SAMPLES, _CLOCK, _BOUNDARY, _FOOTER = 1, 2, 3, 4, 5, 6
_WIDTHS = {"int8": 1, "int16": 2, "int32": 4, "int64": 8, "float32": 4, "double64": 8}
_MOST_CHANNELS = 4096
_MOST_CHUNKS = 5_000_000
_LONGEST_XML = 1 << 22


@dataclass(slots=True)
class _Stream:
    """What the header of a stream says, and how many samples were promised so far."""

    n_channels: int
    kind: str
    count: int = 0


@dataclass(slots=True)
class _Walk:
    path: Path
    streams: dict[int, _Stream] = field(default_factory=dict)
    footers: set[int] = field(default_factory=set)
    held: int = 0

    def refuse(self, found: str, what: str = "XDF file is damaged") -> RecordingError:
        return RecordingError(
            what,
            where=self.path,
            expected="chunks that fit each other",
            found=found,
            do="copy or record the file again",
        )


def check_xdf(path: Path) -> None:
    """Raise ``RecordingError`` if chunks do not fit each other, or the file unpacks to more than ``XDF_BYTES``."""
    walk = _Walk(path)
    size = path.stat().st_size
    if size > XDF_BYTES:
        raise _too_large(walk, size)
    content = path.read_bytes()
    view = memoryview(content)
    at, number = len(MAGIC), 0
    while at < len(view):
        number += 1
        length, start = _varlen(walk, view, at)
        if length < 2 or start + length > len(view):
            raise walk.refuse(f"chunk {number} of {length} bytes at byte {at} of {len(view)}")
        if number > _MOST_CHUNKS:
            raise walk.refuse(f"more than {_MOST_CHUNKS} chunks")
        (tag,) = struct.unpack_from("<H", view, start)
        _check_chunk(walk, tag, view[start + 2 : start + length], number)
        at = start + length
    if not walk.streams:
        raise walk.refuse("no stream", "XDF file holds no stream")


def _check_chunk(walk: _Walk, tag: int, body: memoryview, number: int) -> None:
    if tag in {_FILE_HEADER, _BOUNDARY}:
        if tag == _FILE_HEADER:
            _parse(walk, body, "file header")
        return
    if tag not in {_STREAM_HEADER, _SAMPLES, _CLOCK, _FOOTER}:
        raise walk.refuse(f"chunk {number} of unknown kind {tag}")
    if len(body) < 4:
        raise walk.refuse(f"chunk {number} without a stream")
    (stream,) = struct.unpack_from("<I", body)
    if tag == _STREAM_HEADER:
        if stream in walk.streams:
            raise walk.refuse(f"stream {stream} begins twice")
        walk.streams[stream] = _stream(walk, _parse(walk, body[4:], f"header of stream {stream}"), stream)
        return
    if stream not in walk.streams:
        raise walk.refuse(f"chunk {number} of stream {stream}, which has no header")
    if tag == _SAMPLES:
        _check_samples(walk, walk.streams[stream], body[4:], number)
    elif tag == _CLOCK:
        if len(body) != 20 or not all(map(math.isfinite, struct.unpack_from("<dd", body, 4))):
            raise walk.refuse(f"clock offset in chunk {number} that is no number")
    else:
        _parse(walk, body[4:], f"footer of stream {stream}")


def _check_samples(walk: _Walk, stream: _Stream, body: memoryview, number: int) -> None:
    count, start = _varlen(walk, body, 0)
    data = body[start:]
    stream.count += count
    if stream.kind == "string":
        walk.held += count * (8 + 120 * stream.n_channels) + len(data)
        if count * (1 + 2 * stream.n_channels) > len(data):
            raise walk.refuse(f"{count} texts in chunk {number} of {len(data)} bytes")
        _check_limit(walk)
        _walk_texts(walk, stream, data, count, number)
        return
    row = stream.n_channels * _WIDTHS[stream.kind]
    walk.held += count * (8 + row)
    if not count * (1 + row) <= len(data) <= count * (9 + row) or (len(data) - count * (1 + row)) % 8:
        raise walk.refuse(f"{count} samples in chunk {number} of {len(data)} bytes")
    _check_limit(walk)
    at = 0
    for _ in range(count):
        if at >= len(data) or data[at] not in {0, 8}:
            raise walk.refuse(f"a sample without a time mark in chunk {number}")
        at += 1 + data[at] + row
    if at != len(data):
        raise walk.refuse(f"{count} samples in chunk {number} that do not fill it")


def _walk_texts(walk: _Walk, stream: _Stream, data: memoryview, count: int, number: int) -> None:
    at = 0
    for _ in range(count):
        if at >= len(data) or data[at] not in {0, 8}:
            raise walk.refuse(f"a text without a time mark in chunk {number}")
        at += 1 + data[at]
        for _ in range(stream.n_channels):
            length, start = _varlen(walk, data, at)
            at = start + length
    if at != len(data):
        raise walk.refuse(f"{count} texts in chunk {number} that do not fill it")


def _check_limit(walk: _Walk) -> None:
    if walk.held > XDF_BYTES:
        raise _too_large(walk, walk.held)


def _too_large(walk: _Walk, n_bytes: int) -> RecordingError:
    return RecordingError(
        "XDF file is too large to be held in memory", where=walk.path, expected=f"up to {XDF_BYTES >> 20} MB",
        found=f"{n_bytes / 2**20:.0f} MB or more", do="record in shorter parts, or convert the file to BDF+ or NWB",
    )  # fmt: skip


def _varlen(walk: _Walk, view: memoryview, at: int) -> tuple[int, int]:
    """Return a number of variable length and where the byte after it is."""
    width = view[at] if at < len(view) else 0
    if width not in {1, 4, 8} or at + 1 + width > len(view):
        raise walk.refuse(f"a length that cannot be read at byte {at}")
    return int.from_bytes(view[at + 1 : at + 1 + width], "little"), at + 1 + width


def _parse(walk: _Walk, text: memoryview, what: str) -> ElementTree.Element:
    if len(text) > _LONGEST_XML or b"<!" in bytes(text):
        raise walk.refuse(f"{what} that is no plain XML")
    try:
        return ElementTree.fromstring(bytes(text).decode("utf-8", "replace"))
    except (ElementTree.ParseError, xml.parsers.expat.ExpatError, ValueError) as error:
        raise walk.refuse(f"{what} that cannot be read: {error}") from error


def _stream(walk: _Walk, header: ElementTree.Element, number: int) -> _Stream:
    said = {
        name: (header.findtext(name) or "").strip()
        for name in ("name", "channel_count", "nominal_srate", "channel_format")
    }
    kind = said["channel_format"]
    try:
        n_channels, rate_hz = int(said["channel_count"]), float(said["nominal_srate"])
    except ValueError:
        n_channels, rate_hz = 0, math.nan
    once = all(len(header.findall(name)) == 1 for name in said)
    if not once or not 0 < n_channels <= _MOST_CHANNELS or not 0 <= rate_hz <= 1e6 or kind not in {*_WIDTHS, "string"}:
        raise walk.refuse(f"header of stream {number}: {said}")
    return _Stream(n_channels, kind)
