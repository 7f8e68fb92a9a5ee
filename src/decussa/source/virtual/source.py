"""The virtual participant behind the contract that every source keeps to."""

from __future__ import annotations

from types import TracebackType
from typing import Self

from decussa.model.dialogue import Ask, Deliver
from decussa.model.recording import Channel
from decussa.source.contract import Delivered
from decussa.source.virtual.person import VirtualParticipant


class VirtualSource:
    """A person who is not one: answers stimuli with sweeps, and ratings and efforts in its own place."""

    name = "virtual"
    can_reach_a_person = False

    def __init__(self, person: VirtualParticipant) -> None:
        self.person = person
        self._last_mso = 0.0

    @property
    def channels(self) -> tuple[Channel, ...]:
        """The recorded EMG channels."""
        return self.person.channels

    def __enter__(self) -> Self:
        """Nothing needs opening."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Nothing needs closing."""

    def skip_to(self, number: int) -> None:
        """Go on as if ``number`` stimuli had been given: what the person does depends on the number alone."""
        self.person.number = number

    def deliver(self, request: Deliver, number: int) -> Delivered | None:
        """Give the stimulus to the virtual person."""
        self.person.number = number - 1
        self._last_mso = max(request.stimulus.intensity_mso, 0.0)
        return Delivered(
            number=number, sweep=self.person.deliver(request.stimulus, contraction_pct=request.contraction_pct)
        )

    def answer(self, request: Ask) -> str | float | None:  # noqa: ARG002
        """Leave the question to the operator."""
        return None
