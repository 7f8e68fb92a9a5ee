"""Brings recordings into a study as sessions, so that they can be reviewed, reported and shared like any other.

The file is kept untouched; its sweeps and what was measured in them are written into a journal of its own, in one go. What such a
session says of limits, screening or consent is nothing: it was not run here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
from sqlalchemy import Connection

from decussa.batch.measure import measure_recording
from decussa.batch.settings import settings_of
from decussa.compose.method_facts import RECORDED
from decussa.compose.sharing_labels import refuse_telling
from decussa.model.dialogue import Deliver, Trial
from decussa.model.errors import DecussaError, RecordingError
from decussa.model.recording import Channel, Recording, StimulusEvent
from decussa.model.table import TRIAL_COLUMNS
from decussa.model.trial import VERDICTS, Verdict
from decussa.model.version import VERSION
from decussa.protocol.schema import Protocol, protocol_hash, read_protocol
from decussa.recording.read import fingerprint
from decussa.session.clock import to_text
from decussa.source.replay import ReplaySource, replay_recording
from decussa.store.chain import add_entry
from decussa.store.people import add_participant, add_session, participants
from decussa.store.recordings import keep_recording
from decussa.store.records import Measured, Started, StepFound
from decussa.store.study import Study, create_study, open_study

STEP = "recording"
#: Columns of the trial table that are read off a sweep.
_NAMES = [column.name for column in TRIAL_COLUMNS]
_MEASURED = ("isi_measured_ms", *_NAMES[_NAMES.index("background_rms_uv") : _NAMES.index("window_start_ms")])


@dataclass(frozen=True, slots=True)
class Imported:
    """What was brought in: names of the sessions, and what was refused with the reason."""

    sessions: tuple[str, ...]
    refused: tuple[tuple[str, DecussaError], ...]


def import_recordings(folder: Path, recordings: Sequence[Recording], *, labels: Mapping[str, str]) -> Imported:
    """Bring recordings into the study in ``folder``, each as a session; make the study where there is none.

    Parameters
    ----------
    folder : Path
        Study folder.
    recordings : sequence of Recording
        As ``read`` returns them; each from a file of its own.
    labels : mapping of str to str
        Pseudonyms for the participants' names in the recordings, where those are none.

    Raises
    ------
    UsageError
        If a participant's name in a recording could give the person away, and has no pseudonym here.
    RecordingError
        If a new study is to be made, and no recording has a muscle with a side.
    """
    named = [(recording, _pseudonym(recording, labels)) for recording in recordings]
    if not (folder / "study.db").exists():
        create_study(folder, "imported", _protocol_text(recordings), at=to_text(datetime.now(UTC)))
    sessions, refused = [], []
    for recording, pseudonym in named:
        try:
            with open_study(folder, write=True) as study:
                if pseudonym not in {person.pseudonym for person in participants(study)}:
                    add_participant(study, pseudonym, at=to_text(datetime.now(UTC)))
                trials = measure_in(study, recording)
                keep_recording(study, Path(recording.path), pseudonym, at=to_text(datetime.now(UTC)))
                sessions.append(write_session(study, recording, trials, pseudonym))
        except DecussaError as error:
            refused.append((recording.name, error))
    return Imported(tuple(sessions), tuple(refused))


def _pseudonym(recording: Recording, labels: Mapping[str, str]) -> str:
    name = recording.participant or Path(recording.path).stem
    wanted = labels.get(name, name)
    advice = f"give a pseudonym: --label {name}=P01"
    refuse_telling(wanted, where=recording.name, do=advice, confirmed=name in labels)
    return wanted


def measure_in(study: Study, recording: Recording) -> pd.DataFrame:
    """Return the trial table of a recording, with the windows and limits of the study.

    Raises
    ------
    RecordingError
        If there is nothing to measure, or its EMG channels differ in rate.
    """
    rates = sorted({recording.channels[index].rate_hz for index in recording.emg_channels})
    if len(rates) > 1:
        raise RecordingError(
            "EMG channels differ in rate",
            where=recording.path,
            expected="one rate for the sweeps of a session",
            found=", ".join(f"{rate:g}" for rate in rates),
            do="measure it where it lies, with decussa measure",
        )
    protocol = read_protocol(study.protocol_text, where=study.folder / "protocol.toml")
    return measure_recording(recording, settings_of(protocol))


def write_session(study: Study, recording: Recording, trials: pd.DataFrame, pseudonym: str) -> str:
    """Write a recording's sweeps and values as a session of their own, whole or not at all; return its name."""
    began = _start(recording)
    protocol = read_protocol(study.protocol_text, where=study.folder / "protocol.toml")
    labels = [_label(recording.channels[index]) for index in recording.emg_channels]
    source = replay_recording(recording)
    session = add_session(study, pseudonym, at=to_text(datetime.now(UTC)))
    settings: dict[str, str | float] = {
        "recording": recording.name,
        "sha256": fingerprint(recording.path),
        "task": recording.task,
        "session": recording.session,
        "taken in": to_text(datetime.now(UTC)),
    }
    started = Started(
        protocol_sha256=protocol_hash(study.protocol_text),
        source=RECORDED,
        version=VERSION,
        settings={name: value for name, value in settings.items() if value},
    )
    by_sweep = {sweep: trials[trials["sweep"] == sweep] for sweep in trials["sweep"].unique().tolist()}
    with study.database.transaction() as connection:
        add_entry(connection, session, "started", started, at=to_text(began))
        for number, event in enumerate((one for one in recording.events if one.sweep in by_sweep), start=1):
            rows = by_sweep[event.sweep]
            _write_stimulus(connection, session, began, number, event, rows, source, labels, protocol)
        end = began + timedelta(seconds=max((event.onset_s for event in recording.events), default=0.0))
        add_entry(connection, session, "finished", StepFound(step="session"), at=to_text(end))
    return session


