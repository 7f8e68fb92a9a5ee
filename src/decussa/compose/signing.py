"""Asks the screening and signs what it flags; passes an item that does not hold, by somebody entitled to.

The result is a reminder built from answers, not a clearance. Answers and the reason of a decision stay in the private file; the
journal holds version, class, decision, the code and role of who signed, and when it ends.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

from decussa.compose.preparing import (
    LONGEST_TEXT,
    local_midnight,
    open_session,
    participant_of,
    prepared,
    protocol_of,
    short,
    who_acts,
)
from decussa.model.errors import UsageError
from decussa.protocol.schema import Protocol
from decussa.protocol.screening import FORM_VERSION, ScreeningResult, screen
from decussa.session.clock import to_text
from decussa.store import private
from decussa.store.operators import Identity, Role
from decussa.store.preparing import Decided, Decision, Screened, Waived
from decussa.store.study import open_study

#: Who may sign a flagged answer, by group of people (patients: under supervision of licensed professionals).
SIGNERS: Mapping[str, tuple[Role, ...]] = {
    "volunteers": ("physician", "principal investigator"),
    "patients": ("physician",),
}


def keep_answers(
    folder: Path, session: str, who: Identity, answers: Mapping[str, str], words: Mapping[str, str]
) -> ScreeningResult:
    """Keep the answers in the private file and write their outcome down; return it with what was flagged.

    Raises
    ------
    UsageError
        If consent is missing, a topic is not answered, or a flagged one has no words.
    """
    now = datetime.now(UTC)
    with open_session(folder, session) as (study, journal, protocol):
        if prepared(journal.entries(), protocol, now).consent is None:
            raise UsageError("consent comes before health answers", do="have the form signed first")
        result = _judge(answers, protocol)
        silent = [flag.topic.name for flag in result.flags if not words.get(flag.topic.key, "").strip()]
        if silent:
            raise UsageError(
                "flagged answers need a few words",
                found="none for: " + "; ".join(silent),
                do="say what, when, how often",
            )
        outcome = Screened(
            version=FORM_VERSION,
            outcome=result.outcome,
            expires=_end_of_day(now),
            operator=who.code,
            verified=who.verified,
        )
        person, at = participant_of(study, session), to_text(now)
        private.create_missing(folder)
        with private.open_private(folder, write=True) as database:
            private.keep_screening(database, person, answers, at=at, words=words, version=FORM_VERSION)
        journal.append("screened", outcome, at=at)
    return result


def flagged_answers(folder: Path, session: str) -> tuple[ScreeningResult, Mapping[str, str]] | None:
    """Return what today's screening flagged, with the words to it, for who has to judge it; None where there is none."""
    with open_study(folder, write=False) as study:
        person, protocol = participant_of(study, session), protocol_of(study)
    if not (folder / private.PRIVATE_FILE).exists():
        return None
    with private.open_private(folder, write=True) as database:
        kept = private.screenings(database, person)
    if not kept or kept[-1].version != FORM_VERSION:
        return None
    return _judge(kept[-1].answers, protocol), kept[-1].words


def sign_decision(folder: Path, session: str, code: str, pin: str, decision: Decision, reason: str) -> Identity:
    """Write down what a physician or principal investigator decided about the flagged answers; the reason stays private.

    Raises
    ------
    UsageError
        If there is nothing to decide, no reason, or who signs is not entitled to.
    """
    now = datetime.now(UTC)
    with open_session(folder, session) as (study, journal, protocol):
        screened = prepared(journal.entries(), protocol, now).screened
        if screened is None or screened.outcome != "review":
            raise UsageError("there is no flagged answer to be judged", do="ask the screening first")
        signer = _entitled(folder, code, pin, SIGNERS[protocol.people.group], "sign a flagged answer")
        if not reason.strip():
            raise UsageError("decision has no reason", do="say in a sentence what was weighed")
        at = to_text(now)
        with private.open_private(folder, write=True) as database:
            private.keep_reason(database, participant_of(study, session), signer.code, reason[:LONGEST_TEXT], at=at)
        signed = Decided(
            decision=decision,
            role=signer.role,
            expires=screened.expires,
            operator=signer.code,
            verified=signer.verified,
        )
        journal.append("decided", signed, at=at)
    return signer


def waive(folder: Path, session: str, code: str, pin: str, item: str, reason: str) -> Identity:
    """Pass an item that does not hold, by somebody entitled to, with the reason.

    Raises
    ------
    UsageError
        If nobody may pass this item, who tries is not entitled to, or there is no reason.
    """
    with open_session(folder, session) as (_, journal, protocol):
        items = {one.key: one for one in prepared(journal.entries(), protocol, datetime.now(UTC)).items}
        if item not in items or not items[item].may_pass:
            raise UsageError("nobody may pass this", where=item, do="do it, or end the session here")
        who = _entitled(folder, code, pin, items[item].may_pass, f"pass '{items[item].title}'")
        if not reason.strip():
            raise UsageError("passing needs a reason", where=item, do="say in a sentence why")
        passed = Waived(item=item, role=who.role, reason=short(reason), operator=who.code, verified=who.verified)
        journal.append("waived", passed, at=to_text(datetime.now(UTC)))
    return who


def _entitled(folder: Path, code: str, pin: str, roles: tuple[Role, ...], act: str) -> Identity:
    if not code:
        raise UsageError("nobody said who signs", expected=" or ".join(roles), do="choose the person, by name")
    who = who_acts(folder, code, pin)
    if who.role not in roles:
        raise UsageError(f"{who.role} may not {act}", where=code, expected=" or ".join(roles))
    return who


def _judge(answers: Mapping[str, str], protocol: Protocol) -> ScreeningResult:
    site = protocol.screening
    return screen(answers, protocol.people.group, reviewed=site.review, excluded=site.stop)


def _end_of_day(now: datetime) -> str:
    return to_text((local_midnight(now) + timedelta(days=1, hours=1)).replace(hour=0))
