"""A shared study in files of other kinds: HDF5, NWB, CSV for spreadsheets, Parquet."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from decussa.compose.shared_sessions import SharedSession, tables_of
from decussa.compose.sharing_runs import events_of, placement_words, task_words
from decussa.model.errors import RecordingError
from decussa.model.table import SUMMARY_COLUMNS, TRIAL_COLUMNS
from decussa.recording import hdf5_write, nwb_write
from decussa.recording.hdf5_write import SweepsToWrite
from decussa.recording.spreadsheet import write_dictionary, write_spreadsheet
from decussa.recording.tables import write_table
from decussa.recording.whole_file import make_folder


def write_hdf5(path: Path, sessions: Sequence[SharedSession], title: str) -> Path:
    """Write all sweeps and both tables into one file."""
    trials, summary = tables_of(sessions)
    tables = {"trials": (trials, TRIAL_COLUMNS), "summary": (summary, SUMMARY_COLUMNS)}
    recordings = [one for session in sessions for one in _sweeps(session)]
    return hdf5_write.write_hdf5(path, recordings, tables, title)


def write_nwb(path: Path, sessions: Sequence[SharedSession], title: str) -> list[Path]:
    """Write each recording as a file of its own, into a folder; into ``path`` itself where it is one ``.nwb``.

    Raises
    ------
    RecordingError
        If one file is named for several recordings, or there is none.
    """
    recordings = [(session, one) for session in sessions for one in _sweeps(session)]
    single = path.suffix.lower() == ".nwb"
    if not recordings or (single and len(recordings) > 1):
        raise RecordingError(
            "one NWB file holds one recording", where=path, expected="one recording", found=str(len(recordings)),
            do="name a folder",
        )  # fmt: skip
    if not single:
        make_folder(path)
    written = []
    for session, one in recordings:
        target = path if single else path / f"{Path(one.recording).stem}.nwb"
        written.append(nwb_write.write_nwb(target, one, title=title, person=_person(session)))
    return written


def _person(session: SharedSession) -> dict[str, str]:
    """Return what is told of a person: the span of ages that the protocol admits, since the age itself is not kept."""
    people = session.protocol.people
    virtual = "A model of a person in a rehearsal: nobody was stimulated."
    return {
        "species": "Homo sapiens",
        "sex": "U",
        "age": f"P{people.least_age}Y/P{people.most_age}Y",
        "description": virtual if session.rehearsal else "Known by pseudonym; age as the protocol admits it.",
    }


def write_spreadsheets(folder: Path, trials: pd.DataFrame, summary: pd.DataFrame, *, decimal_comma: bool) -> list[Path]:
    """Write both tables as CSV that spreadsheets leave as they are, with what their columns mean."""
    make_folder(folder)
    for name, table, columns in (("trials", trials, TRIAL_COLUMNS), ("summary", summary, SUMMARY_COLUMNS)):
        write_spreadsheet(table, folder / f"{name}.csv", columns, decimal_comma=decimal_comma)
        write_dictionary(folder / f"{name}-columns.csv", columns)
    return [folder / "trials.csv", folder / "summary.csv"]


def write_parquet(folder: Path, trials: pd.DataFrame, summary: pd.DataFrame) -> list[Path]:
    """Write both tables as Parquet."""
    make_folder(folder)
    for name, table in (("trials", trials), ("summary", summary)):
        write_table(table, folder / f"{name}.parquet")
    return [folder / "trials.parquet", folder / "summary.parquet"]


def _sweeps(session: SharedSession) -> list[SweepsToWrite]:
    return [
        SweepsToWrite(
            recording=f"{session.stem(number)}_emg.bdf",
            participant=session.label,
            session=session.session,
            start=session.start.isoformat(timespec="milliseconds"),
            sweeps=piece.sweeps,
            events=events_of(session, piece),
            facts={"task": task_words(session), "electrodes": placement_words(session)},
        )
        for number, piece in enumerate(session.pieces)
    ]
