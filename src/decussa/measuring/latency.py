"""Onset latency and end of a response, with their interval, from a model of the sweep: noise, then a smooth start."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from decussa.measuring.artifact import clean
from decussa.measuring.compiled import compiled
from decussa.measuring.door import check_sweeps, check_window_inside
from decussa.measuring.door import first_pulse_ms as first_pulses
from decussa.measuring.drift import DriftFilters, drift_filters
from decussa.measuring.onset_kernel import ORDER, response_strength, thin
from decussa.measuring.onset_posterior import read_posterior, weigh_ends, weigh_under_drift
from decussa.measuring.smooth_start import StartFamily, start_family
from decussa.measuring.whitening import fit_noise, take_drift_away, take_level_away, whiten
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate
from decussa.model.sweep import SamplesUv

Array = NDArray[np.float64]
Window = tuple[float, float]

#: A response may go on so long after the window in which it must begin.
AFTER_WINDOW_MS = 15.0
#: Sweeps are brought near this rate by averaging neighbours: no response holds more.
WORKING_HZ = 5000.0
#: Onsets are tried so close together.
GRID_MS = 0.2
#: Where the strongest stretch of a response is weaker than this, in units of the whitened noise, a coarser look is enough: onsets
#: so close together, and half of the rate if it is not below ``WEAK_HZ``. What is lost lies below the noise.
WEAK = 3.0
WEAK_GRID_MS = 0.4
WEAK_HZ = 2500.0
LEVEL = 0.95
METHOD = "median of the posterior, smooth start over whitened noise"
#: Fewest samples that a noise model is learnt from.
LEAST_BASELINE = 32


class Look(NamedTuple):
    """How finely a sweep is looked at: how many neighbours are averaged, and what is laid over what comes of it.

    Parameters
    ----------
    factor : int
        So many neighbours are averaged.
    family : StartFamily
        Responses at the rate that is left.
    drift : DriftFilters
        Drift at that rate.
    """

    factor: int
    family: StartFamily
    drift: DriftFilters


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Onsets:
    """Onsets and ends of responses in ms from the test pulse, one per sweep; NaN where nothing could be measured.

    Onset and end are given as if there were a response: whether there is one is for the caller to judge. ``low_ms`` and
    ``high_ms`` hold the central 95 % of the widened posterior of the onset, ``end_low_ms`` and ``end_high_ms`` that of the end;
    ``response_p`` is the probability of a response by its shape in time, ``wander_p`` that of a level that wanders under it.
    """

    latency_ms: Array
    low_ms: Array
    high_ms: Array
    end_ms: Array
    end_low_ms: Array
    end_high_ms: Array
    response_p: Array
    wander_p: Array


def model_onsets(
    bridged_uv: NDArray[np.float32],
    rate_hz: float,
    onset_sample: int,
    *,
    window_ms: Window = (10.0, 50.0),
    baseline_ms: Window = (-100.0, -5.0),
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
        Where the artifact of the test pulse ends (NaN: there is none); where the first pulse lies (0, or minus the
        interstimulus interval).
    intervals : bool
        Whether the intervals are filled.

    Returns
    -------
    Onsets
        NaN where samples are not finite, the baseline is constant or too short, or the artifact covers the window.

    Notes
    -----
    Median of the posterior of the onset under: whitened noise of an autoregressive baseline with rare large samples, then a
    response out of a family of smooth starts (``smooth_start``), flat prior over the window. Nothing is filtered backwards.
    The intervals are wider than the posterior by what the model does not know of its own errors (``doubt``).
    """
    bridged = np.ascontiguousarray(bridged_uv, dtype=np.float32)
    n_sweeps = bridged.shape[0]
    found = np.full((n_sweeps, 8), np.nan)
    factor = max(1, int(rate_hz / WORKING_HZ + 1e-9))
    weak_factor = 2 * factor if rate_hz / factor >= 2.0 * WEAK_HZ else factor
    last_ms = window_ms[1] + AFTER_WINDOW_MS
    measure_onset_block(
        bridged, float(rate_hz), onset_sample, _floats(window_ms), _floats(baseline_ms),
        np.broadcast_to(np.nan_to_num(artifact_end_ms), n_sweeps).astype(np.float64),
        np.broadcast_to(np.asarray(first_pulse_ms, dtype=np.float64), n_sweeps).copy(),
        look_every(factor, rate_hz, last_ms, GRID_MS), look_every(weak_factor, rate_hz, last_ms, WEAK_GRID_MS),
        intervals, found,
    )  # fmt: skip
    return Onsets(
        latency_ms=found[:, 0], low_ms=found[:, 1], high_ms=found[:, 2], end_ms=found[:, 3], end_low_ms=found[:, 4],
        end_high_ms=found[:, 5], response_p=found[:, 6], wander_p=found[:, 7],
    )  # fmt: skip


