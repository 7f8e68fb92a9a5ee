"""Area: integral of the rectified signal over the window by the trapezoid rule, the baseline's mean removed first.

The background's own rectified level is not subtracted; artifacts are bridged.
"""

from __future__ import annotations

from decussa.measuring.compiled import compiled
from decussa.model.sweep import SamplesUv


@compiled
def rectified_area(bridged: SamplesUv, start: int, stop: int, level: float, step_ms: float) -> float:
    """Area in uV ms of ``bridged`` from sample ``start`` to ``stop`` - 1, rectified about ``level``."""
    total = 0.0
    for k in range(start, stop):
        total += abs(float(bridged[k]) - level)
    total -= 0.5 * (abs(float(bridged[start]) - level) + abs(float(bridged[stop - 1]) - level))
    return total * step_ms
