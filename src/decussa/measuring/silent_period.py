"""Silent period of a contracting muscle, with its interval, from a model of the sweep: response, silence, return."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import t as student_t

from decussa.measuring.artifact import clean
from decussa.measuring.door import check_sweeps, check_window, check_window_inside
from decussa.measuring.latency import LEVEL, model_onsets
from decussa.measuring.silence_bins import ORDER
from decussa.measuring.silence_posterior import LEAST_SILENCE_MS, QUIETEST_MS, find_returns
from decussa.model.estimate import Estimate, SilentPeriod

Array = NDArray[np.float64]

#: Sweeps are brought near this rate by averaging neighbours.
WORKING_HZ = 5000.0
METHOD = "median of the posterior, EMG returning over a noise floor"
#: Why there is no silent period, by the code in ``Silences.why``.
REASONS = (
    "",
    "samples are missing or the sweep is too short",
    "no contraction: the baseline is not above the noise floor",
    "no silence after the response",
    "EMG does not return before the sweep ends",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Silences:
    """Silences in ms from the test pulse, one per sweep; NaN where there is none, ``why`` then counts into ``REASONS``.

    ``start_ms`` is the end of the response, ``end_ms`` the start of the return of activity; ``low_ms`` and ``high_ms`` hold
    the central 95 % of the widened posterior of ``end_ms``.
    """

    start_ms: Array
    end_ms: Array
    low_ms: Array
    high_ms: Array
    why: NDArray[np.int64]


def model_silences(
    bridged_uv: NDArray[np.float32],
    rate_hz: float,
    onset_sample: int,
    *,
    response_end_ms: Array | float,
    window_ms: tuple[float, float] = (10.0, 50.0),
    artifact_end_ms: Array | float = 0.0,
    baseline_ms: tuple[float, float] = (-100.0, -5.0),
    first_pulse_ms: Array | float = 0.0,
    search_end_ms: float = math.inf,
    intervals: bool = True,
) -> Silences:
    """Estimate start and end of the silence in every sweep.

    Parameters
    ----------
    bridged_uv : ndarray of float32, shape (n_sweeps, n_samples), microvolt
        Sweeps whose stimulus artifact is bridged, not filtered otherwise.
    rate_hz : float
        Sampling rate.
    onset_sample : int
        Sample of the test pulse.
    response_end_ms : float or ndarray, shape (n_sweeps,)
        End of the response (``Onsets.end_ms``); the silence is looked for from there.
    window_ms, artifact_end_ms : (float, float), float or ndarray of shape (n_sweeps,)
        Where no response was found (NaN), the silence is looked for from the window's start or the artifact's end.
    baseline_ms : (float, float)
        Steady contraction before the first pulse, from which it counts.
    first_pulse_ms : float or ndarray, shape (n_sweeps,)
        Where the first pulse lies: 0, or minus the interstimulus interval.
    search_end_ms : float
        The return is looked for up to here, or to the end of the sweep.
    intervals : bool
        Whether ``low_ms`` and ``high_ms`` are filled.

    Returns
    -------
    Silences
        NaN with a reason where there is no contraction, no silence, no return or no number to work with.

    Notes
    -----
    Median of the posterior of the return under the model of ``silence_kernel``: EMG with the spectrum of the baseline on a
    floor, a return that takes 0 to 55 ms, breaks allowed; flat prior over time. The interval is wider than the posterior by what
    the model does not know of its own errors (``doubt``).
    """
    bridged = np.ascontiguousarray(bridged_uv, dtype=np.float32)
    n_sweeps = bridged.shape[0]
    factor = max(1, int(rate_hz / WORKING_HZ + 1e-9))
    step_ms = 1e3 * factor / rate_hz
    first_ms = np.broadcast_to(np.asarray(first_pulse_ms, dtype=np.float64), n_sweeps)
    after_ms = np.where(np.isnan(response_end_ms), np.fmax(window_ms[0], artifact_end_ms), response_end_ms)
    begins = np.maximum(0, onset_sample + np.ceil((first_ms + baseline_ms[0]) * rate_hz / 1e3)).astype(np.int64)
    last_ms = min(search_end_ms, (bridged.shape[1] - onset_sample) * 1e3 / rate_hz)
    counts = (onset_sample + math.floor(last_ms * rate_hz / 1e3) - begins) // factor
    zeros = (onset_sample - begins - 0.5 * (factor - 1)) / factor
    bases = (zeros + (first_ms + baseline_ms[1]) / step_ms).astype(np.int64)
    starts = np.ceil(zeros + after_ms / step_ms).astype(np.int64)
    short = counts - starts < max((QUIETEST_MS + LEAST_SILENCE_MS) / step_ms, 4 * ORDER)
    places, why = np.full((n_sweeps, 3), np.nan), np.ones(n_sweeps, dtype=np.int64)
    bases[short | (bases < 4 * ORDER)] = 0
    find_returns(bridged, factor, step_ms, begins, bases, starts, counts, intervals, places, why)
    places[why > 0] = np.nan
    times = (starts - 0.5 - zeros)[:, None] * step_ms + places * step_ms
    start_ms = np.where(why == 0, response_end_ms, np.nan)
    return Silences(start_ms=start_ms, end_ms=times[:, 0], low_ms=times[:, 1], high_ms=times[:, 2], why=why)


def silent_period(
    samples_uv: ArrayLike,
    rate_hz: float,
    onset_sample: int,
    *,
    window_ms: tuple[float, float] = (10.0, 50.0),
    search_ms: tuple[float, float] | None = None,
) -> SilentPeriod:
    """Estimate the silent period in one sweep, or its mean over several sweeps taken together.

    Parameters
    ----------
    samples_uv : array, shape (n_samples,) or (n_sweeps, n_samples), microvolt
        Sweeps as recorded during contraction; artifacts are bridged first.
    rate_hz : float
        Sampling rate.
    onset_sample : int
        Sample of the test pulse, with 100 ms of contraction before it.
    window_ms : (float, float)
        The response begins in it.
    search_ms : (float, float), optional
        The return of activity is looked for in it; from the end of the response to the end of the sweep where omitted.

    Returns
    -------
    SilentPeriod
        ``start``: end of the response; ``end``: start of the return of activity; ``duration``: from the onset of the response to
        ``end``; ms from the test pulse. NaN with a reason where there is no contraction, no silence or no return. Of several
        sweeps, those without an answer are left out; ``n`` counts the others.

    Raises
    ------
    UsageError
        If shape, rate, sample or windows cannot be meant.
    """
    samples = check_sweeps(samples_uv, rate_hz, onset_sample)
    check_window_inside(window_ms, "window_ms", rate_hz, onset_sample, samples.shape[1])
    if search_ms is not None:
        check_window(search_ms, "search_ms")
    cleaned = clean(samples, rate_hz, onset_sample)
    onsets = model_onsets(
        cleaned.bridged_uv, rate_hz, onset_sample, window_ms=window_ms, artifact_end_ms=cleaned.artifact_end_ms
    )
    there = onsets.response_p >= 0.5
    silences = model_silences(
        cleaned.bridged_uv, rate_hz, onset_sample,
        response_end_ms=np.where(there, onsets.end_ms, np.nan) if search_ms is None else search_ms[0],
        window_ms=window_ms, artifact_end_ms=cleaned.artifact_end_ms,
        search_end_ms=math.inf if search_ms is None else search_ms[1],
    )  # fmt: skip
    onset = pool_estimates(onsets.latency_ms[there], onsets.low_ms[there], onsets.high_ms[there], "no response")
    start = pool_estimates(onsets.end_ms[there], onsets.end_low_ms[there], onsets.end_high_ms[there], "no response")
    found = silences.why == 0
    why = REASONS[int(np.bincount(silences.why[~found]).argmax())] if not found.any() else ""
    end = pool_estimates(silences.end_ms[found], silences.low_ms[found], silences.high_ms[found], why)
    both = found & there
    low = (
        silences.end_ms
        - onsets.latency_ms
        - np.hypot(silences.end_ms - silences.low_ms, onsets.high_ms - onsets.latency_ms)
    )
    high = (
        silences.end_ms
        - onsets.latency_ms
        + np.hypot(silences.high_ms - silences.end_ms, onsets.latency_ms - onsets.low_ms)
    )
    duration = pool_estimates(
        (silences.end_ms - onsets.latency_ms)[both],
        low[both],
        high[both],
        end.reason or onset.reason or "no sweep with both",
    )
    return SilentPeriod(start=start, end=end, duration=duration)


def pool_estimates(value: Array, low: Array, high: Array, why_not: str) -> Estimate:
    """One estimate, or the mean of several that differ from sweep to sweep.

    The mean weighs every sweep by its own variance plus that between sweeps (DerSimonian and Laird 1986, doi
    10.1016/0197-2456(86)90046-2), with limits by Hartung and Knapp 2001 (doi 10.1002/sim.791): t on n - 1 degrees of freedom.
    """
    n = value.size
    if n == 0:
        return Estimate(method=METHOD, reason=why_not)
    if n == 1:
        return Estimate(value=float(value[0]), low=float(low[0]), high=float(high[0]), level=LEVEL, n=1, method=METHOD)
    variance = np.maximum((high - low) / (2 * 1.959964), 1e-3) ** 2
    weight = 1.0 / variance
    mean = (weight * value).sum() / weight.sum()
    excess = (weight * (value - mean) ** 2).sum() - (n - 1)
    between = max(0.0, excess / (weight.sum() - (weight**2).sum() / weight.sum()))
    weight = 1.0 / (variance + between)
    mean = float((weight * value).sum() / weight.sum())
    spread = math.sqrt(max(float((weight * (value - mean) ** 2).sum()) / (n - 1), 1.0) / float(weight.sum()))
    reach = float(student_t.ppf(0.5 + LEVEL / 2, n - 1)) * spread
    return Estimate(
        value=mean,
        low=mean - reach,
        high=mean + reach,
        level=LEVEL,
        n=n,
        method=f"{METHOD}; random-effects mean over sweeps",
    )
