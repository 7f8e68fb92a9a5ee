"""One SQLite file: how it is opened, what a transaction is, and how its failures are said.

Every connection runs in WAL mode with full synchronisation, so a commit that returned has reached the disk. Deleted
content is overwritten, so that what was wiped cannot be read from the file.
"""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import StaticPool

from decussa.model.errors import DecussaError, MachineError, RecordingError

#: How long a writer waits for another process to finish its transaction.
BUSY_S = 10.0
_PRAGMAS_OF_A_WRITER = ("journal_mode=WAL", "synchronous=FULL", "secure_delete=ON")
_PRAGMAS = ("foreign_keys=ON", "recursive_triggers=ON", "trusted_schema=OFF")


class Database:
    """An open study file, or private file; ``open_database`` makes it."""

    def __init__(self, path: Path, engine: Engine, migrations: Sequence[Sequence[str]]) -> None:
        self.path = path
        self._engine = engine
        self._migrations = migrations
        self._one_at_a_time = threading.RLock()
        self._files: dict[Path, tuple[int, int]] = {}

    @contextmanager
    def transaction(self) -> Iterator[Connection]:
        """Run a block as one transaction: on disk when the block ends, or undone if it raises.

        Raises
        ------
        MachineError
            If the disk is full, read-only or gone; nothing of the block is then kept.
        RecordingError
            If the file is damaged.
        """
        with self._one_at_a_time, plain_errors(self.path):
            self._still_the_same_files()
            with self._engine.begin() as connection:
                yield connection
            # A file deleted under an open connection still takes writes, into nowhere.
            self._still_the_same_files()

    def migrate(self) -> None:
        """Bring the file up to date, each version in a transaction of its own."""
        for number in range(self.version() + 1, len(self._migrations) + 1):
            with self.transaction() as connection:
                for statement in self._migrations[number - 1]:
                    connection.exec_driver_sql(statement)
                connection.exec_driver_sql(f"PRAGMA user_version = {number}")

    def version(self) -> int:
        """Return the version of the file; 0 for an empty one."""
        with self.transaction() as connection:
            return int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())

    def checkpoint(self) -> None:
        """Move everything from the write-ahead log into the file and empty the log."""
        with self._one_at_a_time, plain_errors(self.path):
            raw = self._engine.raw_connection()
            busy = raw.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
            raw.close()
        if busy:
            raise MachineError(
                "study file is being read by another program",
                where=self.path,
                do="close the other window and try again",
            )

    def close(self) -> None:
        """Close the connection; the last one to close empties the log."""
        with plain_errors(self.path):
            self._engine.dispose()

    def _still_the_same_files(self) -> None:
        for path in (self.path, self.path.with_name(f"{self.path.name}-wal")):
            found = (status := path.stat()) and (status.st_dev, status.st_ino) if path.exists() else None
            known = self._files.get(path)
            if known is None and found is not None:
                self._files[path] = found
            elif found != known:
                raise MachineError(
                    "file was moved, deleted or replaced while it was open",
                    where=path,
                    expected="the file that was opened",
                    found="another file" if found else "no file",
                    do="stop, put the file back where it was, and open the study again",
                )


def create_database(path: Path, migrations: Sequence[Sequence[str]], *, mode: int) -> None:
    """Make a new file with these permissions and bring it up to date.

    Raises
    ------
    MachineError
        If there is a file already, or none can be made.
    """
    with plain_errors(path):
        # SQLite gives its helper files the permissions of the main one, so that one is made first.
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, mode))
        path.chmod(mode)
    database = Database(path, _writer(path), migrations)
    database.migrate()
    database.close()


@contextmanager
def open_database(path: Path, migrations: Sequence[Sequence[str]], *, write: bool) -> Iterator[Database]:
    """Open a file for writing (an older one is brought up to date), or for looking on.

    Raises
    ------
    RecordingError
        If the file is damaged, of a later version, or (for looking on) of an earlier one.
    MachineError
        If the disk is full, read-only or gone.
    """
    database = Database(path, _writer(path) if write else _reader(path), migrations)
    try:
        version = database.version()
        if version == 0:
            raise RecordingError("file is empty, not a study file", where=path, do="take the last good back-up")
        if version > len(migrations):
            raise RecordingError(
                "file was made by a later version of this program",
                where=path,
                expected=f"version {len(migrations)} or earlier",
                found=str(version),
                do="update the program",
            )
        if write:
            database.migrate()
        elif version < len(migrations):
            raise RecordingError(
                "file was made by an earlier version of this program",
                where=path,
                expected=f"version {len(migrations)}",
                found=str(version),
                do="open it once for writing, which brings it up to date",
            )
        yield database
    finally:
        database.close()


