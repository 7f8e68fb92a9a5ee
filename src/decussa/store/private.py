"""What must not leave the lab: answers to screenings, words of decisions, operators' names and PINs, in a file of its own.

The file is for its owner only (mode 0600) and never part of an export or of the default back-up. Operators appear in journals by
code only; ``operators`` reads and writes them.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Column, Integer, LargeBinary, MetaData, Table, Text, delete, insert, select

from decussa.store.database import Database, create_database, open_database

PRIVATE_FILE = "private.db"
PRIVATE_MODE = 0o600

_METADATA = MetaData()
OPERATOR = Table(
    "operator",
    _METADATA,
    Column("code", Text, primary_key=True),
    Column("name", Text, nullable=False),
    Column("salt", LargeBinary, nullable=False),
    Column("pin_hash", LargeBinary, nullable=False),
    Column("role", Text, nullable=False),
    Column("wrong", Integer, nullable=False, default=0),
    Column("wrong_at", Text, nullable=False, default=""),
)
SCREENING = Table(
    "screening",
    _METADATA,
    Column("pseudonym", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("answers", Text, nullable=False),
    Column("words", Text, nullable=False),
    Column("version", Text, nullable=False),
)
#: Why somebody decided as they did about a screening: it may name the answer, so it lies here.
SIGNATURE = Table(
    "signature",
    _METADATA,
    Column("pseudonym", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("operator", Text, nullable=False),
    Column("reason", Text, nullable=False),
)
MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        "CREATE TABLE operator (code TEXT PRIMARY KEY, name TEXT NOT NULL, salt BLOB NOT NULL, pin_hash BLOB NOT NULL)",
        "CREATE TABLE screening (pseudonym TEXT NOT NULL, at TEXT NOT NULL, answers TEXT NOT NULL)",
    ),
    (
        "ALTER TABLE operator ADD COLUMN role TEXT NOT NULL DEFAULT 'operator'",
        "ALTER TABLE operator ADD COLUMN wrong INTEGER NOT NULL DEFAULT 0",
        "ALTER TABLE operator ADD COLUMN wrong_at TEXT NOT NULL DEFAULT ''",
        "ALTER TABLE screening ADD COLUMN words TEXT NOT NULL DEFAULT '{}'",
        "ALTER TABLE screening ADD COLUMN version TEXT NOT NULL DEFAULT ''",
        "CREATE TABLE signature (pseudonym TEXT NOT NULL, at TEXT NOT NULL, operator TEXT NOT NULL, reason TEXT NOT NULL)",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptScreening:
    """The answers to one screening by topic, the words to them, and the version of the form."""

    at: str
    answers: Mapping[str, str]
    words: Mapping[str, str]
    version: str


def create(folder: Path) -> None:
    """Make the private file of a new study."""
    create_database(folder / PRIVATE_FILE, MIGRATIONS, mode=PRIVATE_MODE)


def create_missing(folder: Path) -> None:
    """Make the private file where there is none, as in a study that was taken from a back-up."""
    if not (folder / PRIVATE_FILE).exists():
        create(folder)


@contextmanager
def open_private(folder: Path, *, write: bool) -> Iterator[Database]:
    """Open the private file of a study."""
    with open_database(folder / PRIVATE_FILE, MIGRATIONS, write=write) as database:
        yield database


def keep_screening(
    database: Database,
    pseudonym: str,
    answers: Mapping[str, str],
    *,
    at: str,
    words: Mapping[str, str] | None = None,
    version: str = "",
) -> None:
    """Keep the answers to one screening; only its outcome goes into the journal."""
    row = {"answers": json.dumps(dict(answers)), "words": json.dumps(dict(words or {})), "version": version}
    with database.transaction() as connection:
        connection.execute(insert(SCREENING).values(pseudonym=pseudonym, at=at, **row))


def screenings(database: Database, pseudonym: str) -> tuple[KeptScreening, ...]:
    """Return the screenings of a participant, oldest first."""
    with database.transaction() as connection:
        rows = connection.execute(select(SCREENING).where(SCREENING.c.pseudonym == pseudonym).order_by(SCREENING.c.at))
        return tuple(
            KeptScreening(at=row.at, answers=json.loads(row.answers), words=json.loads(row.words), version=row.version)
            for row in rows
        )


def keep_reason(database: Database, pseudonym: str, operator: str, reason: str, *, at: str) -> None:
    """Keep why ``operator`` decided as they did about a screening; the decision itself goes into the journal."""
    with database.transaction() as connection:
        connection.execute(insert(SIGNATURE).values(pseudonym=pseudonym, at=at, operator=operator, reason=reason))


def reasons(database: Database, pseudonym: str) -> tuple[tuple[str, str, str], ...]:
    """Return time, operator's code and reason of each decision about a participant, oldest first."""
    with database.transaction() as connection:
        rows = connection.execute(select(SIGNATURE).where(SIGNATURE.c.pseudonym == pseudonym).order_by(SIGNATURE.c.at))
        return tuple((row.at, row.operator, row.reason) for row in rows)


def forget_screenings(database: Database, pseudonym: str) -> None:
    """Delete all answers of a participant who withdrew, and the reasons of decisions about them."""
    with database.transaction() as connection:
        connection.execute(delete(SCREENING).where(SCREENING.c.pseudonym == pseudonym))
        connection.execute(delete(SIGNATURE).where(SIGNATURE.c.pseudonym == pseudonym))
    database.checkpoint()
