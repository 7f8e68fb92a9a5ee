"""Sums up trial tables and studies together; of a study with what its raters said."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import pandas as pd

from decussa.batch.summary import summarise
from decussa.compose.reviewed_trials import FIRST, choose_layer
from decussa.compose.reviewing import ReviewRoom
from decussa.compose.study_reports import is_study, measuring_trials, session_tables, sessions_of
from decussa.model.errors import MachineError, RecordingError, UsageError
from decussa.pool.methods import SWEEP
from decussa.recording.tables import is_data_set, read_data_set, read_table
from decussa.store.study import open_study


def sum_up(paths: Sequence[Path], *, rater: str = FIRST) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return all trials and their summary.

    Parameters
    ----------
    paths : sequence of Path
        Trial tables, data sets of them and study folders, in any mixture. Of a data set every participant of every site is
        summed up alone: the summary then has a column ``site``, and the trials returned only ``reviewed_by``.
    rater : str
        Of studies: whose verdicts and marks count; the first rater's where omitted, ``automatic`` for none.

    Raises
    ------
    RecordingError
        If a table cannot be read as one, or a sweep and muscle stand in them twice.
    UsageError
        If nobody reviewed a session under the code of ``rater``, or one is named where there is no study.
    """
    studies = [path for path in paths if is_study(path)]
    data_sets = [path for path in paths if is_data_set(path)]
    single = [path for path in paths if path not in studies and path not in data_sets]
    tables = [read_trials(path) for path in single]
    _refuse_twice(single, tables)
    if rater != FIRST and not studies:
        raise UsageError("only a study has raters", where="--rater", expected="a study folder", found=str(paths[0]))
    trials, summaries = [*tables], []
    if tables:
        summaries.append(summarise(pd.concat(tables, ignore_index=True)))
    for folder in data_sets:
        for own in read_data_set(folder):
            trials.append(own[["reviewed_by"]])
            summaries.append(summarise(own).assign(site=own["site"].iloc[0]))
    for folder in studies:
        for own, summary in session_tables_of(folder, rater):
            trials.append(own)
            summaries.append(summary)
    return pd.concat(trials, ignore_index=True), pd.concat(summaries, ignore_index=True)


def read_trials(path: Path) -> pd.DataFrame:
    """Return the trial table of a file or data set.

    Raises
    ------
    RecordingError
        If it cannot be read as a table, or is a summary.
    """
    if not path.exists():
        raise MachineError("table cannot be read", where=path, found="no such file")
    table = read_table(path)
    if "quantity" in table.columns and "stim_type" not in table.columns:
        raise RecordingError(
            "this is a summary",
            where=path,
            expected="a trial table, with the single trials",
            do="give the table that measure wrote",
        )
    return table


def _refuse_twice(paths: Sequence[Path], tables: Sequence[pd.DataFrame]) -> None:
    """Refuse tables that hold a sweep and muscle twice: it would count twice, and narrow every interval."""
    named = [
        table[[name for name in SWEEP if name in table]].assign(_path=str(path), _row=range(1, len(table) + 1))
        for path, table in zip(paths, tables, strict=True)
        if {"recording", "sweep"} <= set(table)
    ]
    if not named:
        return
    together = pd.concat(named, ignore_index=True).dropna(subset=["sweep"])
    twice = together.duplicated([name for name in SWEEP if name in together])
    if not twice.any():
        return
    first = together[twice].iloc[0]
    raise RecordingError(
        "a sweep stands twice",
        where=f"{first['_path']}, row {first['_row']}",
        expected="each sweep and muscle once, in all tables together",
        found=f"{first['recording']}, sweep {first['sweep']:g}, {first['muscle']}",
        do="give each recording once",
    )


def session_tables_of(
    folder: Path, rater: str, *, measuring: bool = False
) -> Iterator[tuple[pd.DataFrame, pd.DataFrame]]:
    """Yield trials and summary of each session of a study; ``measuring``: without the trials of its searches.

    Raises
    ------
    UsageError
        If nobody reviewed a session under the code of ``rater``.
    """
    with open_study(folder, write=False) as study:
        names = sessions_of(study)
    for name in names:
        room = ReviewRoom(folder, name)
        trials, summary = session_tables(room, choose_layer(room.layers, rater))
        yield measuring_trials(trials, room.protocol) if measuring and len(trials) else trials, summary
