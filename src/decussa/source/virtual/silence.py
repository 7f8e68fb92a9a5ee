"""The silence after a magnetic pulse: when it lifts, and when the first unit is seen again."""

from __future__ import annotations

import math

from decussa.source.virtual.cortex import Pathway, active_threshold_mso
from decussa.source.virtual.pool import voluntary_intervals_ms

#: How gradually units return from silence: mean lateness in ms (from memory, no source).
RETURN_MS = 20.0


def silence_until_ms(pathway: Pathway, intensity_mso: float) -> float:
    """Return when the silence after a pulse lifts, ms from that pulse, on average.

    Lengthens steadily with intensity (Kojima 2013, BMC Neurosci 14:43), towards a plateau of the person's own; about 200 ms
    after the pulse at 1.5 times threshold in a hand muscle (Rev Neurol 1999, doi 10.33588/rn.2803.98238).
    """
    share = intensity_mso / active_threshold_mso(pathway)
    if share <= 0.9:
        return 0.0
    return pathway.base_ms + 12.0 + pathway.silence_ms * -math.expm1(-(share - 0.9) / 0.5)


def return_lag_ms(pathway: Pathway, contraction_pct: float) -> float:
    """Return how long after the silence lifts the first unit is seen, on average, in ms.

    The n units lift one by one, exponentially late, each somewhere in its rhythm, so the first of all follows a Rayleigh
    distribution.
    """
    unit, interval_ms = voluntary_intervals_ms(pathway.pool, contraction_pct)
    return math.sqrt(math.pi / 2 * RETURN_MS * float(interval_ms.mean()) / unit.size)
