"""Participants by pseudonym, their sessions, and the right to withdraw."""

from __future__ import annotations

import re
import shutil
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import date

from sqlalchemy import Connection, delete, func, insert, select, update

from decussa.model.errors import UsageError
from decussa.store import private
from decussa.store.chain import STUDY, add_entry, start_journal
from decussa.store.database import plain_errors
from decussa.store.lock import only_writer
from decussa.store.records import ParticipantAdded, SessionOpened, Withdrawn
from decussa.store.schema import ENTRY, JOURNAL, PARTICIPANT, SWEEP, WITHDRAWAL
from decussa.store.study import LOCKS, RECORDINGS, REPORTS, Study

_ALLOWED = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9_-]{0,30}[A-Za-z0-9])?")
#: Words that are no names, and so need no question.
_CODE_WORDS = re.compile(
    "sub|subj|subject|part|participant|patient|proband|person|control|healthy|pilot|test|demo|virtual|code|group|id"
)
_MONTHS = "jan|feb|mar|apr|may|mai|jun|jul|aug|sep|oct|okt|nov|dec|dez"


@dataclass(frozen=True, slots=True, kw_only=True)
class Participant:
    """A participant of the study; what is left of a withdrawn one is the pseudonym and hashes."""

    pseudonym: str
    withdrawn: bool
    sessions: tuple[str, ...]


def check_pseudonym(pseudonym: str) -> None:
    """Refuse what can't be a pseudonym: an e-mail address, a birth date, or what does not fit into file names.

    Raises
    ------
    UsageError
        With what to type instead.
    """
    if "@" in pseudonym:
        raise UsageError(
            "pseudonym looks like an e-mail address", expected="a code such as P07", do="type a code instead"
        )
    if _holds_date(pseudonym):
        raise UsageError("pseudonym looks like a birth date", expected="a code such as P07", do="type a code instead")
    if not _ALLOWED.fullmatch(pseudonym):
        raise UsageError(
            "pseudonym is not usable in file names",
            expected="1 to 32 letters a-z, digits, - or _, with a letter or digit at both ends",
            found=repr(pseudonym),
        )
    if pseudonym.lower() == STUDY:
        raise UsageError("pseudonym is taken by the study itself", found=repr(pseudonym), do="choose another code")


def needs_confirmation(pseudonym: str) -> str:
    """Return why a pseudonym might give the person away, as a sentence to confirm; empty where nothing speaks for it."""
    words = [word for word in re.findall(r"[a-z]+", pseudonym.lower()) if not _CODE_WORDS.fullmatch(word)]
    if any(len(word) >= 3 and re.search("[aeiouy]", word) for word in words):
        return f"'{pseudonym}' looks like a name: is it a code that only your key list can resolve?"
    if re.fullmatch(r"[A-Za-z]{2,3}", pseudonym):
        return f"'{pseudonym}' looks like initials: is it a code that only your key list can resolve?"
    if any(_dates(run) for run in re.findall(r"\d+", pseudonym) if len(run) == 6):
        return f"'{pseudonym}' holds six digits that could be a birth date: is it a code?"
    return ""


def add_participant(study: Study, pseudonym: str, *, at: str) -> None:
    """Add a participant. A command asks first where ``needs_confirmation`` gives a reason.

    Raises
    ------
    UsageError
        If the pseudonym is taken, also by somebody who withdrew, or cannot be one.
    """
    study.must_write()
    check_pseudonym(pseudonym)
    with study.database.transaction() as connection:
        # Folders are named after people, and some file systems do not tell case apart.
        taken = select(PARTICIPANT).where(func.lower(PARTICIPANT.c.pseudonym) == pseudonym.lower())
        if connection.execute(taken).first():
            raise UsageError("pseudonym is taken", found=repr(pseudonym), do="choose another code")
        connection.execute(insert(PARTICIPANT).values(pseudonym=pseudonym))
        add_entry(connection, STUDY, "participant added", ParticipantAdded(pseudonym=pseudonym), at=at)


def participants(study: Study) -> tuple[Participant, ...]:
    """Return everybody, in the order they were added."""
    with study.database.transaction() as connection:
        gone = set(connection.execute(select(WITHDRAWAL.c.participant)).scalars())
        people = connection.execute(select(PARTICIPANT).order_by(PARTICIPANT.c.id)).all()
        return tuple(
            Participant(
                pseudonym=person.pseudonym, withdrawn=person.id in gone, sessions=_sessions(connection, person.id)
            )
            for person in people
        )


def add_session(study: Study, pseudonym: str, *, at: str) -> str:
    """Open a new session of a participant and return its name, such as ``P07-1``.

    Raises
    ------
    UsageError
        If there is no such participant, or they withdrew.
    """
    study.must_write()
    with study.database.transaction() as connection:
        person = present(connection, pseudonym)
        name = f"{pseudonym}-{len(_sessions(connection, person)) + 1}"
        start_journal(connection, name, person)
        add_entry(connection, STUDY, "session opened", SessionOpened(session=name, pseudonym=pseudonym), at=at)
    return name


