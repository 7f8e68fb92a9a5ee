"""Files that are written whole or not at all."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from decussa.model.errors import MachineError


@contextmanager
def whole_file(path: str | Path) -> Iterator[Path]:
    """Give a path to write to; it becomes ``path`` when the block ends well, and is gone when it does not.

    The bytes are on the disk before the name changes, so a crash leaves the old file or the new one, never half of one.

    Raises
    ------
    MachineError
        If the machine refuses: no permission, no space, no such folder, or ``path`` is no ordinary file.
    """
    target = Path(os.path.realpath(path))
    if target.exists() and not target.is_file():
        raise MachineError("cannot write here", where=path, expected="a file", found="a folder or a device")
    partial = target.with_name(f".{target.stem}-{secrets.token_hex(4)}{target.suffix}")
    try:
        try:
            partial.touch(exist_ok=False)
            yield partial
            with partial.open("rb+") as file:
                os.fsync(file.fileno())
            partial.replace(target)
        finally:
            partial.unlink(missing_ok=True)
    except OSError as error:
        raise refusal(path, error) from error


def refusal(path: str | Path, error: OSError) -> MachineError:
    """Return what to tell when the machine refuses to write ``path``."""
    if not Path(path).parent.is_dir():
        return MachineError("folder does not exist", where=Path(path).parent, do="make it, or choose another")
    return MachineError(
        "file cannot be written",
        where=path,
        found=(error.strerror or str(error)).lower(),
        do="make room or choose another place; nothing was changed",
    )


def make_folder(path: Path) -> Path:
    """Return a folder to write into, made where it is not there.

    Raises
    ------
    MachineError
        If the machine refuses, or something else lies there.
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError) as error:
        raise MachineError("cannot make a folder here", where=path, found="a file", do="name another folder") from error
    except OSError as error:
        found = (error.strerror or str(error)).lower()
        raise MachineError("folder cannot be made", where=path, found=found, do="choose another place") from error
    return path
