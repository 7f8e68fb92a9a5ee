"""Files taken into the study as they are, each with its SHA-256 in the study's journal."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

from decussa.model.errors import UsageError
from decussa.store.chain import STUDY, add_entry
from decussa.store.database import plain_errors
from decussa.store.journal import entries_of
from decussa.store.people import present
from decussa.store.records import RecordingKept
from decussa.store.study import RECORDINGS, Study, to_disk


def keep_recording(study: Study, path: Path, pseudonym: str, *, at: str) -> Path:
    """Copy a file into ``recordings``, in the participant's folder, and return where it is now.

    Raises
    ------
    UsageError
        If there is no such participant, or a file of that name was kept before.
    MachineError
        If the file cannot be read, or the disk is full, read-only or gone.
    """
    study.must_write()
    target = study.folder / RECORDINGS / pseudonym / path.name
    part = target.with_name(f".{target.name}.part")
    with study.database.transaction() as connection:
        present(connection, pseudonym)
    with plain_errors(path):
        target.parent.mkdir(exist_ok=True)
        shutil.copyfile(path, part)
        part.chmod(0o444)
        to_disk(part)
    kept = RecordingKept(file=f"{pseudonym}/{path.name}", pseudonym=pseudonym, sha256=sha256_of(part))
    with study.database.transaction() as connection:
        present(connection, pseudonym)
        if any(
            entry.body.file == kept.file
            for entry in entries_of(connection, STUDY)
            if isinstance(entry.body, RecordingKept)
        ):
            part.unlink()
            raise UsageError(
                "study has a recording of that name", where=target, do="rename the file and take it in again"
            )
        # A file that a crash left here without an entry is simply replaced.
        part.rename(target)
        to_disk(target.parent)
        add_entry(connection, STUDY, "recording kept", kept, at=at)
    return target


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file, in hexadecimal."""
    with plain_errors(path), path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
