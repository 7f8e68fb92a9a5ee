"""Onset latency and end of a response, with their interval, from a model of the sweep: noise, then a smooth start."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decussa.measure.compiled import compiled
from decussa.measure.onset_kernel import LEAST_DOUBT_MS, ORDER, blur, quantile, thin, weigh_onsets
from decussa.measure.smooth_start import start_family
from decussa.measure.whitening import fit_noise, outlier_share, take_drift_away, whiten

Array = NDArray[np.float64]

#: A response may go on so long after the window in which it must begin.
AFTER_WINDOW_MS = 15.0
#: Sweeps are brought near this rate by averaging neighbours: no response holds more.
WORKING_HZ = 5000.0
LEVEL = 0.95


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Onsets:
    """Onsets and ends of responses in ms from the test pulse, one per sweep; NaN where there is no response to speak of.

    ``low_ms`` and ``high_ms`` hold the central 95 % of the posterior of the onset; ``response_p`` is the probability of a
    response, by its shape and before any look at its size.
    """

    latency_ms: Array
    low_ms: Array
    high_ms: Array
    end_ms: Array
    response_p: Array


def model_onsets(
    bridged_uv: NDArray[np.float32],
    rate_hz: float,
    onset_sample: int,
    *,
    window_ms: tuple[float, float] = (10.0, 50.0),
    baseline_ms: tuple[float, float] = (-100.0, -5.0),
    artifact_end_ms: Array | float = 0.0,
    first_pulse_ms: Array | float = 0.0,
    intervals: bool = True,
) -> Onsets:
    """Estimate onset and end of the response in every sweep.

    Parameters
    ----------
    bridged_uv : ndarray of float32, shape (n_sweeps, n_samples), microvolt
        Sweeps whose stimulus artifact is bridged, not filtered otherwise.
    rate_hz : float
        Sampling rate.
    onset_sample : int
        Sample of the test pulse.
    window_ms : (float, float)
        The onset lies in it.
    baseline_ms : (float, float)
        Noise is learnt here; counts from the first pulse.
    artifact_end_ms, first_pulse_ms : float or ndarray, shape (n_sweeps,)
        Where the artifact of the test pulse ends (NaN: there is none); where the first pulse lies (0, or minus the interstimulus interval).
    intervals : bool
        Whether ``low_ms`` and ``high_ms`` are filled.

    Returns
    -------
    Onsets
        NaN where a response is less likely than none, where samples are not finite or the baseline is constant.

    Notes
    -----
    Median of the posterior of the onset under: whitened noise of an autoregressive baseline with rare large samples, then a
    response out of a family of smooth starts (``smooth_start``), flat prior over the window. Nothing is filtered backwards.
    """
    bridged = np.ascontiguousarray(bridged_uv, dtype=np.float32)
    n_sweeps = bridged.shape[0]
    factor = max(1, int(rate_hz / WORKING_HZ + 1e-9))
    family = start_family(rate_hz / factor)
    found = np.full((n_sweeps, 5), np.nan)
    _measure_onsets(
        bridged, float(rate_hz), onset_sample, factor, window_ms, baseline_ms,
        np.broadcast_to(np.nan_to_num(artifact_end_ms), n_sweeps).astype(np.float64),
        np.broadcast_to(np.asarray(first_pulse_ms, dtype=np.float64), n_sweeps).copy(),
        family.carry, family.step_form, family.step_cost, family.start_form, family.start_cost, found,
    )  # fmt: skip
    if not intervals:
        found[:, 1:3] = np.nan
    return Onsets(
        latency_ms=found[:, 0], low_ms=found[:, 1], high_ms=found[:, 2], end_ms=found[:, 3], response_p=found[:, 4]
    )


@compiled
def _measure_onsets(
    bridged: NDArray[np.float32], rate_hz: float, onset_sample: int, factor: int,
    window_ms: tuple[float, float], baseline_ms: tuple[float, float], artifact_end_ms: Array, first_pulse_ms: Array,
    carry: Array, step_form: Array, step_cost: Array, start_form: Array, start_cost: Array, found: Array,
) -> None:  # fmt: skip
    for i in range(bridged.shape[0]):
        begin = max(0, onset_sample + math.ceil((first_pulse_ms[i] + baseline_ms[0]) * rate_hz / 1e3))
        stop = min(bridged.shape[1], onset_sample + math.floor((window_ms[1] + AFTER_WINDOW_MS) * rate_hz / 1e3))
        flat = thin(bridged[i], begin, stop, factor)
        if not np.isfinite(flat).all():
            continue
        slow_hz = rate_hz / factor
        zero = (onset_sample - begin - 0.5 * (factor - 1)) / factor  # place of the test pulse among the thinned samples
        base = int(zero + (first_pulse_ms[i] + baseline_ms[1]) * slow_hz / 1e3)
        first = math.ceil(zero + max(window_ms[0], artifact_end_ms[i]) * slow_hz / 1e3)
        last = min(flat.size - 1, math.floor(zero + window_ms[1] * slow_hz / 1e3))
        if base < 4 * ORDER or last <= first:
            continue
        drifting = flat.copy()
        take_drift_away(drifting, slow_hz, flat)
        coefficients = np.empty(ORDER + 1)
        variance = fit_noise(flat[:base], ORDER, coefficients)
        if not variance > 0.0:
            continue
        white = np.empty(flat.size)
        whiten(flat, coefficients, math.sqrt(variance), white)
        share = outlier_share(white[ORDER:base])
        places = start_cost.shape[3]
        weights = np.empty((last - first + 1) * places)
        evidence = weigh_onsets(
            white, first, last, slow_hz, share, carry, step_form, step_cost, start_form, start_cost, weights
        )
        found[i, 4] = 1.0 / (1.0 + math.exp(-min(max(evidence, -700.0), 700.0)))
        if found[i, 4] < 0.5:
            continue
        weights = blur(weights, LEAST_DOUBT_MS * slow_hz / 1e3 * places)
        for column, part in enumerate((0.5, 0.025, 0.975)):
            place = first - 1 + quantile(weights, part) / places
            found[i, column] = (place - zero) * 1e3 / slow_hz
        onset = int(first - 1 + quantile(weights, 0.5) / places)
        # the end is the onset of the reversed sweep
        drifting = drifting[onset:][::-1].copy()
        flat = np.empty(drifting.size)
        take_drift_away(drifting, slow_hz, flat)
        white = np.empty(flat.size)
        whiten(flat, coefficients, math.sqrt(variance), white)
        tail = int(AFTER_WINDOW_MS * slow_hz / 1e3)
        level = 1.4826 * np.median(np.abs(white[ORDER:tail]))
        white /= min(max(level, 0.02), 1.0)
        begin_ = ORDER
        end_ = white.size - 1
        if end_ <= begin_ + 3:
            continue
        weights = np.empty((end_ - begin_ + 1) * places)
        weigh_onsets(white, begin_, end_, slow_hz, share, carry, step_form, step_cost, start_form, start_cost, weights)
        place = begin_ - 1 + quantile(weights, 0.5) / places
        found[i, 3] = (onset + white.size - 1 - place - zero) * 1e3 / slow_hz
