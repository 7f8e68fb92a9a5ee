"""How entries are chained, and the one function that adds an entry.

Each entry keeps a fingerprint of each of its contents, and a hash over the previous entry's hash, its own place and
those fingerprints. The chain can so be followed after a withdrawal wiped the contents. The contents are fingerprinted
with a random salt that is wiped with them: a short answer cannot be guessed back from its fingerprint.
Hashes are SHA-256 (FIPS 180-4), in hexadecimal.
"""

from __future__ import annotations

import hashlib
import json
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Connection, bindparam, insert, select

from decussa.model.errors import RecordingError, UsageError
from decussa.model.sweep import Sweep
from decussa.store.codec import encode, encode_sweep
from decussa.store.kinds import Kind, check_kind
from decussa.store.records import Body, Measured
from decussa.store.schema import ENTRY, JOURNAL, SWEEP

#: The hash before the first entry.
START = "0" * 64
#: Name of the journal of the study itself.
STUDY = "study"
#: Built once: building a statement anew takes longer than carrying it out.
_HEAD = select(JOURNAL).where(JOURNAL.c.name == bindparam("journal"))
_ADD_ENTRY, _ADD_SWEEP = insert(ENTRY), insert(SWEEP)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One thing that happened.

    ``number`` counts from 1 within its journal, ``at`` is UTC. ``body`` and ``measured`` are None where a withdrawal
    wiped them (``measured`` also where nothing was measured); ``has_sweep`` tells whether one was stored.
    """

    number: int
    at: str
    kind: Kind
    body: Body | None
    measured: Measured | None
    has_sweep: bool
    hash: str


def fingerprint(salt: bytes, part: str, content: bytes) -> str:
    """Return the hash of one content of an entry; ``part`` says which, so that two cannot be exchanged."""
    return hashlib.sha256(salt + part.encode("ascii") + b"\n" + content).hexdigest()


def link(previous: str, journal: str, number: int, at: str, kind: str, fingerprints: tuple[str, str, str]) -> str:
    """Return the hash of an entry: over the previous hash, its place, time and kind, and its contents' fingerprints."""
    line = json.dumps([previous, journal, number, at, kind, *fingerprints], separators=(",", ":"))
    return hashlib.sha256(line.encode("ascii")).hexdigest()


def add_entry(
    connection: Connection,
    journal: str,
    kind: Kind,
    body: Body,
    *,
    at: str,
    sweep: Sweep | None = None,
    measured: Measured | None = None,
) -> Entry:
    """Add an entry at the end of a journal, within the caller's transaction.

    Raises
    ------
    UsageError
        If the kind, the record, the sweep or the time cannot be kept.
    RecordingError
        If there is no such journal.
    """
    check_kind(kind, body)
    _check_time(at)
    contents = {
        "body": encode(body).encode("ascii"),
        "measured": b"" if measured is None else encode(measured).encode("ascii"),
        "sweep": b"" if sweep is None else encode_sweep(sweep),
    }
    salt = secrets.token_bytes(16)
    prints = {part: fingerprint(salt, part, content) if content else "" for part, content in contents.items()}
    head = connection.execute(_HEAD, {"journal": journal}).one_or_none()
    if head is None:
        raise RecordingError("study has no such journal", where=journal, do="check the name of the session")
    number = head.head_number + 1
    own = link(head.head_hash, journal, number, at, kind, (prints["body"], prints["measured"], prints["sweep"]))
    row = connection.execute(
        _ADD_ENTRY,
        {
            "journal": head.id,
            "number": number,
            "at": at,
            "kind": kind,
            "salt": salt,
            "body": contents["body"].decode("ascii"),
            "measured": contents["measured"].decode("ascii") or None,
            "body_sha256": prints["body"],
            "measured_sha256": prints["measured"],
            "sweep_sha256": prints["sweep"],
            "hash": own,
        },
    ).inserted_primary_key
    if sweep is not None and row is not None:
        connection.execute(_ADD_SWEEP, {"entry": row[0], "samples": contents["sweep"]})
    return Entry(number=number, at=at, kind=kind, body=body, measured=measured, has_sweep=sweep is not None, hash=own)


def start_journal(connection: Connection, name: str, participant: int | None) -> None:
    """Make an empty journal, within the caller's transaction."""
    connection.execute(insert(JOURNAL).values(name=name, participant=participant, head_number=0, head_hash=START))


def _check_time(at: str) -> None:
    try:
        utc = datetime.fromisoformat(at).utcoffset() == timedelta(0)
    except (TypeError, ValueError):
        utc = False
    if not utc or not at.isascii():
        raise UsageError(
            "time of an entry is not right",
            expected="UTC in ISO 8601, such as 2026-03-01T09:30:00.250Z",
            found=repr(at),
        )
