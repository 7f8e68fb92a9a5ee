"""Background EMG: RMS about the mean in the baseline before the first pulse, on the recorded samples.

Defaults to 100 ms that end 5 ms before the pulse, with a limit of 10 uV at rest described as usual (preprint 2025 on very low
amplitude muscle activity and motor evoked potentials).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from decussa.measuring.compiled import compiled
from decussa.measuring.door import Window, check_sweeps, check_window, first_pulse_ms
from decussa.measuring.moments import moments
from decussa.model.sweep import SamplesUv

BASELINE_MS: Window = (-100.0, -5.0)


def background_rms(
    samples_uv: ArrayLike,
    rate_hz: float,
    onset_sample: int,
    *,
    baseline_ms: Window = BASELINE_MS,
    isi_ms: ArrayLike | None = None,
) -> NDArray[np.float64]:
    """Return the background of each sweep in microvolt RMS, shape (n_sweeps,).

    Parameters
    ----------
    samples_uv : array, shape (n_sweeps, n_samples) or (n_samples,), microvolt
        As recorded.
    baseline_ms : (float, float)
        From the first pulse; clipped to the sweep where it reaches before its start.
    isi_ms : None, number or array of shape (n_sweeps,), ms
        Interval to the conditioning pulse, None or NaN where there is none.

    Returns
    -------
    NaN where the baseline holds fewer than 2 samples or one that is not finite.
    """
    samples = check_sweeps(samples_uv, rate_hz, onset_sample)
    window = check_window(baseline_ms, "baseline_ms")
    levels = np.empty(samples.shape[0])
    _background_of_all(
        samples, float(rate_hz), int(onset_sample), window, first_pulse_ms(isi_ms, samples.shape[0]), levels
    )
    return levels


@compiled
def baseline_span(
    n_samples: int, rate_hz: float, onset: int, baseline_ms: tuple[float, float], first_ms: float
) -> tuple[int, int]:
    """First sample of the baseline and the first after it, within the sweep."""
    start = math.floor(onset + (first_ms + baseline_ms[0]) * rate_hz / 1e3 + 0.5)
    stop = math.floor(onset + (first_ms + baseline_ms[1]) * rate_hz / 1e3 + 0.5) + 1
    return max(0, int(start)), min(n_samples, int(stop))


@compiled
def mean_and_rms(row: SamplesUv, start: int, stop: int) -> tuple[float, float]:
    """Mean of the samples, and RMS about it; NaN for fewer than 2 samples."""
    if stop - start < 2:
        return math.nan, math.nan
    mean, power, _ = moments(row[start:stop])
    return mean, math.sqrt(power / (stop - start))


@compiled
def _background_of_all(
    samples: SamplesUv,
    rate_hz: float,
    onset: int,
    baseline_ms: tuple[float, float],
    first_ms: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    for i in range(samples.shape[0]):
        start, stop = baseline_span(samples.shape[1], rate_hz, onset, baseline_ms, first_ms[i])
        out[i] = mean_and_rms(samples[i], start, stop)[1]
