"""The filter that sizes are read from. It is never run across a stimulus artifact: bridge it first (``artifact``).

Smoothing by sliding polynomials of fourth degree: Savitzky and Golay 1964, Anal Chem 36:1627, doi 10.1021/ac60214a047.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from decussa.measuring.compiled import regrouped
from decussa.model.sweep import SamplesUv

#: Half the length of the smoothing polynomial: surface responses pass with a loss of about 1 %, on average.
SMOOTH_HALF_MS = 1.8


@lru_cache(maxsize=32)
def smoothing_taps(rate_hz: float) -> NDArray[np.float32]:
    """Return the weights of the smoothing polynomial at this rate; a single 1 where the rate is too low to smooth."""
    half = round(SMOOTH_HALF_MS * rate_hz / 1e3)
    # five samples determine a polynomial of fourth degree exactly: nothing would be smoothed
    weights = np.array([1.0]) if half < 3 else signal.savgol_coeffs(2 * half + 1, 4)
    taps = np.array(weights, dtype=np.float32)
    taps.setflags(write=False)
    return taps


@regrouped
def smooth_stretch(
    row: SamplesUv, level: float, start: int, stop: int, taps: NDArray[np.float32], out: SamplesUv
) -> None:
    """Fill ``out`` with samples ``start`` to ``stop`` - 1 less ``level``, smoothed; beyond its ends the sweep goes on level.

    ``taps`` are symmetric, an odd number.
    """
    half = taps.size // 2
    n = stop - start
    offset = np.float32(level)  # what rounding does to it is the same for all samples, and no part of a size
    wide = np.empty(n + 2 * half, dtype=np.float32)
    inside = row[max(0, start - half) : min(row.size, stop + half)]
    skipped = max(0, half - start)
    for k in range(skipped):
        wide[k] = row[0] - offset
    middle = wide[skipped : skipped + inside.size]
    for k in range(inside.size):
        middle[k] = inside[k] - offset
    for k in range(skipped + inside.size, wide.size):
        wide[k] = row[row.size - 1] - offset
    centre = wide[half : half + n]
    for k in range(n):
        out[k] = taps[half] * centre[k]
    # three pairs of taps at a time: fewer rounds through the memory
    done = 0
    while done + 3 <= half:
        one, two, three = taps[done], taps[done + 1], taps[done + 2]
        a, b, c = wide[done : done + n], wide[done + 1 : done + 1 + n], wide[done + 2 : done + 2 + n]
        z = wide[2 * half - done : 2 * half - done + n]
        y, x = wide[2 * half - done - 1 : 2 * half - done - 1 + n], wide[2 * half - done - 2 : 2 * half - done - 2 + n]
        for k in range(n):
            out[k] += one * (a[k] + z[k]) + two * (b[k] + y[k]) + three * (c[k] + x[k])
        done += 3
    while done < half:
        early, late = wide[done : done + n], wide[2 * half - done : 2 * half - done + n]
        for k in range(n):
            out[k] += taps[done] * (early[k] + late[k])
        done += 1