def look_every(factor: int, rate_hz: float, last_ms: float, grid_ms: float) -> Look:
    """How a sweep sampled at ``rate_hz`` is looked at up to ``last_ms`` if so many neighbours are averaged."""
    hz = rate_hz / factor
    return Look(factor, start_family(hz, grid_ms), drift_filters(hz, math.ceil(max(last_ms, 0.0) * hz / 1e3) + 2))


def _floats(window: Window) -> Window:
    return float(window[0]), float(window[1])


@compiled
def measure_onset_block(
    bridged: NDArray[np.float32], rate_hz: float, onset_sample: int, window_ms: Window, baseline_ms: Window,
    artifact_end_ms: Array, first_pulse_ms: Array, look: Look, weak_look: Look, intervals: bool, found: Array,
) -> None:  # fmt: skip
    """Fill onset, its limits, end, its limits and both probabilities of every sweep into ``found``, shape (n_sweeps, 8).

    Where the response is weak it is looked at otherwise.
    """
    for i in range(bridged.shape[0]):
        begin = max(0, onset_sample + math.ceil((first_pulse_ms[i] + baseline_ms[0]) * rate_hz / 1e3))
        stop = min(bridged.shape[1], onset_sample + math.floor((window_ms[1] + AFTER_WINDOW_MS) * rate_hz / 1e3))
        sweep, before_pulse = bridged[i, begin:stop], onset_sample - begin
        baseline_end_ms, artifact_ms = first_pulse_ms[i] + baseline_ms[1], artifact_end_ms[i]
        weak = measure_onset(
            sweep, before_pulse, 1e3 / rate_hz, window_ms, baseline_end_ms, artifact_ms, look, intervals, WEAK, found[i]
        )
        if weak:
            measure_onset(
                sweep, before_pulse, 1e3 / rate_hz, window_ms, baseline_end_ms, artifact_ms, weak_look, intervals, 0.0,
                found[i],
            )  # fmt: skip


@compiled
def measure_onset(
    sweep: NDArray[np.float32], before_pulse: int, sample_ms: float, window_ms: Window, baseline_end_ms: float,
    artifact_end_ms: float, look: Look, intervals: bool, least_strength: float, found: Array,
) -> bool:  # fmt: skip
    """Fill what is found in one sweep, from its baseline on; return True, with nothing filled, below ``least_strength``."""
    factor, family, drift = look
    step_ms, places = sample_ms * factor, family.places
    raw = thin(sweep, 0, sweep.size, factor)
    zero = (before_pulse - 0.5 * (factor - 1)) / factor  # place of the test pulse among the thinned samples
    base = int(zero + baseline_end_ms / step_ms)
    first = math.ceil(zero + max(window_ms[0], artifact_end_ms) / step_ms)
    last = min(raw.size - 1, math.floor(zero + window_ms[1] / step_ms))
    if base < LEAST_BASELINE or last <= first:
        return False
    baseline, coefficients = np.empty(base), np.empty(ORDER + 1)
    take_drift_away(raw[:base], 1e3 / step_ms, baseline)
    variance = fit_noise(baseline, ORDER, coefficients)
    if not (variance > 0.0 and take_level_away(raw, base)):
        return False
    for j in range(ORDER + 1):
        coefficients[j] /= math.sqrt(variance)
    white, start = np.empty(raw.size), max(0, base - ORDER)
    whiten(raw[start:], coefficients, white[start:])
    if base >= 2 * LEAST_BASELINE and response_strength(white, first, 1e3 / step_ms) < least_strength:
        return True
    clear = min(first, ORDER + max(0, math.ceil(zero + max(0.0, artifact_end_ms) / step_ms)))
    weights = np.empty((last - first + 1) * places)
    loose = np.empty(weights.size if intervals else 0)
    weighed = weigh_under_drift(
        white, baseline, coefficients, clear, first, last, step_ms, family, drift, weights, loose
    )
    value, early, late = read_posterior(weights, loose, step_ms / places, weighed.hidden_ms)
    start_ms = (first - 1 - zero) * step_ms
    found[0], found[1], found[2] = start_ms + value, start_ms + early, start_ms + late
    rest = raw[int(zero + found[0] / step_ms) :]
    if rest.size >= LEAST_BASELINE:
        ends = np.empty((rest.size - ORDER) * places)
        loose = np.empty(ends.size if intervals else 0)
        weigh_ends(rest, coefficients, weighed.share, weighed.independent, step_ms, family, ends, loose)
        value, late, early = read_posterior(ends, loose, step_ms / places, weighed.hidden_ms)
        stop_ms = (raw.size - ORDER - zero) * step_ms
        found[3], found[4], found[5] = stop_ms - value, stop_ms - early, stop_ms - late
    found[6], found[7] = probability(weighed.evidence), probability(weighed.wander)
    return False


