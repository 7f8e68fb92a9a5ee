"""Prepares a session: reads what is open before the first pulse, and writes down what was done, by whom.

Every act of a person with a PIN is checked against it; where none is set up the entry says that the identity is not verified.
Answers to the screening and the words of a decision go into the private file, their outcome into the journal.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

from decussa.model.errors import UsageError
from decussa.protocol.head import find_vertex
from decussa.protocol.schema import Protocol, read_protocol
from decussa.session.clock import to_text
from decussa.session.last_words import SCREENING
from decussa.session.preparation import SECOND, Item, Preparation, preparation_of
from decussa.store import private
from decussa.store.chain import Entry
from decussa.store.journal import Journal, open_journal
from decussa.store.kinds import Kind
from decussa.store.operators import Identity, KnownOperator, identify, operators
from decussa.store.people import participants
from decussa.store.preparing import (
    Confirmed,
    Consent,
    ElectrodesOn,
    HeadMeasured,
    PersonDescribed,
    Preparing,
)
from decussa.store.records import Remark
from decussa.store.study import PROTOCOL, Study, open_study

#: Under whose code an act stands while nobody who works here was added.
NOBODY = Identity(code="", role="operator", verified=False)
LONGEST_TEXT = 400
_HEIGHT_CM = (100.0, 230.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedSession:
    """A session at the desk where it is prepared: what is open, who works here, and what an earlier session says of consent."""

    folder: Path
    session: str
    participant: str
    protocol: Protocol
    preparation: Preparation
    entries: int
    operators: tuple[KnownOperator, ...]
    earlier_consent: Consent | None


def local_midnight(now: datetime) -> datetime:
    """Return when the day of ``now`` began by this machine's clock."""
    return now.astimezone().replace(hour=0, minute=0, second=0, microsecond=0)


def read_preparation(folder: Path, session: str) -> PreparedSession:
    """Return what is done and open of a session's preparation, now."""
    with open_study(folder, write=False) as study:
        protocol = protocol_of(study)
        person = participant_of(study, session)
        with open_journal(study, session) as journal:
            entries = journal.entries()
        earlier = _earlier_consent(study, session)
    return PreparedSession(
        folder=folder,
        session=session,
        participant=person,
        protocol=protocol,
        preparation=prepared(entries, protocol, datetime.now(UTC)),
        entries=len(entries),
        operators=known_operators(folder),
        earlier_consent=earlier,
    )


def open_before_first_pulse(folder: Path, session: str) -> tuple[Item, ...]:
    """Return what keeps a session with a person closed; empty when its first pulse may be asked for."""
    return read_preparation(folder, session).preparation.open_items


def gates_that_hold(folder: Path, session: str) -> frozenset[str]:
    """Return the engine's gates that the preparation has confirmed today."""
    return read_preparation(folder, session).preparation.gates_that_hold


def refuse_if_screened_out(entries: tuple[Entry, ...], protocol: Protocol, now: datetime) -> None:
    """Refuse a session whose screening of today excludes, or waits for a signature, wherever it is to be run.

    Raises
    ------
    UsageError
        With what the screening says; a session that was not prepared here is asked for its gates as ever.
    """
    screening = next(item for item in prepared(entries, protocol, now).items if item.key == SCREENING)
    if screening.state in ("to be signed", "refused"):
        raise UsageError(
            "the screening keeps this session closed", found=screening.note, do="see the prepare page of this session"
        )


def known_operators(folder: Path) -> tuple[KnownOperator, ...]:
    """Return who works here; nobody where the private file is missing, as in a back-up."""
    if not (folder / private.PRIVATE_FILE).exists():
        return ()
    # An older private file is brought up to date, which a reader may not do.
    with private.open_private(folder, write=True) as database:
        return operators(database)


def who_acts(folder: Path, code: str, pin: str) -> Identity:
    """Return the identity of who types this code and PIN; nobody in particular while no one was added here.

    Raises
    ------
    UsageError
        If a code is missing, not known, or its PIN wrong.
    """
    known = known_operators(folder)
    if not known and not code:
        return NOBODY
    if not code:
        raise UsageError(
            "nobody said who is working",
            expected="one of " + ", ".join(one.code for one in known),
            do="choose your code",
        )
    private.create_missing(folder)
    with private.open_private(folder, write=True) as database:
        return identify(database, code, pin, at=to_text(datetime.now(UTC)))


def sign_consent(folder: Path, session: str, who: Identity, form: str, signed_on: str, allows: tuple[str, ...]) -> None:
    """Write down that the signed form was seen.

    Raises
    ------
    UsageError
        If the form has no version, or the day is none or lies ahead.
    """
    day = _day(signed_on)
    if day > datetime.now(UTC).astimezone().date():
        raise UsageError("day of the signature lies ahead", expected="today or earlier", found=signed_on)
    if not form.strip():
        raise UsageError("consent form has no version", do="type what is printed on the form, such as 2.1")
    consent = Consent(form=short(form), signed_on=signed_on, allows=allows, operator=who.code, verified=who.verified)
    _write(folder, session, "consent", consent)


