"""A study: one folder with the locked protocol, the study file, the private file, recordings and reports."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Self

from decussa.model.errors import RecordingError, UsageError
from decussa.model.version import VERSION
from decussa.store import private
from decussa.store.chain import STUDY, add_entry, start_journal
from decussa.store.database import Database, create_database, open_database, plain_errors
from decussa.store.records import StudyCreated
from decussa.store.schema import MIGRATIONS

PROTOCOL = "protocol.toml"
STUDY_FILE = "study.db"
RECORDINGS = "recordings"
REPORTS = "reports"
LOCKS = "locks"


class Study:
    """A study folder; its file is open inside ``with``.

    Parameters
    ----------
    folder : Path
        The study's folder.
    write : bool
        False to look on, also while another program writes.
    """

    def __init__(self, folder: Path, *, write: bool) -> None:
        self.folder = folder
        self.write = write
        self._open = ExitStack()
        self._database: Database | None = None

    def __enter__(self) -> Self:
        self._database = self._open.enter_context(open_database(self.folder / STUDY_FILE, MIGRATIONS, write=self.write))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._database = None
        self._open.close()

    @property
    def database(self) -> Database:
        """The open study file, for the other modules of the store."""
        if self._database is None:
            raise UsageError("study is not open", where=self.folder, do="use it inside 'with'")
        return self._database

    @property
    def protocol_text(self) -> str:
        """The locked protocol, as it stands in the folder now; ``check`` compares it with what was locked."""
        with plain_errors(self.folder / PROTOCOL):
            return (self.folder / PROTOCOL).read_bytes().decode("utf-8", "surrogateescape")

    def must_write(self) -> None:
        """Refuse to change a study that was opened to look on."""
        if not self.write:
            raise UsageError("study was opened for reading", where=self.folder, do="open it with write=True")


def create_study(folder: Path, protocol_name: str, protocol_text: str, *, at: str) -> Study:
    """Make a study folder and lock the protocol; all of it, or nothing.

    Parameters
    ----------
    folder : Path
        New, or empty.
    protocol_name, protocol_text : str
        Name and full text of the protocol; its SHA-256 is kept.
    at : str
        Now, UTC in ISO 8601.

    Returns
    -------
    Study
        Not yet open; use it inside ``with``.

    Raises
    ------
    UsageError
        If the folder holds something already.
    MachineError
        If the disk is full, read-only or gone.
    """
    folder = folder.absolute()
    with plain_errors(folder):
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise UsageError(
                "folder is not empty", where=folder, expected="a new or empty folder", do="choose another one"
            )
        folder.parent.mkdir(parents=True, exist_ok=True)
        draft = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        _fill(draft, protocol_name, protocol_text.encode("utf-8", "surrogateescape"), at)
        with plain_errors(folder):
            draft.chmod(0o755)
            draft.rename(folder)
            to_disk(folder.parent)
    except BaseException:
        shutil.rmtree(draft, ignore_errors=True)
        raise
    return Study(folder, write=True)


def open_study(folder: Path, *, write: bool) -> Study:
    """Return a study to be opened with ``with``: for writing, or to look on while another program writes.

    Raises
    ------
    RecordingError
        If the folder holds no study.
    """
    if not (folder / STUDY_FILE).is_file():
        raise RecordingError(
            "folder holds no study", where=folder, expected=f"a file {STUDY_FILE}", do="start one with decussa new"
        )
    return Study(folder.absolute(), write=write)


def _fill(draft: Path, protocol_name: str, protocol: bytes, at: str) -> None:
    with plain_errors(draft):
        for name in (RECORDINGS, REPORTS, LOCKS):
            (draft / name).mkdir()
        (draft / PROTOCOL).write_bytes(protocol)
        (draft / PROTOCOL).chmod(0o444)
        to_disk(draft / PROTOCOL)
    create_database(draft / STUDY_FILE, MIGRATIONS, mode=0o644)
    private.create(draft)
    created = StudyCreated(
        protocol=protocol_name, protocol_sha256=hashlib.sha256(protocol).hexdigest(), version=VERSION
    )
    with Study(draft, write=True) as study, study.database.transaction() as connection:
        start_journal(connection, STUDY, None)
        add_entry(connection, STUDY, "study created", created, at=at)
    with plain_errors(draft):
        to_disk(draft)


def to_disk(path: Path) -> None:
    """Wait until a file, or the names in a folder, have reached the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
