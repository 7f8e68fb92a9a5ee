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

#: How the name of a stream ends that is being recorded, and that of a file that is being copied; both begin with a dot.
_STREAM, _COPY = ".part", ".copy"


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
    part = target.with_name(f".{target.name}{_COPY}")
    with study.database.transaction() as connection:
        present(connection, pseudonym)
    with plain_errors(path):
        target.parent.mkdir(exist_ok=True)
        shutil.copyfile(path, part)
    return _keep(study, part, target, pseudonym, at)


def place_for_stream(study: Study, pseudonym: str, name: str) -> Path:
    """Return where a stream is to be recorded, until ``keep_stream`` takes it in under its name.

    Raises
    ------
    UsageError
        If there is no such participant.
    """
    with study.database.transaction() as connection:
        present(connection, pseudonym)
    folder = study.folder / RECORDINGS / pseudonym
    with plain_errors(folder):
        folder.mkdir(exist_ok=True)
    return folder / f".{name}{_STREAM}"


def left_streams(study: Study, pseudonym: str) -> tuple[Path, ...]:
    """Return the streams of a participant that a program left unfinished, in order of their names."""
    return tuple(sorted(filter(is_unfinished, (study.folder / RECORDINGS / pseudonym).glob("*"))))


def is_unfinished(path: Path) -> bool:
    """Return whether a file is a stream that is being recorded, or was left by a crash."""
    return path.name.startswith(".") and path.name.endswith(_STREAM)


def keep_stream(study: Study, part: Path, pseudonym: str, *, at: str) -> Path:
    """Take in a stream that was recorded at its ``place_for_stream``, and return where it is now.

    Raises
    ------
    UsageError
        If there is no such participant, or a file of that name was kept before.
    MachineError
        If the disk is full, read-only or gone.
    """
    study.must_write()
    return _keep(study, part, part.with_name(part.name.removeprefix(".").removesuffix(_STREAM)), pseudonym, at)


def _keep(study: Study, part: Path, target: Path, pseudonym: str, at: str) -> Path:
    """Give a file its name, and write into the study's journal that it was taken in."""
    with plain_errors(part):
        part.chmod(0o444)
        to_disk(part)
    file = f"{pseudonym}/{target.name}"
    kept = RecordingKept(file=file, pseudonym=pseudonym, sha256=sha256_of(part))
    with study.database.transaction() as connection:
        present(connection, pseudonym)
        before = [entry.body for entry in entries_of(connection, STUDY) if isinstance(entry.body, RecordingKept)]
        if found := [one for one in before if one.file == kept.file]:
            part.unlink()
            same = found[0].sha256 == kept.sha256
            raise UsageError(
                "study has a recording of that name",
                where=target,
                found="the same file" if same else "another file",
                do="leave it out: it was taken in before" if same else "rename the file and take it in again",
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
