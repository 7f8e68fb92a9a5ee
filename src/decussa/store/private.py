"""What must not leave the lab: screening answers, operators' names and PINs, in a file of its own (mode 0600).

Never part of an export or of the default back-up. Operators appear in journals by code only.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Column, LargeBinary, MetaData, Table, Text, delete, insert, select

from decussa.model.errors import UsageError
from decussa.store.database import Database, create_database, open_database

PRIVATE_FILE = "private.db"
PRIVATE_MODE = 0o600
#: Cost of one PIN guess: about 16 MB and tens of milliseconds (scrypt, RFC 7914).
_SCRYPT = {"n": 2**14, "r": 8, "p": 1}

_METADATA = MetaData()
OPERATOR = Table(
    "operator",
    _METADATA,
    Column("code", Text, primary_key=True),
    Column("name", Text, nullable=False),
    Column("salt", LargeBinary, nullable=False),
    Column("pin_hash", LargeBinary, nullable=False),
)
SCREENING = Table(
    "screening",
    _METADATA,
    Column("pseudonym", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("answers", Text, nullable=False),
)
MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        "CREATE TABLE operator (code TEXT PRIMARY KEY, name TEXT NOT NULL, salt BLOB NOT NULL, pin_hash BLOB NOT NULL)",
        "CREATE TABLE screening (pseudonym TEXT NOT NULL, at TEXT NOT NULL, answers TEXT NOT NULL)",
    ),
)


def create(folder: Path) -> None:
    """Make the private file of a new study."""
    create_database(folder / PRIVATE_FILE, MIGRATIONS, mode=PRIVATE_MODE)


@contextmanager
def open_private(folder: Path, *, write: bool) -> Iterator[Database]:
    """Open the private file of a study."""
    with open_database(folder / PRIVATE_FILE, MIGRATIONS, write=write) as database:
        yield database


def add_operator(database: Database, code: str, name: str, pin: str) -> None:
    """Add an operator: the code goes into journals, name and PIN stay here (the PIN only as a salted hash).

    Raises
    ------
    UsageError
        If the code is taken, or the PIN is shorter than four characters.
    """
    if len(pin) < 4:
        raise UsageError("PIN is too short", where=code, expected="at least four characters")
    salt = secrets.token_bytes(16)
    with database.transaction() as connection:
        if connection.execute(select(OPERATOR.c.code).where(OPERATOR.c.code == code)).first():
            raise UsageError("operator's code is taken", where=code, do="choose another code")
        connection.execute(insert(OPERATOR).values(code=code, name=name, salt=salt, pin_hash=_pin_hash(pin, salt)))


def pin_is_right(database: Database, code: str, pin: str) -> bool:
    """Tell whether this is the operator's PIN; False also where there is no such operator."""
    with database.transaction() as connection:
        row = connection.execute(select(OPERATOR).where(OPERATOR.c.code == code)).one_or_none()
    return row is not None and hmac.compare_digest(row.pin_hash, _pin_hash(pin, row.salt))


def operators(database: Database) -> dict[str, str]:
    """Return names by code."""
    with database.transaction() as connection:
        return {row.code: row.name for row in connection.execute(select(OPERATOR).order_by(OPERATOR.c.code))}


def keep_screening(database: Database, pseudonym: str, answers: Mapping[str, str], *, at: str) -> None:
    """Keep the answers to one screening; only its outcome goes into the journal, as a gate."""
    text = json.dumps(dict(answers))
    with database.transaction() as connection:
        connection.execute(insert(SCREENING).values(pseudonym=pseudonym, at=at, answers=text))


def screenings(database: Database, pseudonym: str) -> tuple[tuple[str, dict[str, str]], ...]:
    """Return time and answers of each screening of a participant, oldest first."""
    with database.transaction() as connection:
        rows = connection.execute(select(SCREENING).where(SCREENING.c.pseudonym == pseudonym).order_by(SCREENING.c.at))
        return tuple((row.at, json.loads(row.answers)) for row in rows)


def forget_screenings(database: Database, pseudonym: str) -> None:
    """Delete all screening answers of a participant who withdrew."""
    with database.transaction() as connection:
        connection.execute(delete(SCREENING).where(SCREENING.c.pseudonym == pseudonym))
    database.checkpoint()


def _pin_hash(pin: str, salt: bytes) -> bytes:
    return hashlib.scrypt(pin.encode("utf-8"), salt=salt, **_SCRYPT)
