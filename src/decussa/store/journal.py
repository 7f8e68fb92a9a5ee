"""The journal of one session: what happened, in order, on disk before anybody acts on it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Connection, Row, select

from decussa.model.errors import RecordingError, UsageError
from decussa.model.sweep import Sweep
from decussa.store.chain import STUDY, Entry, add_entry
from decussa.store.codec import decode, decode_sweep
from decussa.store.kinds import Kind
from decussa.store.lock import only_writer
from decussa.store.people import present
from decussa.store.records import Body, Measured
from decussa.store.schema import ENTRY, JOURNAL, PARTICIPANT, SWEEP
from decussa.store.study import LOCKS, Study


class Journal:
    """The journal of one session (or of the study itself); ``open_journal`` makes it."""

    def __init__(self, study: Study, session: str) -> None:
        self.study = study
        self.session = session

    def append(
        self, kind: Kind, body: Body, *, at: str, sweep: Sweep | None = None, measured: Measured | None = None
    ) -> Entry:
        """Add an entry; it is on disk when this returns.

        Parameters
        ----------
        kind : Kind
            What happened; one of ``kinds.KINDS``, which also says which records may be the body.
        body : Body
            The request, reply or event.
        at : str
            When, UTC in ISO 8601.
        sweep : Sweep, optional
            The raw sweep that came back.
        measured : Measured, optional
            The values measured from it, with what made them.

        Raises
        ------
        UsageError
            If the entry cannot be kept as it is, or the study was opened to look on.
        MachineError
            If the disk is full, read-only or gone; the entry is then not kept, every earlier one is.
        """
        self.study.must_write()
        with self.study.database.transaction() as connection:
            return add_entry(connection, self.session, kind, body, at=at, sweep=sweep, measured=measured)

    def entries(self, after: int = 0) -> tuple[Entry, ...]:
        """Return the entries whose number is above ``after``, in order.

        Raises
        ------
        RecordingError
            If one cannot be read.
        """
        with self.study.database.transaction() as connection:
            return entries_of(connection, self.session, after)

    def sweep(self, number: int) -> Sweep:
        """Return the raw sweep of an entry.

        Raises
        ------
        RecordingError
            If the entry has none, or it was wiped by a withdrawal, or cannot be read.
        """
        chosen = (
            select(SWEEP.c.samples)
            .join(ENTRY, ENTRY.c.id == SWEEP.c.entry)
            .join(JOURNAL, JOURNAL.c.id == ENTRY.c.journal)
            .where(JOURNAL.c.name == self.session, ENTRY.c.number == number)
        )
        with self.study.database.transaction() as connection:
            blob = connection.execute(chosen).scalar()
        where = f"{self.session}, entry {number}"
        if blob is None:
            raise RecordingError(
                "entry has no sweep", where=where, do="run decussa check to see whether it should have one"
            )
        return decode_sweep(blob, where=where)


def entries_of(connection: Connection, journal: str, after: int = 0) -> tuple[Entry, ...]:
    """Return the entries of a journal whose number is above ``after``, within the caller's transaction."""
    chosen = (
        select(ENTRY)
        .join(JOURNAL, JOURNAL.c.id == ENTRY.c.journal)
        .where(JOURNAL.c.name == journal, ENTRY.c.number > after)
        .order_by(ENTRY.c.number)
    )
    return tuple(entry_of_row(row, f"{journal}, entry {row.number}") for row in connection.execute(chosen))


def entry_of_row(row: Row[tuple[object, ...]], where: str) -> Entry:
    """Return the entry that a row of the file holds; RecordingError where it cannot be read."""
    body = None if row.body is None else decode(row.body, where=where)
    measured = None if row.measured is None else decode(row.measured, where=where)
    if isinstance(body, Measured) or not isinstance(measured, Measured | None):
        raise RecordingError("contents of an entry are exchanged", where=where, do="run decussa check")
    return Entry(
        number=row.number,
        at=row.at,
        kind=row.kind,
        body=body,
        measured=measured,
        has_sweep=bool(row.sweep_sha256),
        hash=row.hash,
    )


@contextmanager
def open_journal(study: Study, session: str = STUDY) -> Iterator[Journal]:
    """Open the journal of a session: as its only writer, or to look on if the study was opened for reading.

    Raises
    ------
    UsageError
        If the study has no such session, or its participant withdrew and the study is open for writing.
    MachineError
        If another program is writing this session.
    """
    with study.database.transaction() as connection:
        names = connection.execute(select(JOURNAL.c.name).order_by(JOURNAL.c.id)).scalars().all()
        if session not in names:
            known = ", ".join(name for name in names if name != STUDY)
            raise UsageError("study has no such session", expected=known, found=repr(session))
    if not study.write or session == STUDY:
        yield Journal(study, session)
        return
    with only_writer(study.folder / LOCKS / session, f"session {session}"):
        with study.database.transaction() as connection:
            person = select(PARTICIPANT.c.pseudonym).join(JOURNAL, JOURNAL.c.participant == PARTICIPANT.c.id)
            pseudonym = connection.execute(person.where(JOURNAL.c.name == session)).scalar()
            if pseudonym is not None:
                present(connection, pseudonym)
        yield Journal(study, session)
