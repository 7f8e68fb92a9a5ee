"""Reports on the sessions of a study folder, from what was stored; for a rehearsal with its debrief."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
from sqlalchemy import select

from decussa.batch.summary import summarise
from decussa.compose.method_facts import method_record
from decussa.compose.prepared_facts import preparation_facts
from decussa.compose.reviewed_trials import FIRST, choose_layer, review_facts, reviewed_trials
from decussa.compose.reviewing import ReviewRoom
from decussa.compose.site_record import site_facts
from decussa.compose.stored import search_steps, stored_recording, stored_trials, with_findings
from decussa.compose.truths import TRUTHS, truth_as_given
from decussa.compose.virtual_people import mishaps_of, person_of
from decussa.model.dialogue import Found
from decussa.model.errors import RecordingError, UsageError
from decussa.model.estimate import Estimate
from decussa.model.table import SUMMARY_NAMES
from decussa.plan.session import step_name
from decussa.protocol.schema import Protocol, read_protocol
from decussa.protocol.steps import SilentPeriodBlock
from decussa.recording.whole_file import make_folder
from decussa.report.methods import study_checklist
from decussa.report.session_report import (
    Reported,
    session_methods,
    session_pages,
    write_session_report,
)
from decussa.session.debrief import Debrief, debrief, truth_pairs
from decussa.session.live_view import view_of
from decussa.session.recovery import stored_findings
from decussa.session.review import Layer
from decussa.store.chain import STUDY, Entry
from decussa.store.journal import Journal, open_journal
from decussa.store.people import participants
from decussa.store.records import Started
from decussa.store.schema import JOURNAL
from decussa.store.study import Study, open_study

#: What the plan's searches find; the table of trials cannot, and would only say so.
SEARCHED = ("rmt", "amt")


def is_study(folder: Path) -> bool:
    """Whether a folder is a study."""
    return (folder / "study.db").exists()


def sessions_of(study: Study) -> tuple[str, ...]:
    """Return the names of a study's sessions, in the order in which they were opened."""
    with study.database.transaction() as connection:
        names = connection.execute(select(JOURNAL.c.name).order_by(JOURNAL.c.id)).scalars().all()
    return tuple(name for name in names if name != STUDY)


def report_study(folder: Path, *, session: str = "", out: Path | None = None, rater: str = FIRST) -> tuple[Path, ...]:
    """Write a report for each session of a study that holds a stimulus, or for the one named.

    ``rater`` is whose verdicts and marks it holds: the first one's where there is a review, or ``automatic``.

    Raises
    ------
    UsageError
        If the study has no such session, or nobody reviewed it under this code.
    RecordingError
        If no session holds a stimulus.
    """
    written = []
    with open_study(folder, write=False) as study:
        protocol = read_protocol(study.protocol_text, where=folder / "protocol.toml")
        names = _named(study, session)
        for name in names:
            path = _target(folder, name, out, several=len(names) > 1)
            with open_journal(study, name) as journal:
                if (report := _report(journal, protocol, path, rater)) is not None:
                    written.append(report)
    if not written:
        raise RecordingError("no session holds a stimulus", where=folder, do="run one, or rehearse one")
    return tuple(written)


def _target(folder: Path, name: str, out: Path | None, *, several: bool) -> Path:
    if out is None:
        return folder / "reports" / f"{name}.pdf"
    if out.suffix.lower() != ".pdf":
        return make_folder(out) / f"{name}.pdf"
    if several:
        raise UsageError("one PDF cannot hold several sessions", where="--out", expected="a folder", found=str(out))
    return out


def _report(journal: Journal, protocol: Protocol, path: Path, rater: str) -> Path | None:
    held = _held(journal, protocol, rater)
    return None if held is None else write_session_report(path, _with_debrief(held, journal, protocol))


def session_report_pages(folder: Path, session: str, *, rater: str = FIRST) -> tuple[bytes, ...]:
    """Return the pages of a session's report as pictures (PNG); none where no stimulus was answered.

    Raises
    ------
    UsageError
        If the study has no such session, or nobody reviewed it under this code.
    """
    with open_study(folder, write=False) as study, open_journal(study, session) as journal:
        protocol = read_protocol(study.protocol_text, where=folder / "protocol.toml")
        held = _held(journal, protocol, rater)
        return () if held is None else session_pages(_with_debrief(held, journal, protocol))


def session_methods_text(folder: Path, session: str, *, rater: str = FIRST) -> str:
    """Return how a session of a study was measured, as text to paste; empty where no stimulus was answered.

    Raises
    ------
    UsageError
        If the study has no such session, or nobody reviewed it under this code.
    """
    held = _held_of(folder, session, rater)
    return "" if held is None else session_methods(held)[0]


def _held_of(folder: Path, session: str, rater: str) -> Reported | None:
    with open_study(folder, write=False) as study, open_journal(study, session) as journal:
        return _held(journal, read_protocol(study.protocol_text, where=folder / "protocol.toml"), rater)


