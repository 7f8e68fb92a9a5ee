"""What an earlier session of the same participant found: the time point that later ones are held against."""

from __future__ import annotations

from decussa.model.dialogue import Found
from decussa.session.recovery import stored_findings
from decussa.store.journal import Journal
from decussa.store.people import participants
from decussa.store.study import Study


def first_session(study: Study, session: str) -> str:
    """Return the participant's first finished session before ``session``, an empty text where there is none."""
    names = next((person.sessions for person in participants(study) if session in person.sessions), ())
    for name in names[: names.index(session)] if names else ():
        if any(entry.kind == "finished" for entry in Journal(study, name).entries()):
            return name
    return ""


def found_in(study: Study, session: str) -> Found:
    """Return what a session's steps found; nothing where there is no such session."""
    return stored_findings(Journal(study, session).entries()) if session else {}
