"""What the study page shows: people and their sessions, what is due, what is missing, the plan a protocol comes to.

Reads only. A session's row is worked out again only where its journal has grown, so that a page of many sessions stays quick.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from sqlalchemy import select

from decussa.compose.looking import is_rehearsal
from decussa.compose.method_facts import RECORDED
from decussa.compose.preparing import local_midnight
from decussa.model.estimate import Estimate
from decussa.protocol.schema import Protocol, read_protocol
from decussa.session.clock import from_text
from decussa.session.preparation import first_target
from decussa.session.recovery import stored_findings
from decussa.store.chain import Entry
from decussa.store.glance import entries_of_kinds, glance_at
from decussa.store.journal import open_journal
from decussa.store.kinds import Kind
from decussa.store.people import Participant, participants
from decussa.store.preparing import Consent, Decided, FollowedUp, PersonDescribed, Screened, SessionPlanned
from decussa.store.records import RecordingKept, ReviewBegun, Started, StudyCreated
from decussa.store.schema import JOURNAL
from decussa.store.study import PROTOCOL, Study, open_study

#: Kinds of entries that say how a session stands; what was asked and answered is only counted.
_TELLING: tuple[Kind, ...] = (
    "started",
    "step found",
    "finished",
    "consent",
    "screened",
    "decided",
    "person described",
    "review begun",
    "followed up",
)
SessionState = Literal["done", "incomplete", "planned", "open"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionRow:
    """One session: how it stands, when it is planned (lab's clock) or began (UTC), and what it found.

    ``screened_until`` is when a screening that closes nothing ends (UTC; empty: there is none). ``follow_up`` says whether
    the day after has been asked about: ``due``, ``done``, or not yet to be (empty).
    """

    session: str
    state: SessionState
    planned_for: str = ""
    began: str = ""
    threshold: Estimate | None = None
    stimuli: int = 0
    sweeps: int = 0
    accepted: int = 0
    follow_up: Literal["due", "done", ""] = ""
    screened_until: str = ""
    consent: bool = False
    described: bool = False
    reviewed: bool = False
    rehearsal: bool = False
    imported: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonRow:
    """One participant with their sessions and what is missing."""

    pseudonym: str
    withdrawn: bool
    sessions: tuple[SessionRow, ...]
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DueItem:
    """Something to do today: a session to prepare, one to go on with, or a call on the day after."""

    what: Literal["session", "go on", "follow up"]
    pseudonym: str
    session: str
    at: str
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyBoard:
    """Everything the study page shows of one study; ``set_up`` is the entry of the set-up that was accepted last."""

    folder: Path
    protocol: Protocol
    protocol_name: str
    locked_on: str
    people: tuple[PersonRow, ...]
    due: tuple[DueItem, ...]
    entries: int
    recordings: tuple[str, ...]
    set_up: Entry | None = None

    @property
    def is_rehearsal(self) -> bool:
        """Whether everybody in it is virtual."""
        rows = [row for person in self.people for row in person.sessions]
        return bool(rows) and all(row.rehearsal for row in rows)


@dataclass(slots=True)
class BoardReader:
    """Reads boards, and remembers each session's row as long as its journal has not grown."""

    _rows: dict[str, SessionRow] = field(default_factory=dict)

    def read(self, folder: Path, now: datetime | None = None) -> StudyBoard:
        """Return the board of a study as it stands now.

        Raises
        ------
        RecordingError
            If the folder holds no study, or it cannot be read.
        """
        now = now or datetime.now(UTC)
        with open_study(folder, write=False) as study:
            protocol = read_protocol(study.protocol_text, where=folder / PROTOCOL)
            heads = _heads(study)
            with open_journal(study) as journal:
                of_study = journal.entries()
            planned = _planned(of_study)
            people = tuple(self._person(study, person, protocol, heads, planned, now) for person in participants(study))
        created = next(entry for entry in of_study if isinstance(entry.body, StudyCreated))
        assert isinstance(created.body, StudyCreated)
        return StudyBoard(
            folder=folder,
            protocol=protocol,
            protocol_name=created.body.protocol,
            locked_on=created.at,
            people=people,
            due=_due(people, now),
            entries=sum(number for number, _ in heads.values()),
            recordings=tuple(entry.body.file for entry in of_study if isinstance(entry.body, RecordingKept)),
            set_up=next((entry for entry in reversed(of_study) if entry.kind == "site accepted"), None),
        )

    def _person(
        self,
        study: Study,
        person: Participant,
        protocol: Protocol,
        heads: Mapping[str, tuple[int, str]],
        planned: Mapping[str, str],
        now: datetime,
    ) -> PersonRow:
        rows = (
            () if person.withdrawn else tuple(self._row(study, name, heads[name], protocol) for name in person.sessions)
        )
        timely = tuple(_on_that_day(row, planned.get(row.session, ""), now) for row in rows)
        return PersonRow(
            pseudonym=person.pseudonym, withdrawn=person.withdrawn, sessions=timely, missing=_missing(person, timely)
        )

    def _row(self, study: Study, session: str, head: tuple[int, str], protocol: Protocol) -> SessionRow:
        key = f"{study.folder}/{session}/{head[1]}"
        if key not in self._rows:
            self._rows[key] = _read_row(study, session, protocol)
        return self._rows[key]


def _read_row(study: Study, session: str, protocol: Protocol) -> SessionRow:
    """Return how a session stands, apart from what depends on the day."""
    seen = glance_at(study, session)
    entries = entries_of_kinds(study, session, _TELLING)
    bodies = [entry.body for entry in entries]
    label = first_target(protocol).label
    found = stored_findings(entries)
    followed = any(isinstance(body, FollowedUp) and body.outcome != "not reached" for body in bodies)
    finished = any(entry.kind == "finished" for entry in entries)
    return SessionRow(
        session=session,
        state="done" if finished else "incomplete" if seen.stimuli else "open",
        began=seen.first_at,
        threshold=found.get(f"{label}/rmt", found.get(f"{label}/amt")),
        stimuli=seen.stimuli,
        sweeps=seen.sweeps,
        accepted=seen.verdicts.get("accept", 0),
        follow_up="done" if followed else "",
        screened_until=_screened_until(bodies),
        consent=any(isinstance(body, Consent) for body in bodies),
        described=any(isinstance(body, PersonDescribed) for body in bodies),
        reviewed=any(isinstance(body, ReviewBegun) for body in bodies),
        rehearsal=is_rehearsal(session, entries),
        imported=any(isinstance(body, Started) and body.source == RECORDED for body in bodies),
    )


def _screened_until(bodies: Sequence[object]) -> str:
    """Return when the last screening ends, where nothing was flagged or it was signed since."""
    until, open_until = "", ""
    for body in bodies:
        if isinstance(body, Screened):
            until, open_until = (body.expires, "") if body.outcome == "go" else ("", body.expires)
        elif isinstance(body, Decided):
            until = open_until if body.decision == "may take part" else ""
    return until


def _on_that_day(row: SessionRow, planned_for: str, now: datetime) -> SessionRow:
    """Add what depends on the day: when it is planned, and whether the day after is to be asked about."""
    state: SessionState = "planned" if row.state == "open" and planned_for else row.state
    past = bool(row.began) and from_text(row.began) < local_midnight(now)
    due: Literal["due", "done", ""] = row.follow_up or ("due" if past and not (row.rehearsal or row.imported) else "")
    return replace(row, state=state, planned_for=planned_for, follow_up=due)


def _missing(person: Participant, rows: Sequence[SessionRow]) -> tuple[str, ...]:
    if person.withdrawn:
        return ()
    missing = []
    real = [row for row in rows if not (row.rehearsal or row.imported)]
    if not rows:
        missing.append("first session")
    if real and not any(row.consent for row in real):
        missing.append("consent")
    if real and not any(row.described for row in real):
        missing.append("height")
    numbered: dict[str, list[str]] = {}
    for place, row in enumerate(rows, start=1):
        for what, lacks in (
            ("rest of session", row.state == "incomplete"),
            ("next-day call", row.follow_up == "due"),
            ("review", row.state == "done" and bool(row.sweeps) and not row.reviewed and not row.rehearsal),
        ):
            if lacks:
                numbered.setdefault(what, []).append(str(place))
    missing += [f"{what} {' and '.join(places)}" for what, places in numbered.items()]
    return tuple(missing)


def _due(people: Sequence[PersonRow], now: datetime) -> tuple[DueItem, ...]:
    """Return what is to be done today, sessions by their hour first, then what was left over from earlier days."""
    today = now.astimezone().date().isoformat()
    sessions, calls = [], []
    for person in people:
        for row in person.sessions:
            if row.rehearsal:
                continue
            what: Literal["session", "go on"] | None = None
            if row.state == "planned" and row.planned_for[:10] <= today:
                what = "session"
            elif row.state == "incomplete" and row.follow_up != "done":
                what = "go on"
            if what:
                at, missing = row.planned_for or row.began, person.missing
                if not row.screened_until or from_text(row.screened_until) <= now:
                    missing = (*missing, "screening of today")
                sessions.append(
                    DueItem(what=what, pseudonym=person.pseudonym, session=row.session, at=at, missing=missing)
                )
            if row.follow_up == "due":
                calls.append(DueItem(what="follow up", pseudonym=person.pseudonym, session=row.session, at=row.began))
    return (*sorted(sessions, key=lambda item: item.at), *sorted(calls, key=lambda item: item.at))


def _heads(study: Study) -> dict[str, tuple[int, str]]:
    with study.database.transaction() as connection:
        rows = connection.execute(select(JOURNAL.c.name, JOURNAL.c.head_number, JOURNAL.c.head_hash)).all()
    return {row.name: (row.head_number, row.head_hash) for row in rows}


def _planned(entries: Sequence[Entry]) -> dict[str, str]:
    return {entry.body.session: entry.body.planned_for for entry in entries if isinstance(entry.body, SessionPlanned)}
