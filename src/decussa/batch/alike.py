"""Which sweeps of a recording are measured alike: one channel, one kind of stimulus, at rest or not, one interval."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decussa.batch.settings import MeasureSettings
from decussa.measuring.background import background_rms
from decussa.model.errors import RecordingError
from decussa.model.muscle import Window
from decussa.model.recording import Channel, Recording, StimulusEvent

#: Kept before the first pulse: the baseline of 100 ms and room for its edge.
BEFORE_MS = 105.0
#: Where nobody says whether the muscle was active, a median background from here on is taken as a contraction.
ACTIVE_BACKGROUND_UV = 15.0


@dataclass(frozen=True, slots=True)
class Alike:
    """Sweeps of one channel that are measured alike."""

    index: int
    channel: Channel
    window_ms: Window
    window_from: str
    nerve: bool
    active: bool
    events: tuple[StimulusEvent, ...]


def sweeps_alike(recording: Recording, settings: MeasureSettings) -> list[Alike]:
    """Return the sweeps of a recording by channel, kind of stimulus, contraction and interval: each part is measured at once.

    Raises
    ------
    RecordingError
        If there is no EMG channel, no stimulus, or a stimulus names a muscle that was not recorded.
    """
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
                    Alike(index, channel, window, said_by, nerve, active, alike) for alike in _by_interval(events)
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
    batch = recording.signals.cut(index, sample, before_ms_of(sample), 1.0)
    levels = background_rms(
        batch.samples_uv, batch.rate_hz, batch.onset_sample, baseline_ms=settings.baseline_ms, isi_ms=isi_ms_of(sample)
    )
    return bool(np.nanmedian(levels) >= ACTIVE_BACKGROUND_UV) if np.isfinite(levels).any() else False


def isi_ms_of(events: Sequence[StimulusEvent]) -> NDArray[np.float64]:
    """Return the intervals asked for, in ms; NaN for single pulses."""
    return np.array([event.stimulus.isi_ms for event in events], dtype=np.float64)


def before_ms_of(events: Sequence[StimulusEvent]) -> float:
    """Return how much is kept before the test pulse: the baseline lies before the first."""
    isi = isi_ms_of(events)
    return BEFORE_MS + (float(np.nanmax(isi)) if np.isfinite(isi).any() else 0.0)