@compiled
def probability(evidence: float) -> float:
    """Probability for log odds."""
    return 1.0 / (1.0 + math.exp(-min(max(evidence, -700.0), 700.0)))


def onset_latency(
    samples_uv: ArrayLike,
    rate_hz: float,
    onset_sample: int,
    window_ms: Window = (10.0, 50.0),
    *,
    isi_ms: float | None = None,
) -> Estimate:
    """Estimate the onset latency of the response in one sweep.

    Parameters
    ----------
    samples_uv : array, shape (n_samples,), microvolt
        One sweep as recorded; its artifacts are bridged first.
    rate_hz : float
        Sampling rate.
    onset_sample : int
        Sample of the test pulse; at least 50 ms of baseline lie before the first pulse.
    window_ms : (float, float)
        The onset lies in it.
    isi_ms : float, optional
        Interval to the conditioning pulse, where there is one.

    Returns
    -------
    Estimate
        In ms from the test pulse, with the central 95 % of its posterior. NaN with a reason where a response is less likely
        than none.

    Raises
    ------
    UsageError
        If shape, rate, sample, window or interval cannot be meant.
    """
    samples = check_one_sweep(samples_uv, rate_hz, onset_sample)
    check_window_inside(window_ms, "window_ms", rate_hz, onset_sample, samples.shape[1])
    cleaned = clean(samples, rate_hz, onset_sample, isi_ms=isi_ms)
    onsets = model_onsets(
        cleaned.bridged_uv, rate_hz, onset_sample, window_ms=window_ms, artifact_end_ms=cleaned.artifact_end_ms,
        first_pulse_ms=first_pulses(isi_ms, 1),
    )  # fmt: skip
    probability = float(onsets.response_p[0])
    if math.isnan(probability):
        return Estimate(
            n=1,
            method=METHOD,
            reason="samples are missing, the baseline is constant, or too little is free of artifact",
        )
    if probability < 0.5:
        return Estimate(n=1, method=METHOD, reason=f"no response: probability {probability:.2g}")
    return Estimate(
        value=float(onsets.latency_ms[0]), low=float(onsets.low_ms[0]), high=float(onsets.high_ms[0]), level=LEVEL, n=1,
        method=METHOD,
    )  # fmt: skip


def check_one_sweep(samples_uv: ArrayLike, rate_hz: float, onset_sample: int) -> SamplesUv:
    """Return one sweep as a batch of one, shape (1, n_samples)."""
    samples = check_sweeps(samples_uv, rate_hz, onset_sample)
    if np.ndim(samples_uv) != 1:
        raise UsageError("samples_uv is not one sweep", expected="shape (n_samples,)", found=str(np.shape(samples_uv)))
    return samples
