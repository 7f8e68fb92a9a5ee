"""Replay: sweeps that were recorded before come back as if they were given now, in their order."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from types import TracebackType
from typing import Self

from decussa.model.dialogue import Ask, Deliver
from decussa.model.recording import Channel, Recording
from decussa.model.sweep import Sweep
from decussa.source.contract import Delivered
from decussa.source.recorded import recorded_sweep


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
    names = [channel.name for channel in channels]

    def sweep_of(number: int) -> Sweep | None:
        if number > len(recording.events):
            return None
        return recorded_sweep(recording, number - 1, recording.emg_channels, names)

    return ReplaySource(channels, sweep_of)
