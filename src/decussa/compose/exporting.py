"""Shares a study: as a BIDS data set with its tables, as HDF5 or NWB, or as tables for spreadsheets and programs."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path

from decussa.compose.reviewed_trials import FIRST
from decussa.compose.shared_sessions import SharedSession, participant_row, share_session, tables_of
from decussa.compose.sharing_labels import share_labels, shift_days
from decussa.compose.sharing_runs import events_of, runs_of
from decussa.compose.sharing_words import draft_sentence, methods_words, readme_of
from decussa.compose.study_reports import is_study
from decussa.model.errors import DecussaError, RecordingError, UsageError
from decussa.model.version import VERSION
from decussa.recording.bids_derivative import write_derivative
from decussa.recording.bids_stimulation import DRAFT, write_stimulation
from decussa.recording.bids_write import BIDS_VERSION, write_bids_dataset
from decussa.store.chain import STUDY
from decussa.store.journal import open_journal
from decussa.store.people import participants
from decussa.store.study import open_study

Say = Callable[[str], None]
#: Where a page puts what is shared, beside the studies.
SHARED = "shared"
#: The forms a page offers, by the name of the option.
FORMS = ("bids", "hdf5", "nwb", "csv", "parquet")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sharing:
    """What is shared of a study, and how.

    Parameters
    ----------
    bids, hdf5, nwb, csv, parquet : Path or None
        Where each form goes; None leaves it out. A folder; a file for ``hdf5``.
    labels : mapping of str to str
        Other labels in shared data, by pseudonym.
    shifted : bool
        Whether dates are moved to a year long past.
    draft_stimulation : bool
        Whether the stimulation is described by the draft of a standard, too.
    decimal_comma : bool
        Whether CSV is for spreadsheets that want a decimal comma.
    rater : str
        Whose verdicts and marks the tables hold; the first rater's where empty.
    authors, licence
        For the description of the data set.
    """

    bids: Path | None = None
    hdf5: Path | None = None
    nwb: Path | None = None
    csv: Path | None = None
    parquet: Path | None = None
    labels: Mapping[str, str] = field(default_factory=dict)
    shifted: bool = False
    draft_stimulation: bool = False
    decimal_comma: bool = False
    rater: str = FIRST
    authors: tuple[str, ...] = ()
    licence: str = ""


@dataclass(frozen=True, slots=True)
class Shared:
    """What was written, and what whoever shares it should know."""

    written: tuple[Path, ...]
    sessions: int
    notes: tuple[str, ...]


def export_study(folder: Path, sharing: Sharing, *, say: Say, today: date | None = None) -> Shared:
    """Write a study in every form that is asked for; nothing is written before everything is checked.

    Whoever withdrew is absent; screening answers and operators' names are never read.

    Raises
    ------
    UsageError
        If ``folder`` is no study, no form is asked for, or a label could give a person away.
    RecordingError
        If no session holds a stimulus.
    MachineError
        If the machine refuses.
    """
    if not is_study(folder):
        raise UsageError("folder is no study", where=folder, expected="a folder made by decussa new", do="name another")
    if not any((sharing.bids, sharing.hdf5, sharing.nwb, sharing.csv, sharing.parquet)):
        raise UsageError("nothing to write", expected="one of --bids, --hdf5, --nwb, --csv, --parquet", found="none")
    sessions, title = _sessions(folder, sharing, say)
    written = [path for write in (_bids, _hdf5, _nwb, _tables) for path in write(sessions, title, sharing, say, today)]
    return Shared(tuple(written), len(sessions), tuple(_notes(sessions, sharing)))


def _sessions(folder: Path, sharing: Sharing, say: Say) -> tuple[list[SharedSession], str]:
    with open_study(folder, write=False) as study:
        people = participants(study)
        with open_journal(study, STUDY) as journal:
            secret = journal.entries()[0].hash
    labels = share_labels(people, sharing.labels)
    shared = []
    for person in people:
        if person.pseudonym not in labels:
            continue
        days = 0
        for name in person.sessions:
            say(f"Reading {name}")
            if sharing.shifted and not days:
                days = _days(folder, secret, person.pseudonym, name)
            one = share_session(
                folder, name, pseudonym=person.pseudonym, label=labels[person.pseudonym], shift_days=days,
                rater=sharing.rater,
            )  # fmt: skip
            if one is not None:
                shared.append(one)
    if not shared:
        raise RecordingError("no session holds a stimulus", where=folder, do="run one, or rehearse one")
    return shared, shared[0].protocol.study.name


def _days(folder: Path, secret: str, pseudonym: str, session: str) -> int:
    with open_study(folder, write=False) as study, open_journal(study, session) as journal:
        entries = journal.entries()
    return shift_days(secret, pseudonym, entries[0].at) if entries else 0


def _bids(sessions: list[SharedSession], title: str, sharing: Sharing, say: Say, today: date | None) -> list[Path]:
    if sharing.bids is None:
        return []
    recorded = [one for one in sessions if one.pieces]
    if not recorded:
        raise RecordingError(
            "no session holds a sweep", where=sharing.bids, expected="recorded EMG", found="sizes typed by hand",
            do="share the tables with --csv or --parquet",
        )  # fmt: skip
    say(f"Writing {sharing.bids}")
    trials, summary = tables_of(sessions)

    def beside(root: Path) -> None:
        methods = methods_words(sessions)
        write_derivative(
            root,
            name=title,
            bids_version=BIDS_VERSION,
            version=VERSION,
            trials=trials,
            summary=summary,
            methods=methods,
        )
        if sharing.draft_stimulation:
            for one in recorded:
                events = [events_of(one, piece) for piece in one.pieces]
                write_stimulation(root, one.label, one.session, one.protocol.coil, events)

    people: dict[str, list[SharedSession]] = {}
    for one in recorded:
        people.setdefault(one.label, []).append(one)
    approval = sessions[0].protocol.study.approval
    write_bids_dataset(
        sharing.bids,
        name=title,
        readme=readme_of(sessions, shifted=sharing.shifted, draft=DRAFT if sharing.draft_stimulation else ""),
        participants=[participant_row(label, own) for label, own in people.items()],
        runs=(run for one in recorded for run in runs_of(one)),
        authors=sharing.authors or ("not stated",),
        version=VERSION,
        license_name=sharing.licence or "not stated",
        approvals=(approval,) if approval else (),
        changed_on=today or datetime.now(UTC).date(),
        beside=beside,
    )
    return [sharing.bids]


def _hdf5(sessions: list[SharedSession], title: str, sharing: Sharing, say: Say, _: date | None) -> list[Path]:
    if sharing.hdf5 is None:
        return []
    from decussa.compose.sharing_files import write_hdf5

    say(f"Writing {sharing.hdf5}")
    return [write_hdf5(sharing.hdf5, sessions, title)]


def _nwb(sessions: list[SharedSession], title: str, sharing: Sharing, say: Say, _: date | None) -> list[Path]:
    if sharing.nwb is None:
        return []
    from decussa.compose.sharing_files import write_nwb

    say(f"Writing {sharing.nwb}")
    return write_nwb(sharing.nwb, sessions, title)


def _tables(sessions: list[SharedSession], _: str, sharing: Sharing, say: Say, __: date | None) -> list[Path]:
    if sharing.csv is None and sharing.parquet is None:
        return []
    from decussa.compose.sharing_files import write_parquet, write_spreadsheets

    trials, summary = tables_of(sessions)
    written = []
    if sharing.csv is not None:
        say(f"Writing {sharing.csv}")
        written += write_spreadsheets(sharing.csv, trials, summary, decimal_comma=sharing.decimal_comma)
    if sharing.parquet is not None:
        say(f"Writing {sharing.parquet}")
        written += write_parquet(sharing.parquet, trials, summary)
    return written


def _notes(sessions: list[SharedSession], sharing: Sharing) -> list[str]:
    unreviewed = sum(int((one.trials["reviewed_by"] == "").sum()) for one in sessions)
    total = sum(len(one.trials) for one in sessions)
    notes = [f"{unreviewed} of {total} trials are unreviewed; the tables say which."] if unreviewed else []
    if not sharing.shifted:
        notes.append("Dates are the real ones; --shift-dates moves them.")
    if sharing.draft_stimulation:
        notes.append(draft_sentence(DRAFT))
    if sharing.bids and not (sharing.authors and sharing.licence):
        notes.append("Authors or licence are not stated; name them with --author and --licence.")
    if any(not one.pieces for one in sessions):
        notes.append("Sessions of sizes typed by hand have rows in the tables, but no recording.")
    notes.append("Free text (reasons of a review, placement of electrodes) is shared as it was typed: read it first.")
    return notes


def export_beside(
    root: Path, folder: Path, forms: Collection[str], *, shifted: bool, draft: bool, comma: bool, say: Say
) -> tuple[Path, Shared]:
    """Write a study in the forms named into a new folder beside the studies; return that folder and what was written.

    Raises
    ------
    UsageError, RecordingError, MachineError
        As ``export_study``; nothing is left then.
    """
    place = root / SHARED / f"{folder.name}-{datetime.now(UTC).astimezone():%Y-%m-%d-%H%M%S}"
    if place.exists():
        raise UsageError("something of this second is there already", do="try again")
    chosen = {form: place / ("sweeps.h5" if form == "hdf5" else form) if form in forms else None for form in FORMS}
    place.mkdir(parents=True)
    try:
        sharing = Sharing(
            bids=chosen["bids"],
            hdf5=chosen["hdf5"],
            nwb=chosen["nwb"],
            csv=chosen["csv"],
            parquet=chosen["parquet"],
            shifted=shifted,
            draft_stimulation=draft,
            decimal_comma=comma,
        )
        return place, export_study(folder, sharing, say=say)
    except DecussaError:
        shutil.rmtree(place, ignore_errors=True)
        raise
