"""From a recording to its trial table: cut, measure, judge, one row per sweep and muscle."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decussa.batch.hearts import beats_in_trials, find_hearts
from decussa.batch.judgement import judge_trials
from decussa.measuring.artifact_extra import extra_artifacts
from decussa.measuring.background import background_rms
from decussa.measuring.catalogue import TIMES, describe_method
from decussa.measuring.heartbeat import Heart
from decussa.measuring.sweeps import measure_sweeps
from decussa.measuring.times import OnsetMethod
from decussa.model.errors import RecordingError
from decussa.model.muscle import Window
from decussa.model.recording import Channel, Recording, StimulusEvent, SweepBatch
from decussa.model.table import TRIAL_NAMES
from decussa.protocol.schema import Protocol
from decussa.quality.verdict import Limits

#: Sweeps measured at once: bounds the memory, changes no number.
CHUNK = 256
#: Kept before the first pulse: the baseline of 100 ms and room for its edge.
BEFORE_MS = 105.0
#: Kept after the test pulse; a silent period needs the longer one.
AFTER_MS = 150.0
AFTER_ACTIVE_MS = 450.0
#: Where nobody says whether the muscle was active, a median background from here on is taken as a contraction.
ACTIVE_BACKGROUND_UV = 15.0

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureSettings:
    """How recordings are measured.

    Parameters
    ----------
    windows : mapping of str to (float, float)
        Windows in ms by muscle key or channel name, in place of the muscle's own.
    m_windows : mapping of str to (float, float)
        The same for the M-wave.
    baseline_ms : (float, float)
        Counts back from the first pulse.
    onset : {"model", "threshold", None}
        How the onset is found.
    intervals : bool
        Whether single sweeps get intervals.
    limits : Limits
        What trials are held against.
    """

    windows: Mapping[str, Window] = field(default_factory=dict)
    m_windows: Mapping[str, Window] = field(default_factory=dict)
    baseline_ms: Window = (-100.0, -5.0)
    onset: OnsetMethod = "model"
    intervals: bool = True
    limits: Limits = field(default_factory=Limits)


@dataclass(frozen=True, slots=True)
class _Group:
    """Sweeps of one channel that are measured alike."""

    index: int
    channel: Channel
    window_ms: Window
    window_from: str
    nerve: bool
    active: bool
    events: tuple[StimulusEvent, ...]


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


def settings_of(protocol: Protocol) -> MeasureSettings:
    """Return how a protocol wants its muscles measured."""
    muscles = protocol.muscles
    limit = min(muscle.rest_limit_uv for muscle in muscles)
    return MeasureSettings(
        windows={muscle.muscle: muscle.window_ms for muscle in muscles if muscle.window_ms is not None},
        m_windows={muscle.muscle: muscle.m_window_ms for muscle in muscles if muscle.m_window_ms is not None},
        limits=Limits(rest_doubtful_uv=limit, rest_reject_uv=max(limit, Limits().rest_reject_uv)),
    )


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
    groups = _groups(recording, settings)
    hearts = find_hearts(recording)
    total = sum(len(group.events) for group in groups)
    done = 0
    frames = []
    for group in groups:
        for start in range(0, len(group.events), CHUNK):
            events = group.events[start : start + CHUNK]
            frames.append(_measure_chunk(recording, group, events, settings, hearts.get(group.index)))
            done += len(events)
            if progress is not None:
                progress(done, total)
    trials = pd.concat(frames, ignore_index=True).sort_values(["sweep", "_channel"], ignore_index=True, kind="stable")
    judged = judge_trials(trials, settings.limits)
    return judged[list(TRIAL_NAMES)]


def _groups(recording: Recording, settings: MeasureSettings) -> list[_Group]:
    if not recording.emg_channels:
        names = ", ".join(channel.name for channel in recording.channels) or "none"
        raise RecordingError(
            "no EMG channel",
            where=recording.path,
            expected="a channel of type EMG, or with a muscle in its label",
            found=f"channels {names}",
            do="name the type in channels.tsv",
        )
    if not recording.events:
        raise RecordingError(
            "no stimulus found",
            where=recording.path,
            expected="events with stim_type, a trigger channel, annotations that name a stimulus, or unmistakable artifacts",
            found="none of these",
            do="give a sheet of stimuli with --events, or try --find-artifacts",
        )
    groups = []
    for index in recording.emg_channels:
        channel = recording.channels[index]
        meant = [event for event in recording.events if _is_meant(event, channel)]
        for nerve in (False, True):
            same = [event for event in meant if (event.stimulus.stim_type == "nerve") == nerve]
            window, said_by = _window(channel, settings, nerve=nerve)
            if window is None or not same:
                continue
            for active, events in _by_activity(recording, index, same, settings, nerve=nerve):
                groups += [
                    _Group(index, channel, window, said_by, nerve, active, alike) for alike in _by_interval(events)
                ]
    _refuse_unrecorded(recording)
    if not groups:
        raise RecordingError(
            "no sweep to measure", where=recording.path, found="stimuli that no recorded muscle can answer"
        )
    return groups


def _is_meant(event: StimulusEvent, channel: Channel) -> bool:
    target = event.muscle.strip().lower()
    return not target or target in {channel.muscle.key.lower(), channel.muscle.name.lower(), channel.name.lower()}


def _refuse_unrecorded(recording: Recording) -> None:
    channels = [recording.channels[index] for index in recording.emg_channels]
    for event in recording.events:
        if not any(_is_meant(event, channel) for channel in channels):
            raise RecordingError(
                f"stimulus {event.sweep} names a muscle that was not recorded",
                where=recording.path,
                expected=" or ".join(channel.muscle_label for channel in channels),
                found=repr(event.muscle),
                do="correct the column muscle of the events",
            )


def _window(channel: Channel, settings: MeasureSettings, *, nerve: bool) -> tuple[Window | None, str]:
    """Return the window of a channel, None where it has none, and who says so."""
    asked = settings.m_windows if nerve else settings.windows
    for name in (channel.name, channel.muscle.key):
        if name in asked:
            return asked[name], "as asked"
    if channel.windows is not None:
        return (channel.windows.m_window_ms if nerve else channel.windows.window_ms), "as the data set says"
    own = channel.muscle.m_window_ms if nerve else channel.muscle.window_ms
    return own, f"default for {channel.muscle.key or 'muscle not known'}"


def _by_activity(
    recording: Recording, index: int, events: Sequence[StimulusEvent], settings: MeasureSettings, *, nerve: bool
) -> list[tuple[bool, list[StimulusEvent]]]:
    """Split stimuli into those given at rest and those given during contraction."""
    if nerve:
        return [(False, list(events))]
    told = [event for event in events if not math.isnan(event.contraction_pct)]
    untold = [event for event in events if math.isnan(event.contraction_pct)]
    active = [event for event in told if event.contraction_pct > 0]
    rest = [event for event in told if event.contraction_pct <= 0]
    if untold:
        (active if _is_active(recording, index, untold, settings) else rest).extend(untold)
    split = [(False, sorted(rest, key=_by_sweep)), (True, sorted(active, key=_by_sweep))]
    return [(activity, chosen) for activity, chosen in split if chosen]


def _by_interval(events: Sequence[StimulusEvent]) -> list[tuple[StimulusEvent, ...]]:
    """Split stimuli by the interval asked for: a long one needs more before it than the others may hold."""
    alike: dict[float, list[StimulusEvent]] = {}
    for event in events:
        isi = event.stimulus.isi_ms
        alike.setdefault(0.0 if math.isnan(isi) else isi, []).append(event)
    return [tuple(group) for group in alike.values()]


def _by_sweep(event: StimulusEvent) -> int:
    return event.sweep


def _is_active(recording: Recording, index: int, events: Sequence[StimulusEvent], settings: MeasureSettings) -> bool:
    sample = events[:: max(1, len(events) // 64)]
    batch = recording.signals.cut(index, sample, _before_ms(sample), 1.0)
    levels = background_rms(
        batch.samples_uv, batch.rate_hz, batch.onset_sample, baseline_ms=settings.baseline_ms, isi_ms=_isi(sample)
    )
    return bool(np.nanmedian(levels) >= ACTIVE_BACKGROUND_UV) if np.isfinite(levels).any() else False


def _isi(events: Sequence[StimulusEvent]) -> NDArray[np.float64]:
    return np.array([event.stimulus.isi_ms for event in events], dtype=np.float64)


def _before_ms(events: Sequence[StimulusEvent]) -> float:
    isi = _isi(events)
    return BEFORE_MS + (float(np.nanmax(isi)) if np.isfinite(isi).any() else 0.0)


def _measure_chunk(
    recording: Recording,
    group: _Group,
    events: Sequence[StimulusEvent],
    settings: MeasureSettings,
    heart: Heart | None,
) -> pd.DataFrame:
    after_ms = AFTER_ACTIVE_MS if group.active else AFTER_MS
    batch = recording.signals.cut(group.index, events, _before_ms(events), after_ms)
    values = measure_sweeps(
        batch.samples_uv,
        batch.rate_hz,
        batch.onset_sample,
        window_ms=group.window_ms,
        baseline_ms=settings.baseline_ms,
        isi_ms=_isi(events),
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
    return pd.DataFrame({**_keys(recording, group, events), **values, **_facts(group, batch, settings)})


def _extra(batch: SweepBatch, values: dict[str, NDArray[Any]], *, nerve: bool) -> NDArray[np.float64]:
    """Return artifacts besides those that were asked for, ms from the sample of the onset; nerve pulses are not searched."""
    test = values["artifact_start_ms"]
    if nerve:
        return np.full(test.size, np.nan)
    return extra_artifacts(batch.samples_uv, batch.rate_hz, batch.onset_sample, test, test - values["isi_measured_ms"])


def _keys(recording: Recording, group: _Group, events: Sequence[StimulusEvent]) -> dict[str, Any]:
    """Columns that say which trial it is and what was given."""
    same = {
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
    listed: dict[str, Any] = {
        name: [getattr(event, name) for event in events]
        for name in (
            "timepoint",
            "block",
            "sweep",
            "pulse_from",
            "stim_side",
            "condition",
            "contraction_pct",
            "stop_within",
        )
    }
    listed["onset_s"] = [event.onset_s if math.isnan(event.session_s) else event.session_s for event in events]
    listed["_verdict"] = [event.verdict for event in events]
    for name in ("stim_type", "intensity_mso", "cond_intensity_mso", "current_ma", "isi_ms"):
        listed[name] = [getattr(event.stimulus, name) for event in events]
    return {**{name: [value] * len(events) for name, value in same.items()}, **listed}


def _facts(group: _Group, batch: SweepBatch, settings: MeasureSettings) -> dict[str, Any]:
    """Columns that are the same for the whole group: window and method."""
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
