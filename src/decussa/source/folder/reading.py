"""Sweeps out of a file that was saved: its channels under our labels, and when its pulses were by the recorder's clock."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np

from decussa.model.errors import RecordingError
from decussa.model.recording import Channel, Recording, StimulusEvent
from decussa.model.sweep import Sweep

#: Kept around each stimulus.
BEFORE_MS, AFTER_MS = 150.0, 450.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FoundSweep:
    """One sweep of one file: its place within it, what the file says, and when the pulse was by the recorder's clock (NaN)."""

    file: str
    place: int
    event: StimulusEvent
    sweep: Sweep
    pulse_at: float = math.nan


def read_sweeps(
    recording: Recording, channels: Sequence[Channel], path: Path
) -> tuple[tuple[Channel, ...], list[FoundSweep]]:
    """Return the sweeps of a recording, and ``channels`` with the rate and range that it has.

    Raises
    ------
    RecordingError
        If it lacks one of the channels, holds it twice, or their rates differ.
    """
    rows = [_row(recording, channel, path) for channel in channels]
    described = tuple(
        replace(channel, rate_hz=held.rate_hz, low_uv=held.low_uv, high_uv=held.high_uv)
        for channel, held in zip(channels, (recording.channels[row] for row in rows), strict=True)
    )
    names = tuple(channel.name for channel in channels)
    return described, [_cut(recording, path.name, place, rows, names) for place in range(len(recording.events))]


def _cut(recording: Recording, file: str, place: int, rows: Sequence[int], names: tuple[str, ...]) -> FoundSweep:
    event = recording.events[place]
    before = BEFORE_MS - event.stimulus.pulses[0].at_ms
    cuts = [recording.signals.cut(row, [event], before, AFTER_MS) for row in rows]
    if len({(cut.rate_hz, cut.samples_uv.shape) for cut in cuts}) > 1:
        raise RecordingError(
            "channels have different rates", where=file, expected="one rate for all muscles", do="record them alike"
        )
    sweep = Sweep(
        samples_uv=np.concatenate([cut.samples_uv for cut in cuts]),
        rate_hz=cuts[0].rate_hz,
        onset_sample=cuts[0].onset_sample,
        channels=names,
        shift_ms=float(cuts[0].shift_ms[0]),
    )
    return FoundSweep(
        file=file, place=place + 1, event=event, sweep=sweep, pulse_at=pulse_time(recording.start, event.onset_s)
    )


def _row(recording: Recording, wanted: Channel, path: Path) -> int:
    """Return where a file holds the channel that is wanted: by its name, else by muscle and side."""
    emg = [(row, recording.channels[row]) for row in recording.emg_channels]
    named = [row for row, held in emg if held.name == wanted.name]
    alike = [row for row, held in emg if held.muscle.key == wanted.muscle.key != "" and held.side == wanted.side]
    rows = named or alike
    if len(rows) != 1:
        raise RecordingError(
            f"{wanted.name} is not recorded in it" if not rows else f"{wanted.name} is in it more than once",
            where=path,
            expected=f"one EMG channel named {wanted.name}",
            found=", ".join(held.name for _, held in emg) or "no EMG channel",
            do="name the channels in the recorder by muscle and side, or give a mapping",
        )
    return rows[0]


def pulse_time(start: str, onset_s: float) -> float:
    """Return when a pulse was, in seconds of the recorder's clock; NaN where the file has no start that can be read."""
    try:
        return datetime.fromisoformat(start).timestamp() + onset_s
    except ValueError:
        return math.nan
