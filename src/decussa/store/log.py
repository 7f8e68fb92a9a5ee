"""Is the write-ahead log whole? SQLite ends it, without a word, at the first frame that does not fit its checksum.

After a crash that is right: the last transaction may be half written. Anywhere else it would silently drop entries that
were on disk, so the log is read here as well. Layout: SQLite, Database File Format, section 4 "The Write-Ahead Log",
https://www.sqlite.org/fileformat2.html#walformat.
"""

from __future__ import annotations

import struct
from functools import cache
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from decussa.store.database import plain_errors

LogState = Literal["whole", "unfinished", "damaged"]
_HEAD = struct.Struct(">8I")
_FRAME = struct.Struct(">6I")


def log_state(database: Path) -> LogState:
    """Tell whether the log of a database file is whole.

    Returns
    -------
    LogState
        ``whole`` also where there is no log; ``unfinished`` where only the last transaction does not fit: it was being
        written when the machine stopped, or was damaged since; ``damaged`` where transactions after it would be lost.
    """
    log = database.with_name(f"{database.name}-wal")
    with plain_errors(log):
        content = log.read_bytes() if log.exists() else b""
        while (state := _state(content)) == "damaged":
            # A writer may have gone on while the log was read: believe it only of a log that stands still.
            again = log.read_bytes() if log.exists() else b""
            if again == content:
                break
            content = again
    return state


def _state(content: bytes) -> LogState:
    if len(content) < _HEAD.size or not any(content):
        return "whole"
    magic, _, page_size, _, *salts, first, second = _HEAD.unpack_from(content)
    order: Literal["big", "little"] = "big" if magic & 1 else "little"
    sums = _checksum(content[:24], (0, 0), order)
    if sums != (first, second):
        return "damaged"
    size = _FRAME.size + page_size
    heads = [_FRAME.unpack_from(content, start) for start in range(_HEAD.size, len(content) - size + 1, size)]
    # Frames with other salts are left from an earlier round of the log, whose content is in the database by now.
    of_this_round = [number for number, head in enumerate(heads) if list(head[2:4]) == salts]
    for number in range(of_this_round[-1] + 1 if of_this_round else 0):
        start = _HEAD.size + number * size
        sums = _checksum(content[start : start + 8], sums, order)
        sums = _checksum(content[start + _FRAME.size : start + size], sums, order)
        if heads[number][2:] != (*salts, *sums):
            # A transaction ends with a frame that tells the size of the database; the next one waits for the disk.
            end = next((later for later in of_this_round if later >= number and heads[later][1]), of_this_round[-1])
            return "damaged" if end < of_this_round[-1] else "unfinished"
    return "whole"


def _checksum(content: bytes, sums: tuple[int, int], order: Literal["big", "little"]) -> tuple[int, int]:
    """Carry SQLite's two running sums on over more content.

    For each pair of words a, b the sums s, t become s + a + t and then t + b + s. That is linear, so all pairs are
    added at once, each multiplied by a power of the step's matrix; 32-bit arithmetic overflows as it should.
    """
    pairs = np.frombuffer(content, dtype=">u4" if order == "big" else "<u4").astype(np.uint32).reshape(-1, 2)
    added = np.stack([pairs[:, 0], pairs[:, 0] + pairs[:, 1]], axis=1)
    powers = _powers(len(pairs))
    total = powers[-1] @ np.array(sums, dtype=np.uint32) + np.einsum("kij,kj->i", powers[-2::-1], added)
    return int(total[0]), int(total[1])


@cache
def _powers(count: int) -> NDArray[np.uint32]:
    """Return the powers 0 to ``count`` of the step's matrix modulo 2**32, shape (count + 1, 2, 2)."""
    step = np.array([[1, 1], [1, 2]], dtype=np.uint32)
    powers = np.empty((count + 1, 2, 2), dtype=np.uint32)
    powers[0] = np.eye(2, dtype=np.uint32)
    for number in range(count):
        powers[number + 1] = step @ powers[number]
    return powers
