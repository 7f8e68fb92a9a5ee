"""Is the intensity possible? Each planned intensity against the ceiling, with the ways out in order."""

from __future__ import annotations

import math
from dataclasses import dataclass

#: What may be done about an intensity above the ceiling, in the order in which it is offered.
WAYS_OUT: tuple[str, ...] = (
    "use the active instead of the resting threshold",
    "use a larger coil",
    "use a lower multiple for all conditions",
    "give it at the ceiling, marked as such",
    "leave the condition out",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Feasibility:
    """One planned intensity: what was written, what it comes to, and whether it fits under the ceiling.

    ``requested_mso`` is NaN while its reference is not known; ``possible`` is then None.
    """

    step: str
    text: str
    requested_mso: float
    ceiling_mso: float

    @property
    def possible(self) -> bool | None:
        """Whether it fits; None where that cannot be told yet."""
        return None if math.isnan(self.requested_mso) else self.requested_mso <= self.ceiling_mso + 1e-9

    def sentence(self) -> str:
        """Return one sentence for the operator."""
        if self.possible is None:
            return f"{self.step}: {self.text} is not known yet."
        comes_to = f"{self.step}: {self.text} comes to {self.requested_mso:.1f} % MSO"
        if self.possible:
            return f"{comes_to}."
        return f"{comes_to}, above the ceiling of {self.ceiling_mso:g}."


def highest_threshold(percent: float, ceiling_mso: float = 100.0) -> float:
    """Return the highest threshold in % MSO at which ``percent`` % of it still fits under the ceiling, rounded down."""
    return math.floor(ceiling_mso * 100 / percent + 1e-9)
