"""Sweeps out of a file that was saved: its channels under our labels, and when its pulses were by the recorder's clock."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from decussa.model.errors import RecordingError
from decussa.model.recording import Channel, Recording, StimulusEvent
from decussa.model.sweep import Sweep
from decussa.source.recorded import recorded_sweep


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FoundSweep:
    """One sweep of a file: what the file says, and when the pulse was by the recorder's clock (NaN: not known)."""

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
    names = [channel.name for channel in channels]
    return described, [
        FoundSweep(
            event=event,
            sweep=recorded_sweep(recording, place, rows, names),
            pulse_at=_pulse_time(recording.start, event.onset_s),
        )
        for place, event in enumerate(recording.events)
    ]


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


def _pulse_time(start: str, onset_s: float) -> float:
    """Return when a pulse was, in seconds of the recorder's clock; NaN where the file has no start that can be read."""
    try:
        return datetime.fromisoformat(start).timestamp() + onset_s
    except ValueError:
        return math.nan
