"""What a contraction that is held adds to a virtual person's EMG between stimuli."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from decussa.model.stimulus import Stimulus
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.pool import draw_potentials
from decussa.source.virtual.recorder import RATE_KHZ

#: What fired so long before a piece still lasts into it.
_BEFORE_MS = 100.0


def draw_held(person: VirtualParticipant, pct: float, number: int, count: int) -> NDArray[np.float64]:
    """Return the potentials of a contraction in % MVC, shape (n_channels, count), in µV; zeros at rest.

    Parameters
    ----------
    number : int
        Draws the chance: beyond every number a stimulus has.
    """
    if pct <= 0:
        return np.zeros((len(person.pathways), count))
    held = person.respond(Stimulus.single(0.0), number, pct, _BEFORE_MS, count / RATE_KHZ)
    return np.stack(
        [
            draw_potentials(pathway.pool, activity.rest(), 0.0, RATE_KHZ, count)
            for pathway, activity in zip(person.pathways, held, strict=True)
        ]
    )
