"""Is the study still what was written? Hash chains, counts, files; every doubt names its entry.

What this cannot find: a change by somebody who knows the file and computes all later hashes anew. Against that, the
head of a session's chain (``seals``) is printed in its report; a rewritten chain has another head.
"""

from __future__ import annotations

import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import NoneType

from sqlalchemy import Connection, Row, select

from decussa.model.errors import DecussaError
from decussa.store.chain import START, STUDY, fingerprint, link
from decussa.store.codec import decode
from decussa.store.database import plain_errors
from decussa.store.journal import entries_of
from decussa.store.log import log_state
from decussa.store.private import PRIVATE_FILE
from decussa.store.recordings import is_unfinished, sha256_of
from decussa.store.records import ParticipantAdded, RecordingKept, SessionOpened, StudyCreated, Withdrawn
from decussa.store.schema import ENTRY, JOURNAL, PARTICIPANT, SWEEP, WITHDRAWAL
from decussa.store.study import PROTOCOL, RECORDINGS, REPORTS, STUDY_FILE, Study, open_study

_Row = Row[tuple[object, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing to know. ``broken`` is False for what is in order but must be said, such as a withdrawal.

    ``entry`` is the number in ``journal``; 0 where it is not about one entry.
    """

    what: str
    broken: bool = True
    journal: str = ""
    entry: int = 0

    def sentence(self) -> str:
        """Return the finding on one line."""
        place = f"{self.journal}, entry {self.entry}: " if self.entry else f"{self.journal}: " if self.journal else ""
        return f"{place}{self.what}."


def check_study(folder: Path) -> list[Finding]:
    """Compare everything in a study folder with its hashes, counts and the study's own journal.

    Returns
    -------
    list of Finding
        Empty, or only findings that are not ``broken``, if the study is what was written.

    Raises
    ------
    RecordingError
        If the folder holds no study, or one of another version.
    MachineError
        If the disk refuses.
    """
    findings = list(_log(folder))
    # One transaction, so that a session written meanwhile is seen at one moment.
    with open_study(folder, write=False) as study, study.database.transaction() as connection:
        for part in (_file, _journals, _people, _protocol, _recordings, _private):
            try:
                with plain_errors(study.database.path):
                    findings.extend(part(connection, study.folder))
            except DecussaError as error:
                findings.append(Finding(what=f"not all could be checked: {error.sentence().rstrip('.')}"))
    return findings


def seals(study: Study) -> dict[str, str]:
    """Return the hash of the last entry of each journal: whoever keeps it elsewhere can prove that nothing changed."""
    with study.database.transaction() as connection:
        return {row.name: row.head_hash for row in connection.execute(select(JOURNAL).order_by(JOURNAL.c.id))}


def _log(folder: Path) -> Iterator[Finding]:
    state = log_state(folder / STUDY_FILE)
    if state == "damaged":
        yield Finding(what=f"{STUDY_FILE}-wal is damaged: entries written last cannot be read")
    elif state == "unfinished":
        what = f"{STUDY_FILE}-wal ends in a transaction that was being written when the machine stopped, or was damaged since"
        yield Finding(what=what, broken=False)


def _file(connection: Connection, _: Path) -> Iterator[Finding]:
    for line in connection.exec_driver_sql("PRAGMA integrity_check").scalars():
        if line != "ok":
            yield Finding(what=f"the study file is damaged: {line}")
    for row in connection.exec_driver_sql("PRAGMA foreign_key_check").all():
        yield Finding(what=f"the study file is damaged: row {row[1]} of {row[0]} belongs to nothing")


def _journals(connection: Connection, _: Path) -> Iterator[Finding]:
    gone = set(connection.execute(select(WITHDRAWAL.c.participant)).scalars())
    journals = connection.execute(select(JOURNAL).order_by(JOURNAL.c.id)).all()
    for journal in journals:
        yield from _journal(connection, journal, journal.participant in gone)
    known = {journal.id for journal in journals}
    for row in connection.execute(select(ENTRY.c.id, ENTRY.c.journal, ENTRY.c.number)):
        if row.journal not in known:
            yield Finding(what=f"entry {row.number} (row {row.id}) belongs to no journal")
    entries = select(ENTRY.c.id)
    for orphan in connection.execute(select(SWEEP.c.entry).where(SWEEP.c.entry.not_in(entries))).scalars():
        yield Finding(what=f"a sweep belongs to no entry (row {orphan})")


#: Plain SQL: damaged values must come as they are, not be turned into the type they should have.
_ROWS = """SELECT entry.*, samples FROM entry LEFT JOIN sweep ON sweep.entry = entry.id
    WHERE journal = ? ORDER BY number"""
_TYPES: dict[str, tuple[type, ...]] = {
    "number": (int,),
    **dict.fromkeys(("at", "kind", "body_sha256", "measured_sha256", "sweep_sha256", "hash"), (str,)),
    **dict.fromkeys(("body", "measured"), (str, NoneType)),
    **dict.fromkeys(("salt", "samples"), (bytes, NoneType)),
}


def _journal(connection: Connection, journal: _Row, withdrawn: bool) -> Iterator[Finding]:
    """Follow the chain of one journal from its start to its head."""
    name = str(journal.name)
    previous, last, wiped = START, 0, 0
    for row in connection.exec_driver_sql(_ROWS, (journal.id,), execution_options={"yield_per": 50}):
        odd = [column for column, types in _TYPES.items() if not isinstance(row._mapping[column], types)]
        if odd:
            last += 1
            yield Finding(what=f"its {', '.join(odd)} cannot be read", journal=name, entry=last)
            continue
        if row.number != last + 1:
            yield Finding(what=_gap(last + 1, row.number), journal=name, entry=last + 1)
        for what in _entry(name, previous, row, withdrawn):
            yield Finding(what=what, journal=name, entry=row.number)
        wiped += row.body is None
        previous, last = row.hash, row.number
    if (journal.head_number, journal.head_hash) != (last, previous):
        what = f"the journal ends at entry {last}, but entry {journal.head_number} was the last to be written"
        yield Finding(what=what, journal=name, entry=last + 1)
    if withdrawn:
        yield Finding(what=f"withdrawn: {wiped} entries wiped, hashes in place", broken=False, journal=name)


def _gap(expected: int, found: int) -> str:
    return f"entries {expected} to {found - 1} are missing" if found > expected + 1 else "this entry is missing"


def _entry(journal: str, previous: str, row: _Row, withdrawn: bool) -> Iterator[str]:
    """Say what is wrong with one entry, given the hash of the one before."""
    prints = (row.body_sha256, row.measured_sha256, row.sweep_sha256)
    if link(previous, journal, row.number, row.at, row.kind, prints) != row.hash:
        yield "its hash does not fit: it, its place, or the entry before was changed"
    contents = {
        "body": (row.body, row.body_sha256),
        "measured": (row.measured, row.measured_sha256),
        "sweep": (row.samples, row.sweep_sha256),
    }
    for part, (content, sha256) in contents.items():
        if withdrawn:
            if content is not None:
                yield f"the participant withdrew, but its {part} is still there"
        elif content is None and sha256:
            yield f"its {part} is missing"
        elif content is not None and not _fits(row.salt, part, content, sha256):
            yield f"its {part} was changed"
    if withdrawn and row.salt is not None:
        yield "the participant withdrew, but its salt is still there"
    for text in (row.body, row.measured):
        try:
            if text is not None:
                decode(text)
        except DecussaError as error:
            yield error.sentence().rstrip(".")


def _fits(salt: bytes | None, part: str, content: str | bytes, sha256: str) -> bool:
    raw = content.encode("utf-8", "surrogateescape") if isinstance(content, str) else content
    return salt is not None and fingerprint(salt, part, raw) == sha256


def _people(connection: Connection, folder: Path) -> Iterator[Finding]:
    """Compare the lists of people and sessions with what the study's journal says was added."""
    pseudonyms = {row.id: row.pseudonym for row in connection.execute(select(PARTICIPANT))}
    journals = connection.execute(select(JOURNAL).where(JOURNAL.c.name != STUDY))
    sessions = {(row.name, pseudonyms.get(row.participant)) for row in journals}
    gone = {pseudonyms.get(one) for one in connection.execute(select(WITHDRAWAL.c.participant)).scalars()}
    bodies = [entry.body for entry in entries_of(connection, STUDY)]
    added = {body.pseudonym for body in bodies if isinstance(body, ParticipantAdded)}
    opened = {(body.session, body.pseudonym) for body in bodies if isinstance(body, SessionOpened)}
    left = {body.pseudonym for body in bodies if isinstance(body, Withdrawn)}
    for name in sorted(added ^ set(pseudonyms.values()), key=str):
        yield Finding(what=f"participant {name} is {'missing' if name in added else 'there, but was never added'}")
    for name, whose in sorted(opened ^ sessions, key=str):
        state = "missing" if (name, whose) in opened else "there, but was never opened"
        yield Finding(what=f"session {name} of {whose} is {state}", journal=str(name))
    for name in sorted(left ^ gone, key=str):
        yield Finding(
            what=f"withdrawal of {name} is {'not carried out' if name in left else 'not in the journal of the study'}"
        )
    for name in sorted(left):
        yield Finding(what=f"participant {name} has withdrawn", broken=False)
        for place in (RECORDINGS, REPORTS):
            if (folder / place / name).exists():
                yield Finding(what=f"participant {name} has withdrawn, but files are left in {place}: withdraw again")


def _protocol(connection: Connection, folder: Path) -> Iterator[Finding]:
    locked = [entry.body for entry in entries_of(connection, STUDY) if isinstance(entry.body, StudyCreated)]
    if len(locked) != 1:
        yield Finding(what="the entry that locked the protocol is missing", journal=STUDY, entry=1)
    elif not (folder / PROTOCOL).is_file():
        yield Finding(what=f"{PROTOCOL} is missing", journal=STUDY, entry=1)
    elif sha256_of(folder / PROTOCOL) != locked[0].protocol_sha256:
        yield Finding(what=f"{PROTOCOL} was changed after it was locked", journal=STUDY, entry=1)


def _recordings(connection: Connection, folder: Path) -> Iterator[Finding]:
    entries = entries_of(connection, STUDY)
    left = {entry.body.pseudonym for entry in entries if isinstance(entry.body, Withdrawn)}
    kept = {entry.body.file: entry for entry in entries if isinstance(entry.body, RecordingKept)}
    place = folder / RECORDINGS
    for file, entry in kept.items():
        if not isinstance(entry.body, RecordingKept) or entry.body.pseudonym in left:
            continue
        if not (place / file).is_file():
            yield Finding(what=f"recording {file} is missing", journal=STUDY, entry=entry.number)
        elif sha256_of(place / file) != entry.body.sha256:
            yield Finding(what=f"recording {file} was changed", journal=STUDY, entry=entry.number)
    for path in sorted(place.rglob("*")):
        if path.is_file() and is_unfinished(path):
            what = "is being recorded, or was left by a crash: it is taken in when the participant's next session opens"
            yield Finding(what=f"stream {path.relative_to(place).as_posix()} {what}", broken=False)
        elif path.is_file() and path.relative_to(place).as_posix() not in kept:
            yield Finding(what=f"file {path.relative_to(place).as_posix()} in {RECORDINGS} was never taken in")


def _private(_: Connection, folder: Path) -> Iterator[Finding]:
    path = folder / PRIVATE_FILE
    if not path.exists():
        yield Finding(what=f"{PRIVATE_FILE} is not here, as in a back-up", broken=False)
    elif path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        yield Finding(what=f"{PRIVATE_FILE} can be read by others: allow it to its owner only (mode 0600)")