def _write_stimulus(
    connection: Connection,
    session: str,
    began: datetime,
    number: int,
    event: StimulusEvent,
    rows: pd.DataFrame,
    source: ReplaySource,
    labels: Sequence[str],
    protocol: Protocol,
) -> None:
    given_s = event.onset_s if math.isnan(event.session_s) else event.session_s
    at = to_text(began + timedelta(seconds=0.0 if math.isnan(given_s) else given_s))
    values = {_label_of(row): _values(row) for row in rows.to_dict("records")}
    target = _target(event, list(values), protocol)
    request = Deliver(
        stimulus=event.stimulus,
        step=STEP,
        condition=event.condition,
        block=event.block,
        muscle=target,
        contraction_pct=0.0 if math.isnan(event.contraction_pct) else event.contraction_pct,
        site_cm=None if math.isnan(event.site_right_cm) else (event.site_right_cm, event.site_front_cm),
    )
    add_entry(connection, session, "asked", request, at=at)
    judged = next(row for row in rows.to_dict("records") if _label_of(row) == target)
    came = source.deliver(request, event.sweep)
    sweep = None if came is None or came.sweep is None else replace(came.sweep, channels=tuple(labels))
    add_entry(
        connection,
        session,
        "answered",
        Trial(number=number, values=values, verdict=_verdict(judged)),
        at=at,
        sweep=sweep,
        measured=Measured(values=values, method=str(judged["method"]), version=VERSION),
    )


def _values(row: Mapping[Any, Any]) -> dict[str, float]:
    return {name: float(row[name]) for name in _MEASURED}


def _verdict(row: Mapping[Any, Any]) -> Verdict:
    kind = next(kind for kind in VERDICTS if kind == row["verdict"])
    return Verdict(kind, str(row["rule"]), str(row["reason"]))


def _target(event: StimulusEvent, labels: Sequence[str], protocol: Protocol) -> str:
    """Return whose verdict is the trial's: the muscle that was meant, else the study's own first, else the first recorded."""
    wanted = [event.target, *(label for label in labels if event.muscle and label.startswith(event.muscle))]
    wanted += [muscle.label for muscle in protocol.muscles if muscle.target]
    return next((label for label in wanted if label in labels), labels[0])


def _label(channel: Channel) -> str:
    return f"{channel.muscle_label} {channel.side}".strip()


def _label_of(row: Mapping[Any, Any]) -> str:
    return f"{row['muscle']} {row['side']}".strip()


def _start(recording: Recording) -> datetime:
    """Return when a recording began; a time without zone is taken as UTC, and where there is none it is now."""
    try:
        began = datetime.fromisoformat(recording.start)
    except ValueError:
        return datetime.now(UTC)
    return began.astimezone(UTC) if began.tzinfo else began.replace(tzinfo=UTC)


def _protocol_text(recordings: Sequence[Recording]) -> str:
    """Return the protocol of a study that holds recordings from elsewhere: their muscles, and nothing that was not said."""
    found: dict[str, Channel] = {}
    for recording in recordings:
        for index in recording.emg_channels:
            channel = recording.channels[index]
            if channel.muscle.key and channel.side:
                found.setdefault(_label(channel), channel)
    if not found:
        raise RecordingError(
            "no muscle is known",
            expected="a channel whose muscle and side are named",
            found=", ".join(_label(one.channels[index]) for one in recordings for index in one.emg_channels) or "none",
            do="name muscle and side in channels.tsv or by a mapping",
        )
    lines = [
        "# Recordings from elsewhere: nothing is run by this protocol.",
        "[study]",
        'name = "Imported recordings"',
        "",
    ]
    for channel in found.values():
        lines += [
            "[[muscles]]",
            f'muscle = "{channel.muscle.key}"',
            f'side = "{channel.side}"',
            'electrodes = "as the recording says"',
            f"nerve_reachable = {'true' if channel.muscle.m_window_ms else 'false'}",
            *_windows(channel),
            "",
        ]
    return "\n".join([*lines, "[coil]", 'type = "not stated"', "", "[[steps]]", 'kind = "closing"', ""])


def _windows(channel: Channel) -> list[str]:
    if channel.windows is None:
        return []
    spans = {"window_ms": channel.windows.window_ms, "m_window_ms": channel.windows.m_window_ms}
    return [f"{name} = [{span[0]:g}, {span[1]:g}]" for name, span in spans.items() if span is not None]
