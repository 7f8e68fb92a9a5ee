"""What is looked at in an HDF5 file before the library reads it: heaps of texts whose damage would keep the library for ever.

Texts of any length lie in global heap collections (HDF5 file format specification, version 3.0, section III.E): a signature, a
size, then objects one after the other. An object that takes no room is never left by a reader that goes from one to the next.
"""

from __future__ import annotations

import mmap
from pathlib import Path

from decussa.model.errors import RecordingError

_HEAP = b"GCOL"
_HEAP_VERSION = 1
#: Where the superblock tells how many bytes a length takes, by its version.
_LENGTH_AT = {0: 14, 1: 14, 2: 10, 3: 10}
#: Bytes of a heap's head and of an object's head before the length.
_HEAD = 8


def check_heaps(path: Path, signature_at: int) -> None:
    """Refuse a file with a heap of texts that does not go on from object to object up to its end.

    Parameters
    ----------
    path : Path
        An HDF5 file.
    signature_at : int
        Where its signature stands.

    Raises
    ------
    RecordingError
        If a heap is damaged.
    """
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as held:
        wide = _length_bytes(held, signature_at)
        at = held.find(_HEAP)
        while at >= 0:
            if not _is_whole(held, at, wide):
                raise RecordingError(
                    "HDF5 file is damaged", where=path, expected="texts that follow each other",
                    found=f"a heap at byte {at} that does not", do="save or copy the file again",
                )  # fmt: skip
            at = held.find(_HEAP, at + len(_HEAP))


def _length_bytes(held: mmap.mmap, signature_at: int) -> int:
    """Return how many bytes a length takes: 8 where the superblock says nothing that can be meant."""
    version = held[signature_at + 8] if len(held) > signature_at + 16 else -1
    wide = held[signature_at + _LENGTH_AT[version]] if version in _LENGTH_AT else 8
    return wide if wide in (2, 4, 8) else 8


def _is_whole(held: mmap.mmap, at: int, wide: int) -> bool:
    """Whether objects lead from the head of the heap at ``at`` to its end; what is no heap at all is left to the library."""
    head = _padded(_HEAD + wide)
    size = int.from_bytes(held[at + _HEAD : at + _HEAD + wide], "little")
    if held[at + 4 : at + 5] != bytes([_HEAP_VERSION]) or not head <= size <= len(held) - at:
        return True
    place, end = at + head, at + size
    while place + head <= end:
        number = int.from_bytes(held[place : place + 2], "little")
        room = int.from_bytes(held[place + _HEAD : place + _HEAD + wide], "little")
        taken = head + _padded(room) if number else room
        if taken < head or place + taken > end:
            return False
        place += taken
    return True


def _padded(size: int) -> int:
    return (size + 7) // 8 * 8
