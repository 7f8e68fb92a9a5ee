"""A stored session as it is shared: its sweeps, and its tables under the names of the recordings that hold them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from decussa.compose.reviewed_trials import choose_layer
from decussa.compose.reviewing import ReviewRoom
from decussa.compose.sharing_labels import rater_labels
from decussa.compose.stored import Given, given_stimuli
from decussa.compose.study_reports import session_tables
from decussa.model.sweep import Sweep
from decussa.protocol.schema import Protocol
from decussa.session.clock import from_text
from decussa.store.chain import Entry
from decussa.store.journal import open_journal
from decussa.store.preparing import PersonDescribed
from decussa.store.records import Started
from decussa.store.study import open_study

TASK = "session"


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Sweeps of one session that were recorded alike: same channels, same rate; in order."""

    given: tuple[Given, ...]
    sweeps: tuple[Sweep, ...]


@dataclass(frozen=True, slots=True, eq=False)
class SharedSession:
    """One session under its label, with ``pseudonym`` and ``name`` as the study knows them."""

    label: str
    session: str
    pseudonym: str
    name: str
    start: datetime
    rehearsal: bool
    protocol: Protocol
    entries: tuple[Entry, ...]
    pieces: tuple[Piece, ...]
    trials: pd.DataFrame
    summary: pd.DataFrame

    def stem(self, piece: int) -> str:
        """Return the name of a recording, from the root of the data set, without what says that it is one."""
        run = f"_run-{piece + 1}" if len(self.pieces) > 1 else ""
        where = f"sub-{self.label}/ses-{self.session}/emg"
        return f"{where}/sub-{self.label}_ses-{self.session}_task-{TASK}{run}"


def share_session(
    folder: Path, name: str, *, pseudonym: str, label: str, shift_days: int, rater: str
) -> SharedSession | None:
    """Return a session of the study in ``folder`` as it is shared; None where no stimulus was answered.

    Raises
    ------
    UsageError
        If nobody reviewed it under the code of ``rater``.
    """
    room = ReviewRoom(folder, name)
    trials, summary = session_tables(room, choose_layer(room.layers, rater))
    if trials.empty:
        return None
    pieces = _pieces(folder, name, room.entries)
    number = name.rpartition("-")[2]
    started = next((entry.body for entry in room.entries if isinstance(entry.body, Started)), None)
    shared = SharedSession(
        label=label,
        session=number,
        pseudonym=pseudonym,
        name=name,
        start=from_text(room.entries[0].at) + timedelta(days=shift_days),
        rehearsal=started is not None and started.source == "virtual",
        protocol=room.protocol,
        entries=room.entries,
        pieces=pieces,
        trials=trials,
        summary=summary.assign(participant=label),
    )
    raters = rater_labels(list(room.layers))
    return replace(shared, trials=_named(shared, trials, raters), summary=_without_names(shared.summary, raters))


def _pieces(folder: Path, name: str, entries: Sequence[Entry]) -> tuple[Piece, ...]:
    groups: list[tuple[list[Given], list[Sweep]]] = []
    with open_study(folder, write=False) as study, open_journal(study, name) as journal:
        for given in given_stimuli(entries):
            if not given.entry.has_sweep:
                continue
            sweep = _without_gaps(journal.sweep(given.entry.number))
            last = groups[-1][1][-1] if groups else None
            if last is None or (last.channels, last.rate_hz) != (sweep.channels, sweep.rate_hz):
                groups.append(([], []))
            groups[-1][0].append(given)
            groups[-1][1].append(sweep)
    return tuple(Piece(tuple(given), tuple(sweeps)) for given, sweeps in groups)


def _without_gaps(sweep: Sweep) -> Sweep:
    """Return a sweep without what was never recorded at its ends."""
    held = np.flatnonzero(np.isfinite(sweep.samples_uv).all(axis=0))
    if not held.size or held.size == sweep.samples_uv.shape[1]:
        return sweep
    first, last = int(held[0]), int(held[-1])
    return replace(
        sweep, samples_uv=sweep.samples_uv[:, first : last + 1].copy(), onset_sample=sweep.onset_sample - first
    )


def _named(shared: SharedSession, trials: pd.DataFrame, raters: Mapping[str, str]) -> pd.DataFrame:
    """Return the trial table under the names that a reader of the data set will find."""
    places = {
        number: (f"{shared.stem(piece)}_emg.bdf", str(piece + 1) if len(shared.pieces) > 1 else "", sweep)
        for piece, held in enumerate(shared.pieces)
        for sweep, number in enumerate((given.entry.number for given in held.given), start=1)
    }
    by_order = [places.get(given.entry.number) for given in given_stimuli(shared.entries)]
    own = [by_order[int(sweep) - 1] for sweep in trials["sweep"]]
    table = trials.assign(
        participant=shared.label,
        recording=[place[0] if place else "" for place in own],
        run=[place[1] if place else "" for place in own],
        sweep=[place[2] if place else int(sweep) for place, sweep in zip(own, trials["sweep"], strict=True)],
        reviewed_by=[raters.get(code, code) for code in trials["reviewed_by"]],
    )
    for code, label in raters.items():
        if code != label:
            table["method"] = table["method"].str.replace(f"by rater {code}", f"by {label}", regex=False)
    return table


def _without_names(summary: pd.DataFrame, raters: Mapping[str, str]) -> pd.DataFrame:
    """Return the summary with raters under their labels, in what it says of the review."""
    for code, label in raters.items():
        if code != label:
            summary = summary.assign(review=summary["review"].str.replace(code, label, regex=False))
    return summary


def participant_row(label: str, sessions: Sequence[SharedSession]) -> dict[str, str | float]:
    """Return what is shared of a person: hand and height where they were noted; nothing from the screening."""
    row: dict[str, str | float] = {"participant_id": label}
    described = [e.body for one in sessions for e in one.entries if isinstance(e.body, PersonDescribed)]
    row["species"] = "n/a" if any(one.rehearsal for one in sessions) else "homo sapiens"
    if described:
        hand = described[-1].hand
        row["handedness"] = {"right": "R", "left": "L", "both": "A"}.get(hand, "n/a")
        row["height"] = described[-1].height_cm
    return row


def tables_of(sessions: Sequence[SharedSession]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return all trials and their summary, in order of participant and session."""
    trials = pd.concat([one.trials for one in sessions], ignore_index=True)
    return trials, pd.concat([one.summary for one in sessions], ignore_index=True)
