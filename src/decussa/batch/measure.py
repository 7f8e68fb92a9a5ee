"""From a recording to its trial table: cut, measure, judge, one row per sweep and muscle."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from operator import attrgetter
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decussa.batch.alike import Alike, before_ms_of, isi_ms_of, sweeps_alike
from decussa.batch.hearts import beats_in_trials, find_hearts
from decussa.batch.judgement import judge_trials
from decussa.batch.settings import MeasureSettings, settings_of
from decussa.measuring.artifact_extra import extra_artifacts
from decussa.measuring.catalogue import TIMES, describe_method
from decussa.measuring.heartbeat import Heart
from decussa.measuring.sweeps import measure_sweeps
from decussa.model.recording import Recording, StimulusEvent, SweepBatch
from decussa.model.table import TRIAL_NAMES
from decussa.protocol.schema import Protocol

#: Sweeps measured at once: bounds the memory, changes no number.
CHUNK = 256
#: Kept after the test pulse; a silent period needs the longer one.
AFTER_MS = 150.0
AFTER_ACTIVE_MS = 450.0

Progress = Callable[[int, int], None]
Columns = dict[str, NDArray[Any]]

#: What an event tells, by column.
_TEXTS = {
    **{name: name for name in ("timepoint", "block", "pulse_from", "stim_side", "condition")},
    "_verdict": "verdict",
    "stim_type": "stimulus.stim_type",
}
_NUMBERS = {
    **{name: name for name in ("sweep", "contraction_pct", "stop_within")},
    **{name: f"stimulus.{name}" for name in ("intensity_mso", "cond_intensity_mso", "current_ma", "isi_ms")},
}
_LISTED = attrgetter(*_TEXTS.values(), *_NUMBERS.values())


def measure(recording: Recording, protocol: Protocol | None = None) -> pd.DataFrame:
    """Return the trial table of ``recording``, with the windows and limits of ``protocol`` where one is given.

    Parameters
    ----------
    recording : Recording
        From ``decussa.read``.
    protocol : Protocol, optional
        From ``decussa.protocol.schema.read_protocol``.

    Returns
    -------
    DataFrame, one row per stimulus and EMG channel; see ``measure_recording``.

    Raises
    ------
    RecordingError
        If there is no EMG channel, no stimulus, or a stimulus names a muscle that was not recorded.
    """
    return measure_recording(recording, None if protocol is None else settings_of(protocol))


def measure_recording(
    recording: Recording, settings: MeasureSettings | None = None, progress: Progress | None = None
) -> pd.DataFrame:
    """Return the trial table of ``recording``: one row per stimulus and EMG channel, in order of sweep, then channel.

    A stimulus that names its muscle is measured on the channels of that muscle only. During contraction (asked for, or
    seen in the background where nothing is said) the silent period is measured too. A verdict that stands in the events
    holds: it is that of the session, which saw the person.

    Parameters
    ----------
    recording : Recording
        From ``decussa.read``.
    settings : MeasureSettings, optional
        Windows, methods and limits; the defaults of the product where omitted.
    progress : callable, optional
        Called with (sweeps done, sweeps in all).

    Returns
    -------
    DataFrame with the columns of ``decussa.model.table.TRIAL_COLUMNS``.

    Raises
    ------
    RecordingError
        If there is no EMG channel, no stimulus, or a stimulus names a muscle that was not recorded.
    """
    settings = settings or MeasureSettings()
    groups = sweeps_alike(recording, settings)
    hearts = find_hearts(recording)
    total = sum(len(group.events) for group in groups)
    done = 0
    chunks = []
    for group in groups:
        for start in range(0, len(group.events), CHUNK):
            events = group.events[start : start + CHUNK]
            chunks.append(_measure_chunk(recording, group, events, settings, hearts.get(group.index)))
            done += len(events)
            if progress is not None:
                progress(done, total)
    trials = {name: np.concatenate([chunk[name] for chunk in chunks]) for name in chunks[0]}
    order = np.lexsort((trials["_channel"], trials["sweep"]))
    trials = {name: column[order] for name, column in trials.items()}
    verdicts = judge_trials(trials, settings.limits)
    for name, part in (("verdict", "kind"), ("rule", "rule"), ("reason", "reason")):
        trials[name] = np.array([getattr(verdict, part) for verdict in verdicts], dtype=object)
    return pd.DataFrame({name: trials[name] for name in TRIAL_NAMES})


def _measure_chunk(
    recording: Recording,
    group: Alike,
    events: Sequence[StimulusEvent],
    settings: MeasureSettings,
    heart: Heart | None,
) -> Columns:
    """Return the columns of some sweeps that are measured alike, and the private ones that verdicts need."""
    after_ms = AFTER_ACTIVE_MS if group.active else AFTER_MS
    batch = recording.signals.cut(group.index, events, before_ms_of(events), after_ms)
    values = measure_sweeps(
        batch.samples_uv,
        batch.rate_hz,
        batch.onset_sample,
        window_ms=group.window_ms,
        baseline_ms=settings.baseline_ms,
        isi_ms=isi_ms_of(events),
        onset=settings.onset,
        silent=group.active,
        intervals=settings.intervals,
        low_uv=group.channel.low_uv,
        high_uv=group.channel.high_uv,
        nerve=group.nerve,
    )
    values["extra_artifact_ms"] = _extra(batch, values, nerve=group.nerve)
    values["heartbeat_ms"] = beats_in_trials(heart, events, group.window_ms, settings.baseline_ms)
    for name in TIMES:
        if name in values:
            values[name] = values[name] - batch.shift_ms
    same = {**_keys(recording, group), **_facts(group, batch, settings)}
    return {**{name: _filled(value, len(events)) for name, value in same.items()}, **_told(events), **values}


def _extra(batch: SweepBatch, values: dict[str, NDArray[Any]], *, nerve: bool) -> NDArray[np.float64]:
    """Return artifacts besides those that were asked for, ms from the sample of the onset; nerve pulses are not searched."""
    test = values["artifact_start_ms"]
    if nerve:
        return np.full(test.size, np.nan)
    return extra_artifacts(batch.samples_uv, batch.rate_hz, batch.onset_sample, test, test - values["isi_measured_ms"])


def _filled(value: Any, count: int) -> NDArray[Any]:
    """Return one value over and over, text as Python's own."""
    return np.full(count, value, dtype=object if isinstance(value, str) else None)