def note_electrodes(
    folder: Path,
    session: str,
    who: Identity,
    muscle: str,
    placement: str,
    skin: str,
    distance_mm: float,
    impedance_kohm: float,
) -> None:
    """Write down where a muscle's electrodes are; distance and impedance NaN where not measured.

    Raises
    ------
    UsageError
        If the protocol has no such muscle, the placement is missing, or a number cannot be right.
    """
    for name, value, most in (("distance", distance_mm, 200.0), ("impedance", impedance_kohm, 1000.0)):
        if not (math.isnan(value) or 0 < value <= most):
            raise UsageError(f"{name} cannot be right", expected=f"above 0, at most {most:g}", found=f"{value:g}")
    if not placement.strip():
        raise UsageError("placement is missing", where=muscle, do="say where the electrodes are")
    with open_session(folder, session) as (_, journal, protocol):
        labels = [one.label for one in protocol.muscles]
        if muscle not in labels:
            raise UsageError("protocol has no such muscle", expected=", ".join(labels), found=repr(muscle))
        on = ElectrodesOn(
            muscle=muscle,
            placement=short(placement),
            skin=short(skin),
            distance_mm=distance_mm,
            impedance_kohm=impedance_kohm,
            operator=who.code,
            verified=who.verified,
        )
        journal.append("electrodes", on, at=to_text(datetime.now(UTC)))


def measure_head(folder: Path, session: str, who: Identity, nasion_inion_cm: float, ear_to_ear_cm: float) -> None:
    """Write both arcs down, from which the vertex is computed; UsageError where they cannot be a head's."""
    find_vertex(nasion_inion_cm, ear_to_ear_cm)
    head = HeadMeasured(
        nasion_inion_cm=nasion_inion_cm, ear_to_ear_cm=ear_to_ear_cm, operator=who.code, verified=who.verified
    )
    _write(folder, session, "head measured", head)


def describe_person(folder: Path, session: str, who: Identity, height_cm: float, hand: str) -> None:
    """Write height (NaN: not known) and preferred hand down; UsageError where they cannot be right."""
    low, high = _HEIGHT_CM
    if not (math.isnan(height_cm) or low <= height_cm <= high):
        raise UsageError("height cannot be right", expected=f"{low:g} to {high:g} cm", found=f"{height_cm:g} cm")
    for known in ("right", "left", "both", ""):
        if hand == known:
            described = PersonDescribed(height_cm=height_cm, hand=known, operator=who.code, verified=who.verified)
            _write(folder, session, "person described", described)
            return
    raise UsageError("preferred hand is not known", expected="right, left, both or nothing", found=repr(hand))


def confirm(folder: Path, session: str, who: Identity, item: str, note: str = "") -> None:
    """Write down that an item holds.

    Raises
    ------
    UsageError
        If it is no item that is done by confirming it, or the second person is the first.
    """
    if item == SECOND and (not note.strip() or note.strip() == who.code):
        raise UsageError(
            "second trained person is not named", expected="the code of somebody else", found=repr(note or who.code)
        )
    with open_session(folder, session) as (_, journal, protocol):
        items = {one.key: one for one in prepared(journal.entries(), protocol, datetime.now(UTC)).items}
        if item not in items or items[item].form != "confirm":
            raise UsageError("there is nothing of this name to confirm", found=repr(item))
        said = Confirmed(item=item, note=short(note), operator=who.code, verified=who.verified)
        journal.append("confirmed", said, at=to_text(datetime.now(UTC)))


def write_note(folder: Path, session: str, who: Identity, words: str) -> None:
    """Write a note down; UsageError where it says nothing."""
    if not words.strip():
        raise UsageError("note says nothing", do="type what happened or was seen")
    with open_session(folder, session) as (_, journal, _):
        journal.append("note", Remark(text=short(words), operator=who.code), at=to_text(datetime.now(UTC)))


def take_back(folder: Path, session: str, who: Identity, item: str) -> None:
    """Open an item again; what was written stays, this entry says that it no longer holds."""
    _write(folder, session, "confirmed", Confirmed(item=item, holds=False, operator=who.code, verified=who.verified))


def prepared(entries: tuple[Entry, ...], protocol: Protocol, now: datetime) -> Preparation:
    """Return what is done and open at this moment of this machine's day."""
    return preparation_of(entries, protocol, day_began=to_text(local_midnight(now)), now=to_text(now))


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise UsageError("day cannot be read", expected="such as 2026-03-02", found=repr(text)) from error


def short(text: str) -> str:
    """Return a text as an entry keeps it: on one line, not endless."""
    return " ".join(text.split())[:LONGEST_TEXT]


def protocol_of(study: Study) -> Protocol:
    """Return the protocol that a study is locked to."""
    return read_protocol(study.protocol_text, where=study.folder / PROTOCOL)


def participant_of(study: Study, session: str) -> str:
    """Return whose session it is, by pseudonym; UsageError where there is none of this name."""
    for person in participants(study):
        if session in person.sessions:
            return person.pseudonym
    raise UsageError("study has no such session", found=repr(session))


def _earlier_consent(study: Study, session: str) -> Consent | None:
    """Return the last consent of the same person in another session."""
    found = None
    for person in participants(study):
        for name in person.sessions if session in person.sessions else ():
            if name != session:
                with open_journal(study, name) as journal:
                    found = next((e.body for e in reversed(journal.entries()) if isinstance(e.body, Consent)), found)
    return found


@contextmanager
def open_session(folder: Path, session: str) -> Iterator[tuple[Study, Journal, Protocol]]:
    """Open a session as its only writer, with its study and protocol."""
    with open_study(folder, write=True) as study, open_journal(study, session) as journal:
        yield study, journal, protocol_of(study)


def _write(folder: Path, session: str, kind: Kind, body: Preparing) -> None:
    with open_session(folder, session) as (_, journal, _):
        journal.append(kind, body, at=to_text(datetime.now(UTC)))
