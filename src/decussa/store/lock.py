"""One writer per session: a lock the operating system holds, so that it ends with the process, however that ends."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from decussa.model.errors import MachineError
from decussa.store.database import plain_errors


@contextmanager
def only_writer(path: Path, what: str) -> Iterator[None]:
    """Hold the lock file ``path`` while the block runs; ``what`` names in the message what is being written.

    Raises
    ------
    MachineError
        If another program, or another window of this one, holds it; the message names its process.
    """
    with plain_errors(path):
        path.parent.mkdir(exist_ok=True)
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise MachineError(
                f"{what} is being written by another program",
                where=path,
                expected="one writer",
                found=f"process {os.pread(handle, 20, 0).decode('ascii', 'replace').strip() or 'unknown'}",
                do="go on in the window that is already open, or close it first; to look on, open the study for reading",
            ) from error
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"{os.getpid()}\n".encode("ascii"), 0)
        yield
    finally:
        # Closing lets go of the lock. The file stays: removing it would let two writers hold two files of one name.
        os.close(handle)
