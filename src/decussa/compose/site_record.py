"""Keeps what a check of the signals found with its session, and a set-up that was accepted with its study."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from decussa.compose.preparing import open_session, short
from decussa.model.errors import UsageError
from decussa.quality.finding import Finding, objections, worst
from decussa.session.clock import from_text, to_text
from decussa.session.preparation import by_whom
from decussa.store.chain import STUDY, Entry, add_entry
from decussa.store.journal import open_journal
from decussa.store.operators import Identity
from decussa.store.preparing import SignalChecked, SiteAccepted
from decussa.store.study import Study, open_study


def keep_check(folder: Path, session: str, who: Identity, source: str, findings: Sequence[Finding]) -> None:
    """Write down what a check of the signals found.

    Raises
    ------
    UsageError
        If nothing was looked at.
    """
    _refuse_nothing(findings)
    checked = SignalChecked(source=source, findings=tuple(findings), operator=who.code, verified=who.verified)
    with open_session(folder, session) as (_, journal, _):
        journal.append("signal checked", checked, at=to_text(datetime.now(UTC)))


def accept_site(folder: Path, who: Identity, source: str, findings: Sequence[Finding], words: str) -> None:
    """Write down that a set-up is accepted for the study, with every figure that was found.

    Raises
    ------
    UsageError
        If nothing was looked at, or a finding is bad and no words say why it is accepted all the same.
    """
    _refuse_nothing(findings)
    bad = [finding for finding in findings if finding.state == "bad"]
    if bad and not words.strip():
        raise UsageError(
            "a set-up with a bad finding is accepted with words only",
            found=bad[0].sentence(),
            do="set it right and look again, or say why it is accepted",
        )
    accepted = SiteAccepted(
        source=source, findings=tuple(findings), words=short(words), operator=who.code, verified=who.verified
    )
    with open_study(folder, write=True) as study, study.database.transaction() as connection:
        add_entry(connection, STUDY, "site accepted", accepted, at=to_text(datetime.now(UTC)))


def accepted_site(folder: Path) -> Entry | None:
    """Return the entry of the set-up that was accepted last for a study; None where none was."""
    with open_study(folder, write=False) as study:
        return last_accepted(study)


def last_accepted(study: Study, *, before: str = "") -> Entry | None:
    """Return the entry of the set-up that was accepted last, before a moment (ISO 8601) where one is given."""
    with open_journal(study, STUDY) as journal:
        for entry in reversed(journal.entries()):
            if isinstance(entry.body, SiteAccepted) and (not before or from_text(entry.at) <= from_text(before)):
                return entry
    return None


def site_facts(study: Study, entries: Sequence[Entry]) -> dict[str, str]:
    """Return for a report which set-up had been accepted when a session was first started; nothing where none was."""
    started = next((entry.at for entry in entries if entry.kind == "started"), "")
    accepted = last_accepted(study, before=started) if started else None
    if accepted is None or not isinstance(accepted.body, SiteAccepted):
        return {}
    record = accepted.body
    who = by_whom(record.operator, verified=record.verified)
    said = f"accepted {accepted.at[:10]} by {who}; {told(record.findings)}"
    return {"Set-up": f"{said} {record.words}".strip()}


def told(findings: Sequence[Finding]) -> str:
    """Return findings in a sentence: how many are good, then those that are not."""
    good = sum(finding.state == "good" for finding in findings)
    said = f"{good} of {len(findings)} good" if worst(findings) != "good" else f"all {len(findings)} good"
    return f"{said}. {' '.join(objections(findings))}".strip()


def _refuse_nothing(findings: Sequence[Finding]) -> None:
    if not findings:
        raise UsageError("nothing was looked at yet", do="look at the signals first")
