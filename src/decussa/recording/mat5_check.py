"""Walks the elements of a MAT file of version 5 before a library reads it, so that nothing it promises is believed unchecked.

Published source: the format is described in the public document "MAT-File Format" (level 5): a header of 128 bytes, then
elements with a tag of type and length; a matrix holds flags, dimensions, a name and its data. Elements may be compressed:
they are unpacked in pieces, and no further than the limit.
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from decussa.model.errors import RecordingError
from decussa.recording.array_file import HELD_BYTES

HEADER_BYTES = 128
_MATRIX, _COMPRESSED = 14, 15
#: Bytes of one number by the type of its element; text counts by its code units.
_WIDTHS = {1: 1, 2: 1, 3: 2, 4: 2, 5: 4, 6: 4, 7: 4, 9: 8, 12: 8, 13: 8, 16: 1, 17: 2, 18: 4}
_CELL, _STRUCT, _CHAR, _SPARSE = 1, 2, 4, 5
_REFUSED = {3: "an object", 16: "a function handle", 17: "an object"}
_NUMERIC = range(6, 16)
_PIECE = 1 << 16
_DEEPEST = 8
_MOST_PARTS = 200_000
_MOST_AXES = 8


@dataclass(slots=True)
class _Walk:
    """Where the walk is, what is left of its limits, and how the file writes numbers."""

    path: Path
    order: str
    parts: int = _MOST_PARTS
    unpacked: int = 0

    def refuse(self, found: str, what: str = "MAT file is damaged") -> RecordingError:
        return RecordingError(what, where=self.path, expected="elements that fit each other", found=found,
                              do="save or copy the file again")  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Element:
    kind: int
    data: memoryview


def check_mat5(path: Path) -> None:
    """Raise ``RecordingError`` if the file is damaged, unpacks to too much, or holds an object or a function."""
    content = path.read_bytes() if path.stat().st_size <= HELD_BYTES else b""
    if not content:
        raise _too_large(path, path.stat().st_size)
    walk = _Walk(path, "<" if content[126:128] == b"IM" else ">")
    for element in _elements(walk, memoryview(content)[HEADER_BYTES:], padded=False):
        if element.kind == _COMPRESSED:
            for inner in _elements(walk, memoryview(_unpack(walk, element.data))):
                _check_matrix(walk, inner, 0)
        else:
            _check_matrix(walk, element, 0)


def _too_large(path: Path, n_bytes: int) -> RecordingError:
    return RecordingError(
        "file is too large to be held in memory", where=path, expected=f"up to {HELD_BYTES >> 20} MB unpacked",
        found=f"{n_bytes / 2**20:.0f} MB or more", do="save it as version 7.3, which is read piece by piece, or in smaller parts",
    )  # fmt: skip


def _elements(walk: _Walk, data: memoryview, *, padded: bool = True) -> Iterator[_Element]:
    """Yield the elements that ``data`` is made of; each starts at a multiple of 8 bytes, except beside packed ones."""
    at = 0
    while at < len(data):
        walk.parts -= 1
        if walk.parts < 0:
            raise walk.refuse(f"more than {_MOST_PARTS} elements", "MAT file has too many parts")
        if at + 8 > len(data):
            raise walk.refuse("an element that is cut short")
        kind, length = struct.unpack_from(walk.order + "II", data, at)
        if kind >> 16:
            kind, length, start = kind & 0xFFFF, kind >> 16, at + 4
            if length > 4:
                raise walk.refuse(f"a small element of {length} bytes")
            at += 8
        else:
            start = at + 8
            at = start + length + (-length % 8 if padded or kind != _COMPRESSED else 0)
        if start + length > len(data):
            raise walk.refuse(f"an element of {length} bytes where {len(data) - start} are left")
        yield _Element(kind, data[start : start + length])


def _unpack(walk: _Walk, packed: memoryview) -> bytes:
    machine = zlib.decompressobj()
    pieces = []
    left = bytes(packed)
    try:
        while left and not machine.eof:
            pieces.append(machine.decompress(left, _PIECE))
            left = machine.unconsumed_tail
            walk.unpacked += len(pieces[-1])
            if walk.unpacked > HELD_BYTES:
                raise _too_large(walk.path, walk.unpacked)
    except zlib.error as error:
        raise walk.refuse("a compressed element that cannot be unpacked") from error
    if not machine.eof:
        raise walk.refuse("a compressed element that is cut short")
    return b"".join(pieces)


def _check_matrix(walk: _Walk, element: _Element, depth: int) -> None:
    if element.kind != _MATRIX:
        raise walk.refuse(f"an element of type {element.kind} in place of a matrix")
    if not len(element.data):
        return
    if depth > _DEEPEST:
        raise walk.refuse(f"structs and cells deeper than {_DEEPEST}", "MAT file is nested too deeply")
    inside = _elements(walk, element.data)
    flags = next(inside, None)
    if flags is None or flags.kind != 6 or len(flags.data) != 8:
        raise walk.refuse("a matrix without flags")
    (word,) = struct.unpack_from(walk.order + "I", flags.data)
    kind, is_complex = word & 0xFF, bool(word & 0x800)
    if kind in _REFUSED:
        raise RecordingError(
            f"MAT file holds {_REFUSED[kind]}", where=walk.path, expected="numbers, text, cells and structs",
            do="save the file again without it; strings as char or cell arrays of char, tables as structs",
        )  # fmt: skip
    shape = _shape(walk, next(inside, None))
    if next(inside, None) is None:
        raise walk.refuse("a matrix without a name")
    count = math.prod(shape)
    if kind in _NUMERIC or kind == _CHAR:
        _check_numbers(walk, list(inside), count, 1 + is_complex, is_text=kind == _CHAR)
    elif kind == _CELL:
        _check_parts(walk, inside, count, depth)
    elif kind == _STRUCT:
        width, names = next(inside, None), next(inside, None)
        if width is None or names is None or len(width.data) != 4:
            raise walk.refuse("a struct without fields")
        (wide,) = struct.unpack(walk.order + "I", width.data)
        if not 0 < wide <= 64 or len(names.data) % wide:
            raise walk.refuse(f"field names of {wide} bytes")
        _check_parts(walk, inside, count * (len(names.data) // wide), depth)
    elif kind != _SPARSE:
        raise walk.refuse(f"a matrix of class {kind}")
    else:
        raise RecordingError("MAT file holds a sparse matrix", where=walk.path, expected="full arrays",
                             do="save the file again with full(...)")  # fmt: skip


def _shape(walk: _Walk, element: _Element | None) -> tuple[int, ...]:
    if element is None or element.kind != 5 or len(element.data) % 4 or not 8 <= len(element.data) <= 4 * _MOST_AXES:
        raise walk.refuse("a matrix without dimensions")
    shape: tuple[int, ...] = struct.unpack(f"{walk.order}{len(element.data) // 4}i", element.data)
    if min(shape) < 0:
        raise walk.refuse(f"dimensions {shape}")
    return shape


def _check_numbers(walk: _Walk, parts: list[_Element], count: int, wanted: int, *, is_text: bool) -> None:
    if is_text and (not parts or (len(parts) == 1 and not len(parts[0].data))) and count == 0:
        return
    if len(parts) != wanted:
        raise walk.refuse(f"a matrix with {len(parts)} parts in place of {wanted}")
    for part in parts:
        width = _WIDTHS.get(part.kind)
        held = len(part.data) // width if width else -1
        # Text of 1 byte a unit (UTF-8) may need more bytes than letters.
        if (
            width is None
            or len(part.data) % width
            or (held != count and not (is_text and part.kind == 16 and held >= count))
        ):
            raise walk.refuse(f"a matrix of {count} numbers with {len(part.data)} bytes of type {part.kind}")


def _check_parts(walk: _Walk, inside: Iterator[_Element], count: int, depth: int) -> None:
    if count > walk.parts:
        raise walk.refuse(f"{count} elements promised", "MAT file has too many parts")
    seen = 0
    for part in inside:
        _check_matrix(walk, part, depth + 1)
        seen += 1
    if seen != count:
        raise walk.refuse(f"{seen} elements where {count} are promised")
