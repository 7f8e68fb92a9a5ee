"""By hand: the operator gives the stimulus, reads the peak-to-peak elsewhere and types it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from types import TracebackType
from typing import Self

from decussa.model.dialogue import Ask, Deliver
from decussa.model.muscle import muscle_and_side
from decussa.model.recording import Channel
from decussa.source.contract import Delivered

#: Asks for the size at a channel in µV; None where nothing was seen or the stimulus was not given.
ReadSize = Callable[[Deliver, str], float | None]


class HandSource:
    """A source whose samples are seen by the operator alone."""

    name = "hand"
    can_reach_a_person = True

    def __init__(self, labels: Sequence[str], read_size: ReadSize) -> None:
        self._read_size = read_size
        self._channels = tuple(_channel(label) for label in labels)

    @property
    def channels(self) -> tuple[Channel, ...]:
        """One channel for each muscle whose size is typed."""
        return self._channels

    def __enter__(self) -> Self:
        """Nothing needs opening."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Nothing needs closing."""

    def skip_to(self, number: int) -> None:
        """The operator's eye needs no telling."""

    def deliver(self, request: Deliver, number: int) -> Delivered | None:
        """Have the stimulus given and its sizes typed."""
        sizes = {channel.name: self._read_size(request, channel.name) for channel in self._channels}
        read = {name: size for name, size in sizes.items() if size is not None}
        return Delivered(number=number, sizes_uv=read) if read else None

    def answer(self, request: Ask) -> str | float | None:  # noqa: ARG002
        """Leave the question to the operator."""
        return None


def _channel(label: str) -> Channel:
    muscle, side = muscle_and_side(label)
    return Channel(name=label, kind="emg", rate_hz=0.0, muscle=muscle, side=side)