def withdraw(study: Study, pseudonym: str, *, at: str) -> Withdrawn:
    """Wipe sweeps, answers, notes, screening answers, recordings and reports of a participant; the hashes stay.

    May be called again to finish what a crash interrupted.

    Returns
    -------
    Withdrawn
        How much was wiped.

    Raises
    ------
    UsageError
        If there is no such participant.
    MachineError
        If one of their sessions is being written, or another program reads the study: nothing, or all but the last
        step, is done; call it again.
    """
    study.must_write()
    with ExitStack() as locks:
        with study.database.transaction() as connection:
            person = _known(connection, pseudonym)
            names = _sessions(connection, person)
        for name in names:
            locks.enter_context(only_writer(study.folder / LOCKS / name, f"session {name}"))
        with study.database.transaction() as connection:
            done = _wipe(connection, person, pseudonym, at)
        study.database.checkpoint()
        if (study.folder / private.PRIVATE_FILE).exists():
            with private.open_private(study.folder, write=True) as database:
                private.forget_screenings(database, pseudonym)
        for folder in (RECORDINGS, REPORTS):
            if (study.folder / folder / pseudonym).exists():
                with plain_errors(study.folder / folder / pseudonym):
                    shutil.rmtree(study.folder / folder / pseudonym)
    return done


def present(connection: Connection, pseudonym: str) -> int:
    """Return the row of a participant who has not withdrawn; UsageError otherwise."""
    person = _known(connection, pseudonym)
    if connection.execute(select(WITHDRAWAL).where(WITHDRAWAL.c.participant == person)).first():
        raise UsageError(
            "participant has withdrawn", where=pseudonym, do="nothing more may be recorded under this pseudonym"
        )
    return person


def _wipe(connection: Connection, person: int, pseudonym: str, at: str) -> Withdrawn:
    theirs = select(JOURNAL.c.id).where(JOURNAL.c.participant == person)
    entries = select(ENTRY.c.id).where(ENTRY.c.journal.in_(theirs))
    done = Withdrawn(
        pseudonym=pseudonym,
        entries=connection.execute(select(func.count()).select_from(entries.subquery())).scalar_one(),
        sweeps=connection.execute(select(func.count()).where(SWEEP.c.entry.in_(entries))).scalar_one(),
    )
    if connection.execute(select(WITHDRAWAL).where(WITHDRAWAL.c.participant == person)).first():
        return done
    connection.execute(insert(WITHDRAWAL).values(participant=person))
    connection.execute(delete(SWEEP).where(SWEEP.c.entry.in_(entries)))
    connection.execute(update(ENTRY).where(ENTRY.c.journal.in_(theirs)).values(salt=None, body=None, measured=None))
    add_entry(connection, STUDY, "withdrawn", done, at=at)
    return done


def _known(connection: Connection, pseudonym: str) -> int:
    person = connection.execute(select(PARTICIPANT.c.id).where(PARTICIPANT.c.pseudonym == pseudonym)).scalar()
    if person is None:
        known = connection.execute(select(PARTICIPANT.c.pseudonym).order_by(PARTICIPANT.c.id)).scalars().all()
        raise UsageError(
            "participant is not in the study", expected=", ".join(known) or "nobody yet", found=repr(pseudonym)
        )
    return int(person)


def _sessions(connection: Connection, person: int) -> tuple[str, ...]:
    rows = connection.execute(select(JOURNAL.c.name).where(JOURNAL.c.participant == person).order_by(JOURNAL.c.id))
    return tuple(rows.scalars())


def _holds_date(text: str) -> bool:
    parts = re.findall(r"\d+", text)
    if any(len(run) == 8 and _dates(run) for run in parts):
        return True
    if text.isdigit() and len(text) == 6 and _dates(text):
        return True
    if re.search(rf"\d[\s._-]*({_MONTHS})[a-z]*[\s._-]*\d", text.lower()):
        return True
    return any(
        _dates("".join(piece.zfill(2) for piece in match.groups()))
        for match in re.finditer(r"(?<!\d)(\d{1,4})[./_ -](\d{1,2})[./_ -](\d{1,4})(?!\d)", text)
    )


def _dates(digits: str) -> bool:
    """Tell whether six or eight digits are a date a living person may be born on, in any of the usual orders."""
    if len(digits) == 8:
        orders = [(digits[:4], digits[4:6], digits[6:]), (digits[4:], digits[2:4], digits[:2])]
        orders += [(digits[4:], digits[:2], digits[2:4])]
    elif len(digits) == 6:
        first, second, third = digits[:2], digits[2:4], digits[4:]
        orders = [(f"20{first}", second, third), (f"20{third}", second, first), (f"20{third}", first, second)]
    else:
        return False
    return any(1900 <= int(year) <= 2099 and _is_day(year, month, day) for year, month, day in orders)


def _is_day(year: str, month: str, day: str) -> bool:
    try:
        date(int(year), int(month), int(day))
    except ValueError:
        return False
    return True
