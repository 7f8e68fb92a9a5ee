"""Copies of a study: whole, checked later like the study itself, and without what is private."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from decussa.model.errors import UsageError
from decussa.store.database import plain_errors
from decussa.store.private import PRIVATE_FILE, PRIVATE_MODE
from decussa.store.study import LOCKS, PROTOCOL, RECORDINGS, REPORTS, STUDY_FILE

#: Told how many bytes of how many are copied.
Progress = Callable[[int, int], None]


def _say_nothing(copied: int, of: int) -> None:
    """Nobody wants to know how far a back-up is."""


def back_up(folder: Path, target: Path, *, progress: Progress = _say_nothing) -> None:
    """Copy a study to a new or empty folder, also while a session is being written; the private file is left out.

    Raises
    ------
    UsageError
        If ``target`` is not empty.
    MachineError
        If something cannot be read or written.
    """
    with plain_errors(target):
        if target.exists() and any(target.iterdir()):
            raise UsageError("folder is not empty", where=target, do="choose a new folder for each back-up")
        target.mkdir(parents=True, exist_ok=True)
        (target / LOCKS).mkdir()
        count = _Count(folder, progress)
        # The study file comes first: a recording kept meanwhile is then one file too many in the copy, not one missing.
        _copy_database(folder / STUDY_FILE, target / STUDY_FILE)
        count.add(folder / STUDY_FILE)
        shutil.copy2(folder / PROTOCOL, target / PROTOCOL)
        for name in (RECORDINGS, REPORTS):
            shutil.copytree(folder / name, target / name, copy_function=count.copy)


class _Count:
    """Counts the bytes that are copied, and says so after each file."""

    def __init__(self, folder: Path, progress: Progress) -> None:
        kept = [path for name in (RECORDINGS, REPORTS) for path in (folder / name).rglob("*") if path.is_file()]
        self.of = sum(path.stat().st_size for path in (folder / STUDY_FILE, *kept))
        self.copied = 0
        self.progress = progress

    def add(self, source: Path) -> None:
        """Count a file that was copied."""
        self.copied += source.stat().st_size
        self.progress(self.copied, self.of)

    def copy(self, source: str, target: str) -> None:
        """Copy a file and count it."""
        shutil.copy2(source, target)
        self.add(Path(source))


def back_up_private(folder: Path, target: Path) -> None:
    """Copy the private file to ``target``, a file that is not there yet; keep it apart from the other back-ups.

    Raises
    ------
    UsageError
        If there is a file already.
    MachineError
        If something cannot be read or written.
    """
    if target.exists():
        raise UsageError("file is there already", where=target, do="choose a new name for each back-up")
    with plain_errors(target):
        target.touch(mode=PRIVATE_MODE)
        _copy_database(folder / PRIVATE_FILE, target)


def _copy_database(source: Path, target: Path) -> None:
    """Copy a database as it is between two transactions, including what is still in its log."""
    with (
        plain_errors(source),
        closing(sqlite3.connect(f"{source.absolute().as_uri()}?mode=ro", uri=True)) as old,
        closing(sqlite3.connect(target)) as new,
    ):
        old.backup(new)
