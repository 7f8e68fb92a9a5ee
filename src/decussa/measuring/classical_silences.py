"""Published rules for the silent period, as they are defined, for comparison and for repeating old studies.

They work on a rectified sweep, better on the average of several, in bins of 1 ms: the limits of a control chart depend on the
sampling rate, because neighbouring samples are alike. Times are ms from the test pulse; NaN where a rule finds none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from decussa.measuring.compiled import compiled
from decussa.measuring.silent_period import Silences
from decussa.measuring.stretch import mean_of

Array = NDArray[np.float64]
Window = tuple[float, float]

#: Factors on the mean consecutive difference for limits of 3 and 2 SD: 3/d2(2) and 2/d2(2) with d2(2) = 1.128. That these are
#: the printed figures of Garvey 2001 is from memory.
THREE_SD = 2.66
TWO_SD = 1.77
#: Run below the limit that starts a silence, and stretch of which half must be above it to end one; from memory, to be confirmed.
RUN_MS = 5.0
BIN_MS = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartLimits:
    """Centre and limits of an individuals chart, with the mean consecutive difference they rest on; unit of the input."""

    centre: float
    mean_difference: float
    low: float
    high: float


def chart_limits(baseline: ArrayLike, factor: float = THREE_SD) -> ChartLimits:
    """Return mean -/+ factor x mean consecutive difference: Garvey 2001, doi 10.1016/S1388-2457(01)00581-8.

    The same as the individuals chart of the NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2.

    >>> chart_limits([45.0, 55.0, 45.0, 55.0])
    ChartLimits(centre=50.0, mean_difference=10.0, low=23.4, high=76.6)
    """
    values = np.asarray(baseline, dtype=np.float64)
    centre = float(values.mean())
    difference = float(np.abs(np.diff(values)).mean())
    return ChartLimits(
        centre=centre, mean_difference=difference, low=centre - factor * difference, high=centre + factor * difference
    )


def rectified_bins(sweeps_uv: ArrayLike, rate_hz: float, onset_sample: int, baseline_ms: Window) -> tuple[Array, int]:
    """Average of the rectified sweeps in bins of 1 ms, and the number of bins before the test pulse.

    ``sweeps_uv`` has shape (n_sweeps, n_samples) or (n_samples,); each is rectified about the mean of its baseline. A bin is
    the mean of the samples in it; below 1 kHz the samples themselves are the bins.
    """
    sweeps = np.atleast_2d(np.asarray(sweeps_uv, dtype=np.float64))
    first = max(0, onset_sample + math.ceil(baseline_ms[0] * rate_hz / 1e3))
    last = onset_sample + math.floor(baseline_ms[1] * rate_hz / 1e3)
    rectified = np.abs(sweeps - sweeps[:, first : last + 1].mean(axis=1, keepdims=True)).mean(axis=0)
    time_ms = (np.arange(rectified.size) - onset_sample) * 1e3 / rate_hz
    place = np.floor(time_ms / BIN_MS + 1e-9).astype(np.int64)
    zero = -int(place[0])
    counts = np.bincount(place + zero)
    bins = np.bincount(place + zero, weights=rectified) / np.maximum(counts, 1)
    return bins[counts > 0], int((counts[:zero] > 0).sum())


def control_chart_silence(
    sweeps_uv: ArrayLike, rate_hz: float, onset_sample: int, *, response_ms: float, baseline_ms: Window = (-100.0, -5.0),
    factor: float = THREE_SD, run_ms: float = RUN_MS,
) -> tuple[float, float]:  # fmt: skip
    """Start and end in ms by the mean consecutive difference: Garvey 2001, doi 10.1016/S1388-2457(01)00581-8.

    The silence starts with the first run of ``run_ms`` below the lower limit after ``response_ms`` and ends at the first bin
    above it with at least half of the bins in the following ``run_ms`` above it too. NaN where the lower limit is not above 0:
    then more sweeps must be averaged.
    """
    bins, zero = rectified_bins(sweeps_uv, rate_hz, onset_sample, baseline_ms)
    limits = chart_limits(_baseline(bins, zero, baseline_ms), factor)
    return _below(bins, zero, limits.low, response_ms, run_ms)


def percent_of_mean_silence(
    sweeps_uv: ArrayLike, rate_hz: float, onset_sample: int, *, response_ms: float, baseline_ms: Window = (-100.0, -5.0),
    percent: float = 50.0, run_ms: float = RUN_MS,
) -> tuple[float, float]:  # fmt: skip
    """Start and end in ms: below a percentage of the mean rectified baseline. Common practice, no source."""
    bins, zero = rectified_bins(sweeps_uv, rate_hz, onset_sample, baseline_ms)
    return _below(bins, zero, percent / 100.0 * float(_baseline(bins, zero, baseline_ms).mean()), response_ms, run_ms)


def mean_less_sd_silence(
    sweeps_uv: ArrayLike, rate_hz: float, onset_sample: int, *, response_ms: float, baseline_ms: Window = (-100.0, -5.0),
    threshold_sd: float = 1.0, run_ms: float = RUN_MS,
) -> tuple[float, float]:  # fmt: skip
    """Start and end in ms: below mean - k SD of the rectified baseline. Common practice, no source."""
    bins, zero = rectified_bins(sweeps_uv, rate_hz, onset_sample, baseline_ms)
    baseline = _baseline(bins, zero, baseline_ms)
    return _below(bins, zero, float(baseline.mean() - threshold_sd * baseline.std()), response_ms, run_ms)


def cumulative_sum_silence(
    sweeps_uv: ArrayLike, rate_hz: float, onset_sample: int, *, response_ms: float, baseline_ms: Window = (-100.0, -5.0)
) -> tuple[float, float]:
    """Start and end in ms: highest point of the cumulative sum of (bin - baseline mean), and its lowest point after that.

    Turning points as in King 2005, J Physiol 565P:C21; the choice of the outermost ones is from memory.
    """
    bins, zero = rectified_bins(sweeps_uv, rate_hz, onset_sample, baseline_ms)
    total = np.cumsum(bins - _baseline(bins, zero, baseline_ms).mean())
    first = zero + math.ceil(response_ms / BIN_MS)
    if first >= total.size - 1:
        return math.nan, math.nan
    lowest = first + int(total[first:].argmin())
    highest = first + int(total[first : lowest + 1].argmax())
    if lowest <= highest:
        return math.nan, math.nan
    return (highest + 1 - zero) * BIN_MS, (lowest + 1 - zero) * BIN_MS


def control_chart_silences(
    bridged_uv: NDArray[np.float32], rate_hz: float, onset_sample: int, *, response_end_ms: Array | float,
    window_ms: Window = (10.0, 50.0), artifact_end_ms: Array | float = 0.0, baseline_ms: Window = (-100.0, -5.0),
    first_pulse_ms: Array | float = 0.0, factor: float = THREE_SD, run_ms: float = RUN_MS,
) -> Silences:  # fmt: skip
    """Find start and end by the control chart in every sweep on its own; arguments as for ``model_silences``.

    The method is meant for averages: on one sweep the lower limit is mostly below 0, and the answer then is NaN.
    """
    bridged = np.ascontiguousarray(bridged_uv, dtype=np.float32)
    n_sweeps = bridged.shape[0]
    found = np.full((n_sweeps, 2), np.nan)
    otherwise = np.fmax(window_ms[0], artifact_end_ms)
    _chart_sweeps(
        bridged, float(rate_hz), onset_sample, baseline_ms,
        np.broadcast_to(first_pulse_ms, n_sweeps).astype(np.float64),
        np.broadcast_to(np.where(np.isnan(response_end_ms), otherwise, response_end_ms), n_sweeps).astype(np.float64),
        float(factor), max(1, round(run_ms / BIN_MS)), found,
    )  # fmt: skip
    nothing = np.full(n_sweeps, np.nan)
    why = np.where(np.isnan(found[:, 1]), 3, 0).astype(np.int64)
    return Silences(start_ms=found[:, 0], end_ms=found[:, 1], low_ms=nothing, high_ms=nothing, why=why)


@compiled
def _chart_sweeps(
    bridged: NDArray[np.float32], rate_hz: float, onset_sample: int, baseline_ms: Window, first_pulse_ms: Array,
    response_ms: Array, factor: float, run: int, found: Array,
) -> None:  # fmt: skip
    per_bin = rate_hz * BIN_MS / 1e3
    after = int((bridged.shape[1] - onset_sample) / per_bin)
    for i in range(bridged.shape[0]):
        from_, _, level, low = chart_of(bridged[i], rate_hz, onset_sample, baseline_ms, first_pulse_ms[i], factor)
        if not low > 0.0:
            continue
        bins = np.empty(after - from_)
        fill_bins(bridged[i], onset_sample, per_bin, from_, level, bins)
        start, end = find_silence(bins, low, math.ceil(response_ms[i] / BIN_MS) - from_, run)
        if end >= 0:
            found[i, 0] = (from_ + start) * BIN_MS
            found[i, 1] = (from_ + end) * BIN_MS


@compiled
def chart_of(
    sweep: NDArray[np.float32],
    rate_hz: float,
    onset_sample: int,
    baseline_ms: Window,
    first_pulse_ms: float,
    factor: float,
) -> tuple[int, int, float, float]:
    """First bin of the baseline and the bin after it, level the sweep is rectified about, lower limit; NaN without a baseline."""
    per_bin = rate_hz * BIN_MS / 1e3
    from_ = max(-int(onset_sample / per_bin), math.ceil((first_pulse_ms + baseline_ms[0]) / BIN_MS))
    to = math.floor((first_pulse_ms + baseline_ms[1]) / BIN_MS)
    baseline = sweep[
        max(0, onset_sample + math.ceil(from_ * per_bin)) : max(0, onset_sample + math.floor(to * per_bin))
    ]
    if baseline.size < 2 or to - from_ < 2:
        return from_, to, math.nan, math.nan
    level = mean_of(baseline)
    bins = np.empty(to - from_)
    fill_bins(sweep, onset_sample, per_bin, from_, level, bins)
    mean = 0.0
    difference = 0.0
    for b in range(bins.size):
        mean += bins[b]
        difference += abs(bins[b] - bins[max(b - 1, 0)])
    return from_, to, level, mean / bins.size - factor * difference / (bins.size - 1)


@compiled
def fill_bins(
    sweep: NDArray[np.float32], onset_sample: int, per_bin: float, from_: int, level: float, bins: Array
) -> None:
    """Fill the means of the sweep, rectified about ``level``, in bins from ``from_`` on."""
    edge = onset_sample + math.ceil(from_ * per_bin - 1e-9)
    for b in range(bins.size):
        start = edge
        edge = onset_sample + math.ceil((from_ + b + 1) * per_bin - 1e-9)
        stop = max(start + 1, edge)
        total = 0.0
        for k in range(start, min(stop, sweep.size)):
            total += abs(sweep[k] - level)
        bins[b] = total / (stop - start)


@compiled
def find_silence(bins: Array, low: float, first: int, run: int) -> tuple[int, int]:
    """First bin of the silence and first bin after it; -1 for what is not found."""
    start = -1
    below = 0
    if not low > 0.0:
        return -1, -1
    for b in range(max(0, first), bins.size):
        if start < 0:
            below = below + 1 if bins[b] < low else 0
            if below >= run:
                start = b - run + 1
        elif bins[b] >= low and b + run < bins.size:
            above = 0
            for ahead in range(1, run + 1):
                if bins[b + ahead] >= low:
                    above += 1
            if 2 * above >= run:
                return start, b
    return start, -1


def _baseline(bins: Array, zero: int, baseline_ms: Window) -> Array:
    return bins[max(0, zero + math.ceil(baseline_ms[0] / BIN_MS)) : zero + math.floor(baseline_ms[1] / BIN_MS)]


def _below(bins: Array, zero: int, low: float, response_ms: float, run_ms: float) -> tuple[float, float]:
    start, end = find_silence(bins, low, zero + math.ceil(response_ms / BIN_MS), max(1, round(run_ms / BIN_MS)))
    return (
        (start - zero) * BIN_MS if start >= 0 else math.nan,
        (end - zero) * BIN_MS if end >= 0 else math.nan,
    )
