"""The virtual participant behind the contract that every source keeps to."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import TracebackType
from typing import Self

from decussa.model.dialogue import Ask, Deliver
from decussa.model.recording import Channel
from decussa.source.contract import Delivered
from decussa.source.virtual.answers import rate_discomfort, show_effort
from decussa.source.virtual.mishap import NOTHING_WRONG, mishap_of
from decussa.source.virtual.person import VirtualParticipant


class VirtualSource:
    """A person who is not one: answers stimuli with sweeps, and ratings and efforts in its own place.

    Parameters
    ----------
    person : VirtualParticipant
        Who sits there.
    errors : mapping of int to str, optional
        What goes wrong, by number of the stimulus; the kinds are those of ``mishap.MISHAPS``, and ``mishaps`` holds them.
    """

    name = "virtual"
    can_reach_a_person = False

    def __init__(self, person: VirtualParticipant, *, errors: Mapping[int, str] | None = None) -> None:
        self.person = person
        self.errors = dict(errors or {})
        self.mishaps = {number: mishap_of(kind) for number, kind in self.errors.items()}
        self._site_cm: tuple[float, float] | None = None

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
        """Give the stimulus to the virtual person; without a site the coil stays where it was put last."""
        self.person.number = number - 1
        self._site_cm = request.site_cm or self._site_cm
        mishap = self.mishaps.get(number, NOTHING_WRONG)
        sweep = self.person.deliver(
            request.stimulus, contraction_pct=request.contraction_pct, site_cm=self._site_cm, mishap=mishap
        )
        return None if mishap.trigger_missed else Delivered(number=number, sweep=sweep)

    def answer(self, request: Ask) -> str | float | None:
        """Rate discomfort and show efforts as this person would; leave the rest to the operator.

        The answer depends on the person and the words of the question, not on what was asked before.
        """
        if request.key == "discomfort" and math.isfinite(request.intensity_mso):
            return rate_discomfort(self.person, request)
        if request.key == "mvc" and request.muscle in self.person.truth.muscles:
            return show_effort(self.person, request)
        return None
