"""Acts on a study: people, sessions, days, calls on the day after, back-ups, new studies."""

from __future__ import annotations

import re
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, get_args

from decussa.compose.preparing import open_session, participant_of
from decussa.model.errors import DecussaError, UsageError
from decussa.protocol.schema import read_protocol
from decussa.session.clock import to_text
from decussa.store.backup import Progress, back_up
from decussa.store.journal import open_journal
from decussa.store.operators import Identity
from decussa.store.people import (
    add_participant,
    add_session,
    check_pseudonym,
    needs_confirmation,
    participants,
    withdraw,
)
from decussa.store.preparing import FollowedUp, SessionPlanned
from decussa.store.records import AdverseEvent, Withdrawn
from decussa.store.study import create_study, open_study

Outcome = Literal["nothing to report", "something to report", "not reached"]
OUTCOMES: tuple[Outcome, ...] = get_args(Outcome)
Severity = Literal["mild", "moderate", "severe"]
SEVERITIES: tuple[Severity, ...] = get_args(Severity)
BACK_UPS = "back-ups"
_FOLDER_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")


def start_study(root: Path, name: str, protocol_name: str, text: str) -> Path:
    """Make a study folder of this name in ``root`` from a protocol's text; return the folder.

    Raises
    ------
    UsageError
        If the name is not one a folder may have, or is taken.
    ProtocolError
        If the protocol has faults.
    """
    if not _FOLDER_NAME.fullmatch(name):
        raise UsageError(
            "name of the study is not usable", expected="1 to 40 letters, digits, - or _", found=repr(name)
        )
    read_protocol(text, where="protocol")
    create_study(root / name, protocol_name, text, at=_now())
    return root / name


def doubt_about_new(pseudonym: str) -> str:
    """Return why a new pseudonym might give a person away, as a sentence to confirm; empty where nothing speaks for it.

    Raises
    ------
    UsageError
        If it cannot be a pseudonym.
    """
    check_pseudonym(pseudonym)
    return needs_confirmation(pseudonym)


def doubt_about(folder: Path, pseudonym: str) -> str:
    """Return why a new pseudonym might give a person away, as a sentence to confirm; empty for one that is known.

    Raises
    ------
    UsageError
        If it cannot be a pseudonym.
    """
    with open_study(folder, write=False) as study:
        if pseudonym in {person.pseudonym for person in participants(study)}:
            return ""
    return doubt_about_new(pseudonym)


def session_for(folder: Path, pseudonym: str) -> str:
    """Return the session a participant comes for: the one that is not finished, else the next one, opened now.

    Who is not in the study yet is added.

    Raises
    ------
    UsageError
        If the pseudonym cannot be one, or its owner has withdrawn.
    """
    with open_study(folder, write=True) as study:
        person = next((one for one in participants(study) if one.pseudonym == pseudonym), None)
        if person is None:
            add_participant(study, pseudonym, at=_now())
        elif person.sessions and not person.withdrawn:
            with open_journal(study, person.sessions[-1]) as journal:
                if not any(entry.kind == "finished" for entry in journal.entries()):
                    return person.sessions[-1]
        return add_session(study, pseudonym, at=_now())


def withdraw_participant(folder: Path, pseudonym: str) -> Withdrawn:
    """Wipe what is kept of a participant; see ``store.people.withdraw``."""
    with open_study(folder, write=True) as study:
        return withdraw(study, pseudonym, at=_now())


def enrol(folder: Path, pseudonym: str) -> str:
    """Add a participant with a first session; return its name."""
    with open_study(folder, write=True) as study:
        add_participant(study, pseudonym, at=_now())
        return add_session(study, pseudonym, at=_now())


def add_next_session(folder: Path, pseudonym: str) -> str:
    """Open a participant's next session; return its name."""
    with open_study(folder, write=True) as study:
        return add_session(study, pseudonym, at=_now())


def plan_session(folder: Path, session: str, planned_for: str) -> None:
    """Give a session a day and a time by the lab's clock, such as ``2026-03-02T14:00``; empty takes it back."""
    if planned_for:
        try:
            moment = datetime.fromisoformat(planned_for)
        except ValueError as error:
            raise UsageError(
                "day cannot be read", expected="such as 2026-03-02T14:00", found=repr(planned_for)
            ) from error
        planned_for = moment.replace(tzinfo=None).isoformat(timespec="minutes")
    with open_study(folder, write=True) as study, open_journal(study) as journal:
        participant_of(study, session)
        journal.append("session planned", SessionPlanned(session=session, planned_for=planned_for), at=_now())


def follow_up(folder: Path, session: str, who: Identity, outcome: str, words: str = "", severity: str = "") -> None:
    """Write down what the participant said on a later day; something to report is an adverse event of its own.

    Raises
    ------
    UsageError
        If the outcome is not known, or there is something to report without words or severity.
    """
    said = next((known for known in OUTCOMES if known == outcome), None)
    if said is None:
        raise UsageError("outcome is not known", expected=", ".join(OUTCOMES), found=repr(outcome))
    event = _event(words, severity, who) if said == "something to report" else None
    with open_session(folder, session) as (_, journal, _):
        if event is not None:
            journal.append("adverse event", event, at=_now())
        journal.append("followed up", FollowedUp(outcome=said, operator=who.code, verified=who.verified), at=_now())


def _event(words: str, severity: str, who: Identity) -> AdverseEvent:
    if not words.strip():
        raise UsageError("nothing is said of what there is to report", do="say what, since when, how bad")
    for known in SEVERITIES:
        if severity == known:
            told = "told on a later day"
            return AdverseEvent(event=words.strip()[:400], severity=known, action=told, operator=who.code)
    raise UsageError("severity is not known", expected=", ".join(SEVERITIES), found=repr(severity))


def back_up_study(root: Path, folder: Path, target: str, progress: Progress) -> Path:
    """Copy a study into a new folder named after it and the time; return where.

    Parameters
    ----------
    target : str
        A folder of this machine, such as one on another disk; empty: ``back-ups`` beside the studies.

    Raises
    ------
    UsageError
        If ``target`` is not a whole path to a folder that is there.
    """
    place = Path(target) if target else root / BACK_UPS
    if target and not (place.is_absolute() and ".." not in place.parts and place.is_dir()):
        raise UsageError(
            "folder for the back-up is not there",
            expected="the whole path to a folder of this machine",
            found=repr(target),
        )
    copy = place / f"{folder.name}-{datetime.now(UTC).astimezone():%Y-%m-%d-%H%M%S}"
    if copy.exists():
        raise UsageError("a back-up of this second is there already", do="try again")
    try:
        back_up(folder, copy, progress=progress)
    except DecussaError:
        shutil.rmtree(copy, ignore_errors=True)
        raise
    return copy


def _now() -> str:
    return to_text(datetime.now(UTC))
