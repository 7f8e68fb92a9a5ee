"""Stimuli of a recording from the artifacts in its EMG, where nothing else tells of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.artifact_pulses import (
    BLOCK_S,
    LEAST_GAP,
    LONGEST_MS,
    Standing,
    are_brief,
    block_samples,
    find_standing,
    find_starts,
    sharpest_bends,
)
from decussa.model.errors import RecordingError
from decussa.model.recording import Recording, StimulusEvent
from decussa.model.stimulus import Stimulus
from decussa.recording.pieces import channel_pieces, cut_samples

#: Blocks looked at together: so few stay in the cache.
_BLOCKS = 100
#: A longer recording is searched only where somebody asks for artifacts: it is read whole.
LONGEST_UNASKED_S = 86_400.0
#: Looked at before and after the blocks of an event.
_BEFORE_S = 0.25
_AFTER_S = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class ArtifactPulses:
    """Pulses of each stimulus in seconds, one or two, and the channel that shows them best."""

    groups: tuple[tuple[float, ...], ...]
    channel: str
    gap: float
    clipped: int


def find_artifact_pulses(recording: Recording, *, asked: bool) -> ArtifactPulses | None:
    """Return the pulses that the artifacts of the clearest EMG channel show; None where none can be believed or looked for.

    Parameters
    ----------
    recording : Recording
        A continuous one; sweeps that were already cut have no pulses to find.
    asked : bool
        Whether somebody asked for artifacts; else they must be unmistakable.

    Raises
    ------
    RecordingError
        If artifacts were asked for and none stand out, or one stimulus has more than two.
    """
    if not (math.isfinite(recording.duration_s) and recording.emg_channels):
        return None
    if not asked and recording.duration_s > LONGEST_UNASKED_S:
        return None
    found = [(index, _standing(recording, index)) for index in recording.emg_channels]
    index, standing = max(found, key=lambda item: item[1].gap)
    if not (standing.unmistakable or (asked and standing.gap >= LEAST_GAP)):
        if not asked:
            return None
        raise RecordingError(
            "no stimulus artifacts stand out",
            where=recording.path,
            expected=f"artifacts at least {LEAST_GAP:g} times as sharp as all else",
            found=f"{standing.gap:.1f} times at most, on channel {recording.channels[index].name}",
            do="give a sheet of stimuli with --events",
        )
    try:
        return _locate(recording, index, standing, asked=asked)
    except RecordingError:
        if asked:
            raise
        return None


def artifacts_elsewhere(
    recording: Recording, index: int, onsets_s: Sequence[float] | NDArray[np.float64], apart_s: float
) -> tuple[float, ...]:
    """Return the pulses, in seconds, that unmistakable artifacts of one channel show further than ``apart_s`` from any onset."""
    if not recording.duration_s <= LONGEST_UNASKED_S:
        return ()
    standing = _standing(recording, index)
    if not standing.unmistakable:
        return ()
    known_s = np.sort(np.asarray(onsets_s, dtype=np.float64))
    pulses = []
    for first_block, last_block in standing.blocks:
        first_s, last_s = first_block * BLOCK_S - apart_s, (last_block + 1) * BLOCK_S + apart_s
        if np.searchsorted(known_s, first_s) < np.searchsorted(known_s, last_s):
            continue
        try:
            pulses.append(_locate_one(recording, index, (first_block, last_block), asked=False)[0][-1])
        except RecordingError:
            continue
    return tuple(pulses)


def artifact_events(pulses: ArtifactPulses) -> tuple[StimulusEvent, ...]:
    """Return the stimuli that pulses tell of: a pair where there are two; intensities are not known."""
    events = []
    for sweep, group in enumerate(pulses.groups, start=1):
        stimulus = Stimulus(stim_type="single")
        if len(group) == 2:
            stimulus = Stimulus(stim_type="paired", isi_ms=round((group[1] - group[0]) * 1e3, 3))
        events.append(StimulusEvent(sweep=sweep, onset_s=group[-1], stimulus=stimulus, pulse_from="artifact"))
    return tuple(events)


def describe_artifacts(pulses: ArtifactPulses) -> tuple[str, ...]:
    """Return what is to be said of pulses that were found by their artifacts alone."""
    pairs = sum(len(group) == 2 for group in pulses.groups)
    notes = [
        f"{len(pulses.groups)} stimuli ({pairs} of them pairs) were found by their artifacts alone, on channel {pulses.channel}: "
        f"the weakest is {pulses.gap:.0f} times as sharp as anything else; times count from the artifact's first sample"
    ]
    if pulses.clipped:
        notes.append(f"{pulses.clipped} of {len(pulses.groups)} artifacts reach the end of the converter's range")
    return tuple(notes)


def _standing(recording: Recording, index: int) -> Standing:
    rate_hz = recording.channels[index].rate_hz
    length = _BLOCKS * block_samples(rate_hz)
    sharpest = [sharpest_bends(piece, rate_hz) for piece in channel_pieces(recording, index, length, shared=2)]
    return find_standing(np.concatenate(sharpest))


def _locate(recording: Recording, index: int, standing: Standing, *, asked: bool) -> ArtifactPulses:
    events = [_locate_one(recording, index, blocks, asked=asked) for blocks in standing.blocks]
    return ArtifactPulses(
        groups=tuple(pulses for pulses, _ in events),
        channel=recording.channels[index].name,
        gap=standing.gap,
        clipped=sum(clipped for _, clipped in events),
    )


def _locate_one(
    recording: Recording, index: int, blocks: tuple[int, int], *, asked: bool
) -> tuple[tuple[float, ...], bool]:
    """Return the pulses of the event in these blocks, in seconds, and whether one reaches the end of the converter's range."""
    channel = recording.channels[index]
    rate_hz, width = channel.rate_hz, block_samples(channel.rate_hz)
    total = round(recording.duration_s * rate_hz)
    first = max(0, blocks[0] * width - round(_BEFORE_S * rate_hz))
    last = min(total - 1, (blocks[1] + 1) * width + round(_AFTER_S * rate_hz))
    samples = cut_samples(recording, index, first, last - first + 1)
    starts = find_starts(samples, rate_hz)
    if not starts or len(starts) > 2 or not (asked or are_brief(samples, rate_hz, starts)):
        raise RecordingError(
            "what stands out is no stimulus artifact",
            where=f"{recording.path}, channel {channel.name}, {first / rate_hz:.2f} to {last / rate_hz:.2f} s",
            expected=f"one or two sharp bends, each over within {LONGEST_MS:g} ms",
            found=f"{len(starts)} starts",
            do="give a sheet of stimuli with --events",
        )
    clipped = bool(np.any((samples >= channel.high_uv) | (samples <= channel.low_uv)))
    return tuple((first + start) / rate_hz for start in starts), clipped
