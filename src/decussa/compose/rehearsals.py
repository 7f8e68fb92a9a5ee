"""Rehearsals: sessions on a virtual participant, each in a study of its own."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from decussa.compose.sessions import Outcome, new_study, run_in
from decussa.compose.virtual_people import mishaps_of, person_of, virtual_person
from decussa.model.errors import UsageError
from decussa.protocol.schema import Protocol, load_protocol, read_protocol
from decussa.session.clock import Clock, RealClock, VirtualClock, to_text
from decussa.session.operator import Operator
from decussa.session.recovery import last_start
from decussa.session.scribe import Listener
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.source import VirtualSource
from decussa.store.journal import open_journal
from decussa.store.people import add_participant, add_session, participants
from decussa.store.records import Started
from decussa.store.study import STUDY_FILE, open_study

#: A rehearsal on a virtual clock begins at this moment, so that the same seed writes the same times.
VIRTUAL_MORNING = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)


def rehearse(
    protocol_name: str,
    folder: Path,
    *,
    seed: int,
    operator: Operator,
    real_pace: bool = False,
    fresh: bool = False,
    hard: str = "drawn",
    errors: Mapping[int, str] | None = None,
    listeners: Sequence[Listener] = (),
) -> Outcome:
    """Run a session on a virtual participant, in a study of its own; an unfinished one in ``folder`` goes on.

    ``hard`` says what makes the person hard to record, by name, or leaves it to the seed; ``errors`` are what goes wrong, by
    number of the stimulus.

    Raises
    ------
    UsageError
        If ``folder`` holds something else, or was made with another protocol, seed or kind of person.
    """
    clock: Clock = RealClock() if real_pace else VirtualClock(VIRTUAL_MORNING)
    if not (folder / STUDY_FILE).exists():
        new_rehearsal(protocol_name, folder, seed=seed, at=to_text(clock.now()), hard=hard)
    with open_study(folder, write=True) as study:
        session = f"{_pseudonym(seed)}-1"
        if not any(session in one.sessions for one in participants(study)):
            raise UsageError(
                "folder holds another study",
                where=folder,
                expected=f"a rehearsal with seed {seed}",
                do="name another folder, or the seed that it was made with",
            )
        protocol = read_protocol(study.protocol_text, where=folder / "protocol.toml")
        person = virtual_person(protocol, seed, hard=hard)
        return run_in(
            study,
            session,
            VirtualSource(person, errors=errors),
            operator,
            clock=clock,
            seed=seed,
            fresh=fresh,
            listeners=listeners,
        )


def go_on_rehearsing(
    folder: Path, session: str, operator: Operator, *, real_pace: bool, fresh: bool, listeners: Sequence[Listener] = ()
) -> Outcome:
    """Begin a rehearsal that was made, or go on with it, with the person it was made for.

    Raises
    ------
    UsageError
        If the session is none on a virtual participant.
    """
    with open_study(folder, write=True) as study:
        protocol = read_protocol(study.protocol_text, where=folder / "protocol.toml")
        with open_journal(study, session) as journal:
            started = last_start(journal.entries())
        seed = started.seed if started else _seed_of(session)
        person = rehearsed_person(protocol, session, started)
        source = VirtualSource(person, errors=mishaps_of(started) if started else None)
        clock: Clock = RealClock() if real_pace else VirtualClock(VIRTUAL_MORNING)
        return run_in(study, session, source, operator, clock=clock, seed=seed, fresh=fresh, listeners=listeners)


def rehearsed_person(protocol: Protocol, session: str, started: Started | None) -> VirtualParticipant:
    """Return the virtual person of a rehearsal, as it was started or is going to be.

    Raises
    ------
    UsageError
        If the session was not started and its name is none of a rehearsal.
    """
    if started is None:
        return virtual_person(protocol, _seed_of(session), hard="drawn")
    return person_of(protocol, started)


def _seed_of(session: str) -> int:
    """Return the seed that a rehearsal's name tells, as ``_pseudonym`` writes it."""
    found = re.fullmatch(r"V-(\d+)-\d+", session)
    if found is None:
        raise UsageError("session is no rehearsal", expected="a name such as V-0007-1", found=repr(session))
    return int(found[1])


def new_rehearsal(protocol_name: str, folder: Path, *, seed: int, at: str, hard: str = "drawn") -> Path:
    """Make a study that holds one virtual participant with one session; return the folder.

    Raises
    ------
    UsageError
        If there is no such kind of person, or no such protocol; nothing is made then.
    """
    virtual_person(load_protocol(protocol_name)[0], seed, hard=hard)
    new_study(folder, protocol_name, at=at)
    with open_study(folder, write=True) as study:
        add_participant(study, _pseudonym(seed), at=at)
        add_session(study, _pseudonym(seed), at=at)
    return folder


def _pseudonym(seed: int) -> str:
    return f"V-{seed:04d}"
