"""Area: integral of the rectified signal over the window by the trapezoid rule, the baseline's mean removed first.

The background's own rectified level is not subtracted; artifacts are bridged.
"""

from __future__ import annotations

import numpy as np

from decussa.measuring.compiled import compiled
from decussa.measuring.stretch import magnitude_about
from decussa.model.sweep import SamplesUv


@compiled
def rectified_area(bridged: SamplesUv, start: int, stop: int, level: float, step_ms: float) -> float:
    """Area in uV ms of ``bridged`` from sample ``start`` to ``stop`` - 1, rectified about ``level``."""
    ends = abs(np.float64(bridged[start]) - level) + abs(np.float64(bridged[stop - 1]) - level)
    return (magnitude_about(bridged[start:stop], level) - 0.5 * ends) * step_ms
