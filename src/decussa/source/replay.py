"""Replay: sweeps that were recorded before come back as if they were given now, in their order."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from types import TracebackType
from typing import Self

import numpy as np

from decussa.model.dialogue import Ask, Deliver
from decussa.model.recording import Channel, Recording
from decussa.model.sweep import Sweep
from decussa.source.contract import Delivered

#: Kept around each stimulus of a recording that is played again.
BEFORE_MS = 150.0
AFTER_MS = 450.0


class ReplaySource:
    """Sweeps by the number of their stimulus; what is past their end does not come back."""

    name = "replay"
    can_reach_a_person = False

    def __init__(self, channels: Sequence[Channel], sweep_of: Callable[[int], Sweep | None]) -> None:
        self._channels = tuple(channels)
        self._sweep_of = sweep_of

    @property
    def channels(self) -> tuple[Channel, ...]:
        """The EMG channels of the sweeps."""
        return self._channels

    def __enter__(self) -> Self:
        """Nothing needs opening."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Nothing needs closing."""

    def skip_to(self, number: int) -> None:
        """Sweeps are found by number."""

    def deliver(self, request: Deliver, number: int) -> Delivered | None:  # noqa: ARG002
        """Return the sweep that bears this number."""
        sweep = self._sweep_of(number)
        return None if sweep is None else Delivered(number=number, sweep=sweep)

    def answer(self, request: Ask) -> str | float | None:  # noqa: ARG002
        """Leave the question to the operator."""
        return None


def replay_recording(recording: Recording) -> ReplaySource:
    """Play a recording again: its EMG channels, its stimuli in order."""
    channels = [recording.channels[index] for index in recording.emg_channels]

    def sweep_of(number: int) -> Sweep | None:
        if number > len(recording.events):
            return None
        event = recording.events[number - 1]
        before = BEFORE_MS - event.stimulus.pulses[0].at_ms
        cuts = [recording.signals.cut(index, [event], before, AFTER_MS) for index in recording.emg_channels]
        return Sweep(
            samples_uv=np.concatenate([cut.samples_uv for cut in cuts]),
            rate_hz=cuts[0].rate_hz,
            onset_sample=cuts[0].onset_sample,
            channels=tuple(channel.name for channel in channels),
            shift_ms=float(cuts[0].shift_ms[0]),
        )

    return ReplaySource(channels, sweep_of)