def _writer(path: Path) -> Engine:
    _must_exist(path)
    # SQLite would quietly open it for reading and fail at the first entry.
    if not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)):
        raise MachineError(
            "file may not be written", where=path, do="check permissions and whether the disk is read-only"
        )
    return _engine(path, "mode=rw", (*_PRAGMAS, *_PRAGMAS_OF_A_WRITER), "BEGIN IMMEDIATE")


def _reader(path: Path) -> Engine:
    _must_exist(path)
    log = path.with_name(f"{path.name}-wal")
    # On a read-only disk SQLite cannot make its helper files; with no log there is nothing they would be needed for.
    frozen = not os.access(path.parent, os.W_OK) and not log.exists()
    return _engine(path, "mode=ro&immutable=1" if frozen else "mode=ro", _PRAGMAS, "BEGIN")


def _must_exist(path: Path) -> None:
    if not path.is_file():
        raise MachineError("file is not there", where=path, do="check the folder, or start a study in it")


def _engine(path: Path, mode: str, pragmas: Sequence[str], begin: str) -> Engine:
    uri = f"{path.absolute().as_uri()}?{mode}"

    def connect() -> sqlite3.Connection:
        connection = sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
        # Damaged bytes must reach the check as they are instead of failing on the way.
        connection.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")
        for pragma in pragmas:
            connection.execute(f"PRAGMA {pragma}").close()
        return connection

    engine = create_engine("sqlite+pysqlite://", creator=connect, poolclass=StaticPool)

    @event.listens_for(engine, "begin")
    def start(connection: Connection) -> None:
        connection.exec_driver_sql(begin)

    return engine


@contextmanager
def plain_errors(path: Path) -> Iterator[None]:
    """Say failures of the database or the disk as errors a person can act on."""
    try:
        yield
    except DBAPIError as error:
        raise _explained(error.orig, path) from error
    except (sqlite3.Error, OSError) as error:
        raise _explained(error, path) from error
    except UnicodeDecodeError as error:
        raise RecordingError("file is damaged", where=path, found="a name that is no text") from error


_MEANINGS: tuple[tuple[str, type[DecussaError], str, str], ...] = (
    ("SQLITE_FULL", MachineError, "disk is full", "make room; everything written so far is safe"),
    ("SQLITE_READONLY", MachineError, "file may not be written", "check permissions and whether the disk is read-only"),
    (
        "SQLITE_CANTOPEN",
        MachineError,
        "file cannot be opened",
        "check that folder and file exist and may be read and written",
    ),
    ("SQLITE_PERM", MachineError, "file may not be opened", "check permissions"),
    ("SQLITE_AUTH", MachineError, "file may not be opened", "check permissions"),
    ("SQLITE_BUSY", MachineError, "file is in use by another program", "close the other program and try again"),
    ("SQLITE_LOCKED", MachineError, "file is in use by another program", "close the other program and try again"),
    ("SQLITE_IOERR", MachineError, "disk does not answer", "check the disk; everything written so far is safe"),
    ("SQLITE_CORRUPT", RecordingError, "file is damaged", "run decussa check and take the last good back-up"),
    ("SQLITE_NOTADB", RecordingError, "file is not a study file or is damaged", "take the last good back-up"),
)


def _explained(error: BaseException | None, path: Path) -> DecussaError:
    if isinstance(error, OSError):
        return MachineError(
            error.strerror or "file could not be used",
            where=error.filename or path,
            do="check the disk and its permissions",
        )
    name = getattr(error, "sqlite_errorname", "")
    for prefix, kind, what, do in _MEANINGS:
        if name.startswith(prefix):
            return kind(what, where=path, found=str(error), do=do)
    return RecordingError("file refused what was asked of it", where=path, found=f"{error} {name}".strip())
