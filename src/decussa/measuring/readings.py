"""What one pass reads off a sweep, before anything is worked out from it: the columns of an array with one row per sweep.

NaN where there is nothing to read. Artifacts lie from their first sample to the first after them; ``FIRST`` is that of the
conditioning pulse of a pair, ``TEST`` that of the test pulse, ``LAG`` the way from one to the other, all in samples. Noise is
told by its RMS and by how many independent samples a ms of it holds (its density); ``SMOOTH`` marks the smoothed sweep.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Where the artifacts lie; ``artifact`` counts on these being the first five.
FIRST_START, FIRST_END, TEST_START, TEST_END, LAG = range(5)
BACKGROUND, DENSITY, AMPLITUDE, FIRST_AMPLITUDE, AREA, CLIPPED = range(5, 11)
SMOOTH_RMS, SMOOTH_DENSITY, SMOOTH_AMPLITUDE, SMOOTH_BASELINE = range(11, 15)
#: Onset and end by the published threshold, in ms.
RUN_START, RUN_END = 15, 16
#: Start and end of the silence by the published chart, in ms: behind that end, and where there is no response.
SILENCE_START, SILENCE_END, LONE_START, LONE_END = range(17, 21)
COLUMNS = 21


def blank_readings(n_sweeps: int) -> NDArray[np.float64]:
    """Return readings with nothing read yet, shape (n_sweeps, COLUMNS)."""
    readings = np.full((n_sweeps, COLUMNS), np.nan)
    readings[:, CLIPPED] = 0.0
    return readings
