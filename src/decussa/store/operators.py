"""Who works here: a code for journals, a name, a role, and a personal PIN, kept in the private file as a salted slow hash."""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal, get_args

from sqlalchemy import Row, insert, select, update

from decussa.model.errors import UsageError
from decussa.store.database import Database
from decussa.store.private import OPERATOR

Role = Literal["operator", "reviewer", "principal investigator", "physician"]
ROLES: tuple[Role, ...] = get_args(Role)
#: Cost of one PIN guess: about 16 MB and tens of milliseconds (scrypt, RFC 7914).
_SCRYPT = {"n": 2**14, "r": 8, "p": 1}
_LEAST_PIN = 4
_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,11}")
#: After so many wrong PINs in a row none is taken for a while.
_TRIES = 5
_LOCKED_FOR = timedelta(minutes=5)


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownOperator:
    """Somebody who works here."""

    code: str
    name: str
    role: Role
    has_pin: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Under whose code something is done, and whether they proved it with their PIN."""

    code: str
    role: Role
    verified: bool


def add_operator(database: Database, code: str, name: str, role: str = "operator", *, pin: str = "") -> KnownOperator:
    """Add somebody who works here; without a PIN what they do is marked as not verified.

    Raises
    ------
    UsageError
        If the code is taken or not usable, the name is missing, the role is not known, or the PIN is too short.
    """
    if not _CODE.fullmatch(code):
        raise UsageError("operator's code is not usable", expected="1 to 12 letters, digits or -", found=repr(code))
    if not name.strip():
        raise UsageError("operator has no name", where=code, do="give the name: a signature needs one")
    if role not in ROLES:
        raise UsageError("role is not known", where=code, expected=", ".join(ROLES), found=repr(role))
    salt, pin_hash = _hashed(pin, code) if pin else (b"", b"")
    with database.transaction() as connection:
        if connection.execute(select(OPERATOR.c.code).where(OPERATOR.c.code == code)).first():
            raise UsageError("operator's code is taken", where=code, do="choose another code")
        row = {"code": code, "name": name.strip(), "salt": salt, "pin_hash": pin_hash, "role": role}
        connection.execute(insert(OPERATOR).values(wrong=0, wrong_at="", **row))
    return KnownOperator(code=code, name=name.strip(), role=role, has_pin=bool(pin))


def operators(database: Database) -> tuple[KnownOperator, ...]:
    """Return everybody who works here, by code."""
    with database.transaction() as connection:
        rows = connection.execute(select(OPERATOR).order_by(OPERATOR.c.code)).all()
    return tuple(KnownOperator(code=row.code, name=row.name, role=row.role, has_pin=bool(row.pin_hash)) for row in rows)


def identify(database: Database, code: str, pin: str, *, at: str) -> Identity:
    """Return who ``code`` is; verified where a PIN is set up and ``pin`` is it.

    Raises
    ------
    UsageError
        If nobody has this code, the PIN is wrong, or too many were wrong just before.
    """
    now = datetime.fromisoformat(at)
    with database.transaction() as connection:
        row = connection.execute(select(OPERATOR).where(OPERATOR.c.code == code)).one_or_none()
        if row is not None and row.pin_hash:
            _refuse_while_locked(row, now)
            right = hmac.compare_digest(row.pin_hash, _slow_hash(pin, row.salt))
            wrong = {"wrong": 0, "wrong_at": ""} if right else {"wrong": row.wrong + 1, "wrong_at": at}
            connection.execute(update(OPERATOR).where(OPERATOR.c.code == code).values(**wrong))
    if row is None:
        raise UsageError("nobody here has this code", where=code, do="add the person on the study page first")
    if row.pin_hash and not right:
        raise UsageError("PIN is not right", where=code, do="type the personal PIN again")
    return Identity(code=code, role=row.role, verified=bool(row.pin_hash))


def change_pin(database: Database, code: str, old: str, new: str, *, at: str) -> None:
    """Give an operator another PIN, or a first one.

    Raises
    ------
    UsageError
        If the old PIN is wrong, or the new one too short.
    """
    identify(database, code, old, at=at)
    salt, pin_hash = _hashed(new, code)
    with database.transaction() as connection:
        connection.execute(update(OPERATOR).where(OPERATOR.c.code == code).values(salt=salt, pin_hash=pin_hash))


def _refuse_while_locked(row: Row[tuple[object, ...]], now: datetime) -> None:
    if row.wrong and row.wrong % _TRIES == 0:
        left = datetime.fromisoformat(row.wrong_at) + _LOCKED_FOR - now
        if left > timedelta(0):
            minutes = -(-left.total_seconds() // 60)
            raise UsageError(
                f"{_TRIES} wrong PINs in a row", where=row.code, do=f"wait {minutes:g} min, then type the right one"
            )


def _hashed(pin: str, code: str) -> tuple[bytes, bytes]:
    if len(pin) < _LEAST_PIN:
        raise UsageError("PIN is too short", where=code, expected="at least four characters")
    salt = secrets.token_bytes(16)
    return salt, _slow_hash(pin, salt)


def _slow_hash(pin: str, salt: bytes) -> bytes:
    return hashlib.scrypt(pin.encode("utf-8"), salt=salt, **_SCRYPT)
