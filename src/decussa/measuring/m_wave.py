"""The M-wave: direct response of the muscle to a pulse to its nerve, peak-to-peak in its own early window.

At most 1 ms after the pulse is blanked, so that an M-wave from about 1.5 ms on is measured whole (from memory, to be confirmed
in the lab); the window ends before the H-reflex.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from decussa.measuring.door import Window
from decussa.measuring.sweeps import measure_sweeps

WINDOW_MS: Window = (1.5, 14.0)


def m_wave(
    samples_uv: ArrayLike, rate_hz: float, onset_sample: int, *, window_ms: Window = WINDOW_MS
) -> NDArray[np.float64]:
    """Return the raw peak-to-peak of the M-wave of each sweep in microvolt, shape (n_sweeps,); NaN without finite samples.

    Parameters
    ----------
    samples_uv : array, shape (n_sweeps, n_samples) or (n_samples,), microvolt
        Sweeps around pulses to the nerve, with the default baseline before them.
    window_ms : (float, float)
        Forearm by default.
    """
    values = measure_sweeps(
        samples_uv, rate_hz, onset_sample, window_ms=window_ms, onset=None, intervals=False, nerve=True
    )
    amplitude: NDArray[np.float64] = values["amplitude_uv"]
    return amplitude


def peripheral_latency(f_latency_ms: float, m_latency_ms: float) -> float:
    """Return the peripheral motor latency in ms from the shortest F-wave and the distal motor latency.

    (F + M - 1) / 2, with 1 ms for the turn-round in the spinal cord: Groppa 2012, doi 10.1016/j.clinph.2012.01.010 (layout of
    the formula from memory).
    """
    return (f_latency_ms + m_latency_ms - 1.0) / 2.0