def _held(journal: Journal, protocol: Protocol, rater: str) -> Reported | None:
    """Return what a report is made from while the journal is open; None where no stimulus was answered."""
    room = ReviewRoom(journal.study.folder, journal.session)
    trials, summary = session_tables(room, choose_layer(room.layers, rater))
    if trials.empty:
        return None
    recording = stored_recording(journal, room.entries, protocol)
    facts = {**recording.facts, **preparation_facts(room.entries, protocol), **site_facts(journal.study, room.entries)}
    facts |= review_facts(room)
    record = method_record(room.entries, protocol, earlier=_session_before(journal))
    return Reported(recordings=[replace(recording, facts=facts)], trials=trials, summary=summary, record=record)


def _with_debrief(held: Reported, journal: Journal, protocol: Protocol) -> Reported:
    return replace(held, debrief=debrief_session(journal, protocol))


def study_methods(folder: Path, *, session: str = "", rater: str = FIRST) -> str:
    """Return the methods of each session of a study that holds a stimulus, or of the one named.

    Where there are several, the checklist of the study stands before them.

    Raises
    ------
    UsageError
        If the study has no such session, or nobody reviewed it under this code.
    """
    with open_study(folder, write=False) as study:
        names = _named(study, session)
    texts, topics = [], {}
    for name in names:
        held = _held_of(folder, name, rater)
        if held is not None:
            text, topics[name] = session_methods(held)
            texts.append(text)
    return "\n".join([*([study_checklist(topics)] if len(topics) > 1 else []), *texts])


def _named(study: Study, session: str) -> tuple[str, ...]:
    names = sessions_of(study)
    if not session or session in names:
        return (session,) if session else names
    if own := next((one.sessions for one in participants(study) if one.pseudonym == session), ()):
        return own
    raise UsageError("study has no such session", where="--session", expected=", ".join(names), found=repr(session))


def _session_before(journal: Journal) -> str:
    """Return when the participant's session before this one began; empty where there was none."""
    own = next((one.sessions for one in participants(journal.study) if journal.session in one.sessions), ())
    place = own.index(journal.session) if journal.session in own else 0
    if not place:
        return ""
    with open_journal(journal.study, own[place - 1]) as before:
        entries = before.entries()
    return entries[0].at if entries else ""


def session_tables(room: ReviewRoom, layer: Layer | None) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return trial table and summary of a session with a rater's layer; both are empty where no stimulus was answered."""
    trials = reviewed_trials(room, layer)
    if trials.empty:
        return trials, pd.DataFrame(columns=list(SUMMARY_NAMES))
    found = with_findings(_summary(trials, room.protocol), stored_findings(room.entries), room.session)
    return trials, found


def measuring_trials(trials: pd.DataFrame, protocol: Protocol) -> pd.DataFrame:
    """Return the trials of steps that measure; those of a search are counted elsewhere, and no average is made of them."""
    measuring = ~trials["block"].isin(search_steps(protocol)) & ~trials["block"].str.endswith(", climb")
    return trials[measuring].reset_index(drop=True)


def _summary(trials: pd.DataFrame, protocol: Protocol) -> pd.DataFrame:
    return summarise(measuring_trials(trials, protocol))


def _everything_found(entries: Sequence[Entry], session: str, protocol: Protocol) -> Found:
    """What the plan found, and what the table of trials sums up to, by muscle and quantity."""
    found = dict(stored_findings(entries))
    trials = stored_trials(entries, session, protocol)
    if trials.empty:
        return found
    for row in _told(trials, protocol):
        label = f"{row['muscle']} {row['side']}".strip()
        estimate = Estimate(value=row["value"], low=row["low"], high=row["high"], n=int(row["n"]), reason=row["reason"])
        found.setdefault(f"{label}/{row['quantity']}", estimate)
    return found


def _told(trials: pd.DataFrame, protocol: Protocol) -> list[dict[Any, Any]]:
    """Return the rows of the summary that have a truth beside them.

    A silent period is that of the last step for silent periods, as its truth is: any other pulse in a contraction, stronger or
    weaker, leaves one of another length.
    """
    summary = _summary(trials, protocol)
    told = summary["quantity"].isin(TRUTHS) & ~summary["quantity"].isin((*SEARCHED, "silent_period"))
    rows = summary[told].to_dict("records")
    steps = [step_name(step) for step in protocol.steps if isinstance(step, SilentPeriodBlock)]
    for step in reversed(steps):
        own = _summary(trials[trials["block"] == step], protocol)
        rows += own[own["quantity"] == "silent_period"].to_dict("records")
    return rows


def debrief_session(journal: Journal, protocol: Protocol) -> Debrief | None:
    """Return the debrief of a rehearsal; None for a session that was none."""
    entries = journal.entries()
    started = next((entry.body for entry in entries if isinstance(entry.body, Started)), None)
    if started is None or started.source != "virtual":
        return None
    person = person_of(protocol, started)
    truth = truth_as_given(person, entries, protocol)
    comparisons = truth_pairs(_everything_found(entries, journal.session, protocol), truth, TRUTHS)
    limit = protocol.muscles[0].rest_limit_uv
    mishaps = mishaps_of(started)
    return debrief(comparisons, entries, view_of(entries), rest_limit_uv=limit, mishaps=mishaps)
