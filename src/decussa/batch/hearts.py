"""Which EMG channels of a recording show the heart, and when it beat."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.heartbeat import Heart, block_samples, find_heart, shows_heart, slow_copy
from decussa.model.muscle import UNKNOWN, Window
from decussa.model.recording import Recording, StimulusEvent
from decussa.recording.pieces import channel_pieces

#: Left out around each stimulus: artifact and response.
_BEFORE_S = 0.005
_AFTER_S = 0.1
#: Left out around it in an ECG lead, where only the artifact disturbs.
_AFTER_ECG_S = 0.008
#: Blocks of the slow copy that are read together.
_BLOCKS = 15_000


def find_hearts(recording: Recording) -> dict[int, Heart]:
    """Return the heart of each EMG channel that shows one.

    The beats are those of the ECG lead where there is one, and else what trunk muscles (and muscles not known) show themselves.
    Sweeps that were already cut are too short to tell a pace.
    """
    if not math.isfinite(recording.duration_s):
        return {}
    lead = next((index for index, channel in enumerate(recording.channels) if channel.kind == "ecg"), None)
    heart = None if lead is None else _heart(recording, lead, _AFTER_ECG_S)
    found: dict[int, Heart] = {}
    for index in recording.emg_channels:
        channel = recording.channels[index]
        if heart is not None:
            if shows_heart(_slow(recording, index), _slow_hz(recording, index), heart):
                found[index] = heart
        elif channel.muscle.region == "trunk" or channel.muscle is UNKNOWN:
            own = _heart(recording, index, _AFTER_S)
            found |= {} if own is None else {index: own}
    return found


def beats_in_trials(
    heart: Heart | None, events: Sequence[StimulusEvent], window_ms: Window, baseline_ms: Window
) -> NDArray[np.float64]:
    """Return the heartbeat in the window of each stimulus, else that in its baseline, ms from the test pulse; NaN for none.

    Parameters
    ----------
    heart : Heart or None
        From ``find_hearts``; None gives NaN throughout.
    events : sequence of StimulusEvent
        The stimuli.
    window_ms, baseline_ms : (float, float)
        Window after the test pulse; baseline, which counts back from the first pulse.
    """
    if heart is None:
        return np.full(len(events), np.nan)
    onsets_s = np.array([event.onset_s for event in events])
    first_s = onsets_s - np.nan_to_num([event.stimulus.isi_ms for event in events]) / 1e3
    in_window = heart.beat_in(onsets_s + window_ms[0] / 1e3, onsets_s + window_ms[1] / 1e3)
    in_baseline = heart.beat_in(first_s + baseline_ms[0] / 1e3, first_s + baseline_ms[1] / 1e3)
    return np.asarray((np.where(np.isfinite(in_window), in_window, in_baseline) - onsets_s) * 1e3)


def _heart(recording: Recording, index: int, after_s: float) -> Heart | None:
    spans = [
        (event.onset_s - np.nan_to_num(event.stimulus.isi_ms) / 1e3 - _BEFORE_S, event.onset_s + after_s)
        for event in recording.events
    ]
    return find_heart(_slow(recording, index), _slow_hz(recording, index), np.array(spans).reshape(-1, 2))


def _slow_hz(recording: Recording, index: int) -> float:
    rate_hz = recording.channels[index].rate_hz
    return rate_hz / block_samples(rate_hz)


def _slow(recording: Recording, index: int) -> NDArray[np.float64]:
    rate_hz = recording.channels[index].rate_hz
    length = _BLOCKS * block_samples(rate_hz)
    return np.concatenate([slow_copy(piece, rate_hz) for piece in channel_pieces(recording, index, length)])
