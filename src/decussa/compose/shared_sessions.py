"""A stored session as it is shared: its sweeps as recordings with events, its tables under the names of these recordings."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from decussa.compose.reviewed_trials import choose_layer
from decussa.compose.reviewing import ReviewRoom
from decussa.compose.sharing_labels import rater_labels
from decussa.compose.stored import Given, given_stimuli, operator_verdicts, search_steps
from decussa.compose.study_reports import session_tables
from decussa.model.muscle import muscle_and_side
from decussa.model.recording import Channel, StimulusEvent, Windows
from decussa.model.sweep import Sweep
from decussa.model.trial import Verdict
from decussa.protocol.schema import Protocol
from decussa.recording.bids_run import Electrodes, RunToWrite
from decussa.session.clock import from_text
from decussa.session.measuring import window_of
from decussa.store.chain import Entry
from decussa.store.journal import open_journal
from decussa.store.preparing import ElectrodesOn, PersonDescribed
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


def runs_of(shared: SharedSession) -> list[RunToWrite]:
    """Return a session's recordings: its sweeps one after the other, each a stretch of its own."""
    return [_run(shared, number, piece) for number, piece in enumerate(shared.pieces)]


def _run(shared: SharedSession, number: int, piece: Piece) -> RunToWrite:
    rate_hz = piece.sweeps[0].rate_hz
    samples_uv = np.concatenate([sweep.samples_uv for sweep in piece.sweeps], axis=1)
    # A file holds whole records: what is missing to a full second is filled with zeros, outside of every stretch.
    missing = -samples_uv.shape[1] % max(1, math.floor(rate_hz))
    samples_uv = np.pad(samples_uv, ((0, 0), (0, missing)))
    said = _electrodes(shared)
    virtual = "Rehearsal on a virtual participant: no person was stimulated. " if shared.rehearsal else ""
    return RunToWrite(
        participant=shared.label,
        session=shared.session,
        task=TASK,
        run=str(number + 1) if len(shared.pieces) > 1 else "",
        samples_uv=samples_uv,
        rate_hz=rate_hz,
        channels=_channels(shared, piece, samples_uv),
        events=_events(shared, piece),
        start=shared.start.astimezone(UTC),
        task_description=f"{virtual}{shared.protocol.study.name}. {_coil(shared.protocol)}",
        instructions="Relax, or hold the contraction that the column contraction_pct names, as the operator says",
        placement="; ".join(f"{label}: {one.placement}" for label, one in said.items()) or "not stated",
        reference="bipolar, as described for each channel",
        power_line_hz=math.nan,
        electrodes=said,
        has_gaps=True,
        skin=_skin(shared.entries),
    )


def _channels(shared: SharedSession, piece: Piece, samples_uv: np.ndarray) -> tuple[Channel, ...]:
    channels = []
    for row, label in enumerate(piece.sweeps[0].channels):
        muscle, side = muscle_and_side(label)
        bare = Channel(name=label, kind="emg", rate_hz=piece.sweeps[0].rate_hz, muscle=muscle, side=side)
        windows = Windows(window_of(bare, shared.protocol, nerve=False), window_of(bare, shared.protocol, nerve=True))
        rails = _rails(piece, label, samples_uv[row])
        channels.append(replace(bare, windows=windows, low_uv=rails[0], high_uv=rails[1]))
    return tuple(channels)


def _rails(piece: Piece, label: str, samples_uv: np.ndarray) -> tuple[float, float]:
    """Return the ends of the converter's range where sweeps were seen to reach them; infinite where none did."""
    clipped = any(given.trial.value(label, "clipped_samples") > 0 for given in piece.given)
    rail = float(np.abs(samples_uv).max())
    prints = float(f"{rail:.7g}") == rail
    return (-rail, rail) if clipped and prints else (-math.inf, math.inf)


def _events(shared: SharedSession, piece: Piece) -> tuple[StimulusEvent, ...]:
    said = operator_verdicts(shared.entries)
    searches = search_steps(shared.protocol)
    recording = f"{shared.stem(shared.pieces.index(piece))}_emg.bdf"
    own = shared.trials[shared.trials["recording"] == recording]
    stop_within = dict(zip(own["sweep"], own["stop_within"].astype(float), strict=True))
    events, at = [], 0
    for number, (given, sweep) in enumerate(zip(piece.given, piece.sweeps, strict=True), start=1):
        request, end = given.request, at + sweep.samples_uv.shape[1]
        planned = next((muscle for muscle in shared.protocol.muscles if muscle.label == request.muscle), None)
        verdict: Verdict = said.get(given.entry.number, given.trial.verdict)
        events.append(
            StimulusEvent(
                sweep=number,
                onset_s=(at + sweep.onset_sample) / sweep.rate_hz + sweep.shift_ms / 1e3,
                stimulus=request.stimulus,
                pulse_from="events",
                condition=request.step if request.step in searches else request.condition,
                block=request.block,
                contraction_pct=request.contraction_pct,
                stim_side=planned.stim_side if planned is not None else "",
                target=request.muscle,
                session_s=given.onset_s,
                stop_within=stop_within[number],
                segment_s=(at / sweep.rate_hz, end / sweep.rate_hz),
                verdict=verdict,
            )
        )
        at = end
    return tuple(events)


def _electrodes(shared: SharedSession) -> dict[str, Electrodes]:
    """Return by muscle where the electrodes are: as they were put on, else as the protocol wants them."""
    found = {muscle.label: Electrodes(placement=muscle.electrodes) for muscle in shared.protocol.muscles}
    for entry in shared.entries:
        if isinstance(entry.body, ElectrodesOn):
            on = entry.body
            found[on.muscle] = Electrodes(
                placement=on.placement, distance_mm=on.distance_mm, impedance_kohm=on.impedance_kohm
            )
    return found


def _skin(entries: Sequence[Entry]) -> str:
    said = dict.fromkeys(entry.body.skin for entry in entries if isinstance(entry.body, ElectrodesOn))
    return "; ".join(text for text in said if text) or "n/a"


def _coil(protocol: Protocol) -> str:
    coil = protocol.coil
    told = {
        "coil": ", ".join(part for part in (coil.type, coil.size) if part),
        "pulse": coil.pulse_shape,
        "orientation": coil.orientation,
        "current in the coil": coil.coil_current,
        "current in the brain": coil.brain_current,
    }
    return "; ".join(f"{name}: {text}" for name, text in told.items() if text).capitalize() + "."


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
