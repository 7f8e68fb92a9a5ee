"""Published rules for the silent period, as they are defined, for comparison and for repeating old studies.

They work on a rectified sweep, better on the average of several, in bins of 1 ms: the limits of a control chart depend on the
sampling rate, because neighbouring samples are alike. Times are ms from the test pulse; NaN where a rule finds none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from decussa.measuring.compiled import compiled, regrouped

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


def run_bins(run_ms: float = RUN_MS) -> int:
    """Return the run that starts a silence, in bins."""
    return max(1, round(run_ms / BIN_MS))


@compiled
def bins_before(rate_hz: float, onset_sample: int) -> int:
    """Number of bins before the test pulse."""
    return int(onset_sample / (rate_hz * BIN_MS / 1e3))


@compiled
def bin_edges(n_samples: int, rate_hz: float, onset_sample: int) -> NDArray[np.int64]:
    """First sample of every bin, and the first after the last; one edge lies at the test pulse."""
    per_bin = rate_hz * BIN_MS / 1e3
    before = bins_before(rate_hz, onset_sample)
    edges = np.empty(before + int((n_samples - onset_sample) / per_bin) + 1, dtype=np.int64)
    for b in range(edges.size):
        edges[b] = onset_sample + math.ceil((b - before) * per_bin - 1e-9)
    return edges


@regrouped
def lower_limit(
    sweep: NDArray[np.float32], level: float, edges: NDArray[np.int64], bins: Array, before: int, baseline_ms: Window,
    first_pulse_ms: float, factor: float,
) -> float:  # fmt: skip
    """Lower limit of the chart of a sweep rectified about ``level``, NaN without a baseline; fills the baseline's ``bins``.

    ``before`` is the number of bins before the test pulse.
    """
    from_ = max(0, before + math.ceil((first_pulse_ms + baseline_ms[0]) / BIN_MS))
    to = min(bins.size, before + math.floor((first_pulse_ms + baseline_ms[1]) / BIN_MS))
    if to - from_ < 2:
        return math.nan
    fill_bins(sweep, level, edges[from_ : to + 1], bins[from_:to])
    mean = bins[from_]
    difference = 0.0
    for b in range(from_ + 1, to):
        mean += bins[b]
        difference += abs(bins[b] - bins[b - 1])
    low: float = mean / (to - from_) - factor * difference / (to - from_ - 1)
    return low


@compiled
def fill_bins(sweep: NDArray[np.float32], level: float, edges: NDArray[np.int64], bins: Array) -> None:
    """Fill the means of the sweep, rectified about ``level``, between every two ``edges``; of one sample at least."""
    n, begin = bins.size, edges[0]
    width = max(1, edges[1] - begin)
    if edges[n] - begin == n * width and begin + n * width <= sweep.size:
        # no two bins differ by more than a sample, so all of them are like the first
        cells = sweep[begin : begin + n * width].reshape((n, width))
        for b in range(n):
            total = 0.0
            for k in range(width):
                total += abs(np.float64(cells[b, k]) - level)
            bins[b] = total / width
        return
    for b in range(n):
        stop = max(edges[b] + 1, edges[b + 1])
        total = 0.0
        for k in range(edges[b], min(stop, sweep.size)):
            total += abs(np.float64(sweep[k]) - level)
        bins[b] = total / (stop - edges[b])


@compiled
def chart_silence(bins: Array, before: int, low: float, response_ms: float, run: int, found: Array) -> None:
    """Put start and end in ms of the silence after ``response_ms`` into ``found``; leave them where there is none."""
    start, end = find_silence(bins, low, before + math.ceil(response_ms / BIN_MS), run)
    if end >= 0:
        found[0] = (start - before) * BIN_MS
        found[1] = (end - before) * BIN_MS


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