def _keys(recording: Recording, group: Alike) -> dict[str, Any]:
    """Values of the columns that say where trials come from, the same for the whole group."""
    return {
        "participant": recording.participant,
        "session": recording.session,
        "task": recording.task,
        "run": recording.run,
        "recording": recording.name,
        "muscle": group.channel.muscle_label,
        "side": group.channel.side,
        "_channel": group.index,
        "_active": group.active,
    }


def _told(events: Sequence[StimulusEvent]) -> Columns:
    """Columns that say which trial it is and what was given."""
    listed = dict(zip((*_TEXTS, *_NUMBERS), zip(*map(_LISTED, events), strict=True), strict=True))
    onsets_s = [event.onset_s if math.isnan(event.session_s) else event.session_s for event in events]
    return {
        **{name: np.array(listed[name], dtype=object) for name in _TEXTS},
        **{name: np.array(listed[name]) for name in _NUMBERS},
        "onset_s": np.array(onsets_s, dtype=np.float64),
    }


def _facts(group: Alike, batch: SweepBatch, settings: MeasureSettings) -> dict[str, Any]:
    """Values of the columns that say how trials are measured, the same for the whole group."""
    method = describe_method(
        onset=settings.onset,
        silent=group.active,
        intervals=settings.intervals,
        rate_hz=batch.rate_hz,
        nerve=group.nerve,
    )
    return {
        "window_start_ms": group.window_ms[0],
        "window_end_ms": group.window_ms[1],
        "_sample_ms": 1e3 / batch.rate_hz,
        "method": f"{method}; window {group.window_from}",
        "reviewed_by": "",
    }
