"""How long texts in an HDF5 file claim to be, before the library makes room for them.

A text of any length is written as its length, the address of a heap, and its number there (HDF5 file format specification,
version 3.0, sections III.E and IV.A.2.d). The library makes room for the length that is claimed before it looks at the heap:
four damaged bytes would take 4 GB. No text is longer than the file it lies in. Looked at are attributes in object headers, and
data sets that are not packed; what is written in other ways is left to the library.
"""

from __future__ import annotations

import math
import mmap
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import RecordingError

#: Where the superblock tells how wide offsets are, and where the base of all offsets stands, by its version.
_SUPERBLOCK = {0: (13, 24), 1: (13, 28), 2: (9, 12), 3: (9, 12)}
_CONTINUED, _ATTRIBUTE = 0x10, 0x0C
_ANY_LENGTH = 9
_MOST_BLOCKS = 1000
#: The classes of texts (H5T_STRING) and tables (H5T_COMPOUND), the layout in pieces (H5D_CHUNKED), and what a reference to a text
#: takes in memory.
_STRING, _TABLE, _CHUNKED, _IN_MEMORY = 3, 6, 2, 8


class TextClaims:
    """The bytes of a file beside the library's view of it. Use as a context."""

    def __init__(self, path: Path, signature_at: int) -> None:
        self._path = path
        with path.open("rb") as file:
            self._held = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
        version = self._number(signature_at + 8, 1)
        wide_at, base_at = _SUPERBLOCK.get(version, _SUPERBLOCK[0])
        wide = self._number(signature_at + wide_at, 1)
        self._wide = wide if wide in (2, 4, 8) else 8
        self._base = self._number(signature_at + base_at, self._wide)

    def __enter__(self) -> Self:
        """Return itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let the file go."""
        self._held.close()

    def check_attributes(self, name: str, address: int) -> None:
        """Refuse an object, whose header stands at ``address``, if a text beside it claims to be longer than the file.

        Raises
        ------
        RecordingError
            With the name of the object.
        """
        for start, stop in self._attributes(self._base + address):
            version, flags = self._number(start, 1), self._number(start + 1, 1)
            lengths = [self._number(start + at, 2) for at in (2, 4, 6)]
            if version == 1:
                lengths = [(length + 7) // 8 * 8 for length in lengths]
            kind = start + (9 if version == 3 else 8) + lengths[0]
            shared = version > 1 and flags & 1
            if not shared and self._number(kind, 1) & 0xF == _ANY_LENGTH:
                self._check(name, kind + lengths[1] + lengths[2], stop, self._wide + 8)

    def check_dataset(self, name: str, dataset: Any) -> None:
        """Refuse a data set of texts, or a table with columns of them, if one claims to be longer than the file.

        Raises
        ------
        RecordingError
            With the name of the data set.
        """
        for start, size, count in _pieces(dataset.id, dataset.size):
            for place in _text_places(dataset.id.get_type(), size // count, self._wide + 8):
                self._check(name, start + place, start + size, size // count)

    def _check(self, name: str, start: int, stop: int, step: int) -> None:
        """Refuse lengths that stand every ``step`` bytes between two places where one is more than the file holds."""
        raw = np.frombuffer(self._held[max(start, 0) : max(stop, 0)], dtype=np.uint8)
        count = (raw.size - 4) // step + 1 if raw.size >= 4 else 0
        places = np.arange(count)[:, None] * step + np.arange(4)
        lengths: NDArray[np.int64] = raw[places].astype(np.int64) @ (1 << np.array([0, 8, 16, 24]))
        if count and lengths.max() > len(self._held):
            raise RecordingError(
                "HDF5 file is damaged", where=self._path, expected=f"texts no longer than the file's {len(self._held)} bytes",
                found=f"one of {lengths.max()} bytes at {name or 'the file itself'}", do="save or copy the file again",
            )  # fmt: skip

    def _attributes(self, at: int) -> Iterator[tuple[int, int]]:
        """Yield from where to where the attributes in a header stand: of an object written in the old way or the new one."""
        new = self._held[at : at + 4] == b"OHDR" if at < len(self._held) else False
        flags = self._number(at + 5, 1)
        if new:
            start = at + 6 + (16 if flags & 0x20 else 0) + (4 if flags & 0x10 else 0)
            size = self._number(start, 1 << (flags & 3))
            start += 1 << (flags & 3)
        else:
            start, size = at + 16, self._number(at + 8, 4)
        head = 4 + (2 if flags & 4 else 0) if new else 8
        blocks = [(start, start + size)]
        for start, stop in blocks:
            place = start
            while place + head <= min(stop, len(self._held)):
                kind, length = self._number(place, 1 if new else 2), self._number(place + (1 if new else 2), 2)
                place += head
                if kind == _ATTRIBUTE:
                    yield place, place + length
                elif kind == _CONTINUED and len(blocks) < _MOST_BLOCKS:
                    more = self._base + self._number(place, self._wide)
                    long = self._number(place + self._wide, 8)
                    blocks.append((more + 4, more + long - 4) if new else (more, more + long))
                place += length

    def _number(self, at: int, wide: int) -> int:
        return int.from_bytes(self._held[at : at + wide], "little") if at < len(self._held) else 0


def _text_places(kind: Any, step: int, wide: int) -> list[int]:
    """Return where in each element of ``step`` bytes the references to texts stand; empty where that is not known.

    The library tells sizes and places as they are in memory, where a reference takes 8 bytes and not ``wide``.
    """
    parts = [(0, kind)]
    if kind.get_class() == _TABLE:
        parts = [(kind.get_member_offset(index), kind.get_member_type(index)) for index in range(kind.get_nmembers())]
    texts = sorted(at for at, part in parts if part.get_class() == _STRING and part.is_variable_str())
    more = wide - _IN_MEMORY
    known = step == kind.get_size() + len(texts) * more
    return [at + number * more for number, at in enumerate(texts)] if known else []


def _pieces(identity: Any, size: int) -> Iterator[tuple[int, int, int]]:
    """Yield place, bytes and number of elements of what a data set has in the file as it is, not packed."""
    how = identity.get_create_plist()
    whole = identity.get_offset()
    if whole is not None and size:
        yield whole, identity.get_storage_size(), size
    elif whole is None and how.get_nfilters() == 0 and how.get_layout() == _CHUNKED:
        for number in range(identity.get_num_chunks()):
            piece = identity.get_chunk_info(number)
            yield piece.byte_offset, piece.size, math.prod(how.get_chunk())
