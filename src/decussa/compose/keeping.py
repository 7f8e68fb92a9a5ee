"""Acts on a study: people, sessions, days, calls on the day after, who works here, recordings, back-ups, new studies."""

from __future__ import annotations

import re
import shutil
import tempfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO, Literal, get_args

from decussa.compose.preparing import known_operators, open_session, participant_of, who_acts
from decussa.model.errors import DecussaError, RecordingError, UsageError
from decussa.model.recording import Recording
from decussa.protocol.schema import read_protocol
from decussa.recording.read import FORMATS, read
from decussa.session.clock import to_text
from decussa.store import private
from decussa.store.backup import Progress, back_up
from decussa.store.journal import open_journal
from decussa.store.operators import Identity, KnownOperator, add_operator, change_pin
from decussa.store.people import (
    add_participant,
    add_session,
    check_pseudonym,
    needs_confirmation,
    participants,
    withdraw,
)
from decussa.store.preparing import FollowedUp, OperatorAdded, PinChanged, SessionPlanned
from decussa.store.recordings import keep_recording
from decussa.store.records import AdverseEvent, Withdrawn
from decussa.store.study import Study, create_study, open_study

Outcome = Literal["nothing to report", "something to report", "not reached"]
OUTCOMES: tuple[Outcome, ...] = get_args(Outcome)
Severity = Literal["mild", "moderate", "severe"]
SEVERITIES: tuple[Severity, ...] = get_args(Severity)
BACK_UPS = "back-ups"
#: Endings of the recordings that can be taken in; what is inside must be one, too.
ENDINGS: tuple[str, ...] = tuple(ending for entry in FORMATS for ending in entry.endings)
#: Largest file that is taken in through a page; larger ones are measured where they lie, by the command line.
LARGEST_BYTES = 256 * 1024 * 1024
_FILE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,100}")
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


def add_colleague(
    folder: Path, code: str, name: str, role: str, pin: str, *, by_code: str = "", by_pin: str = ""
) -> KnownOperator:
    """Add somebody who works here; from the first principal investigator with a PIN on, only with theirs.

    Raises
    ------
    UsageError
        If the code is taken, the role not known, the PIN too short, or who adds is not entitled to.
    """
    _refuse_unless_entitled(folder, by_code, by_pin)
    private.create_missing(folder)
    with private.open_private(folder, write=True) as database:
        added = add_operator(database, code, name, role, pin=pin)
    with open_study(folder, write=True) as study, open_journal(study) as journal:
        noted = OperatorAdded(operator=added.code, role=added.role, has_pin=added.has_pin)
        journal.append("operator added", noted, at=_now())
    return added


def change_colleague_pin(folder: Path, code: str, old: str, new: str, *, by_code: str = "", by_pin: str = "") -> None:
    """Give somebody who works here another PIN; a first one as adding them, with a principal investigator's where one has it.

    Raises
    ------
    UsageError
        If nobody has this code, the old PIN is wrong, the new one too short, or who gives a first one is not entitled to.
    """
    known = next((one for one in known_operators(folder) if one.code == code), None)
    if known is None:
        raise UsageError("nobody here has this code", where=code, do="add the person first")
    if not known.has_pin:
        _refuse_unless_entitled(folder, by_code, by_pin)
    with private.open_private(folder, write=True) as database:
        change_pin(database, code, old, new, at=_now())
    with open_study(folder, write=True) as study, open_journal(study) as journal:
        journal.append("pin changed", PinChanged(operator=code, first=not known.has_pin), at=_now())


def _refuse_unless_entitled(folder: Path, by_code: str, by_pin: str) -> None:
    """Refuse whoever is no principal investigator with a PIN, from the first one on."""
    guards = [one.code for one in known_operators(folder) if one.role == "principal investigator" and one.has_pin]
    if guards:
        guard = who_acts(folder, by_code or guards[0], by_pin)
        if guard.role != "principal investigator" or not guard.verified:
            raise UsageError("only a principal investigator adds people and first PINs", expected=" or ".join(guards))


def check_file_name(name: str) -> str:
    """Return an uploaded file's name where it may stand in a folder.

    Raises
    ------
    UsageError
        If it holds a path, unusual letters, or an ending that no recording has.
    """
    if not _FILE_NAME.fullmatch(name) or ".." in name:
        raise UsageError(
            "name of the file is not usable",
            expected="letters, digits, space, . _ -",
            do="rename the file",
            found=repr(name[:80]),
        )
    if not name.lower().endswith(ENDINGS):
        raise UsageError("file is no recording that can be read", where=name, expected=", ".join(ENDINGS))
    return name


def take_in(folder: Path, pseudonym: str, name: str, content: BinaryIO) -> str:
    """Take an uploaded recording into the study as it is, after reading it once; return what it holds in a sentence.

    Raises
    ------
    UsageError
        If the name is not usable, the file is too large, or a file of that name was taken in before.
    RecordingError
        If it cannot be read as a recording.
    """
    check_file_name(name)
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / name
        with path.open("wb") as file:
            _copy(content, file)
        try:
            recording = read(path)
        except DecussaError as error:
            raise RecordingError(
                error.what, where=name, expected=error.expected, found=error.found, do="nothing was taken in"
            ) from error
        with open_study(folder, write=True) as study:
            kept = keep_recording(study, path, pseudonym, at=_now())
            held = _as_session(study, replace(recording, path=str(kept)), pseudonym)
    return f"{name}: {len(recording.channels)} channels, {len(recording.events)} stimuli. Taken in, untouched. {held}"


def _as_session(study: Study, recording: Recording, pseudonym: str) -> str:
    """Write a recording as a session that can be reviewed; return what became of it in a sentence."""
    # What measures recordings takes long to load; a page that shows a study does not need it.
    from decussa.compose.importing import measure_in, write_session

    try:
        session = write_session(study, recording, measure_in(study, recording), pseudonym)
    except DecussaError as error:
        return f"There is nothing to review in it: {error.what}."
    return f"Its sweeps can be reviewed as session {session}."


def _copy(content: BinaryIO, file: BinaryIO) -> None:
    left = LARGEST_BYTES
    while chunk := content.read(1 << 20):
        left -= len(chunk)
        if left < 0:
            raise UsageError(
                "file is too large", expected=f"at most {LARGEST_BYTES >> 20} MB", do="use decussa measure"
            )
        file.write(chunk)


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
