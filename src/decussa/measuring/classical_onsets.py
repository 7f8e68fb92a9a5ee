"""Published rules for the onset of EMG, as they are defined, for comparison and for repeating old studies.

Each works on one signal of the caller's choice, of shape (n_samples,), and returns the onset in ms from the test pulse, NaN
where the rule finds none. A rule that looks at a filtered signal inherits what the filter does: a zero-phase filter rings
before the onset. ``find_run`` is the first of them for the kernel of sweeps, with the end of the response.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled
from decussa.measuring.stretch import magnitude_about, power_about

Array = NDArray[np.float64]
Window = tuple[float, float]

#: Standard deviations above the mean of the rectified baseline, and run above it. Both are varied in the sources; 3 SD and
#: 1 ms are common practice for evoked responses, no source.
THRESHOLD_SD = 3.0
RUN_MS = 1.0
#: SD of a normal distribution over its median absolute deviation.
SD_PER_MAD = 1.4826


def run_samples(rate_hz: float, run_ms: float = RUN_MS) -> int:
    """Return the shortest run in samples."""
    return max(1, round(run_ms * rate_hz / 1e3))


@compiled
def rule_baseline(
    n_samples: int, rate_hz: float, onset_sample: int, baseline_ms: Window, first_pulse_ms: float
) -> tuple[int, int]:
    """First sample of the baseline of the published rules, and the first after it: those within, none beside it."""
    step_ms = 1e3 / rate_hz
    begin = onset_sample + math.ceil((first_pulse_ms + baseline_ms[0]) / step_ms)
    stop = onset_sample + math.floor((first_pulse_ms + baseline_ms[1]) / step_ms) + 1
    return max(0, begin), min(n_samples, stop)


@compiled
def find_run(
    sweep: NDArray[np.float32], baseline: NDArray[np.float32], mean: float, rate_hz: float, onset_sample: int,
    window_ms: Window, artifact_end_ms: float, threshold_sd: float, run: int, found: Array,
) -> None:  # fmt: skip
    """Put onset and end in ms into ``found``, by mean + k SD of the rectified baseline; leave what is not found.

    The signal is rectified about the ``mean`` of its baseline. The onset is the first sample of the first run of at least
    ``run`` samples above the threshold inside the window and behind the artifact, the end the last sample of the last such run.
    Hodges and Bui 1996, doi 10.1016/S0921-884X(96)95190-5.
    """
    step_ms = 1e3 / rate_hz
    level = magnitude_about(baseline, mean) / baseline.size
    spread = math.sqrt(max(power_about(baseline, mean) / baseline.size - level * level, 0.0))
    threshold = level + threshold_sd * spread
    first = onset_sample + math.ceil(max(window_ms[0], artifact_end_ms) / step_ms)
    last = min(sweep.size - 1, onset_sample + math.floor(window_ms[1] / step_ms))
    while first + run <= last + 1:
        # from the end of a possible run back: what is below there rules out all runs over it
        k = first + run - 1
        while k >= first and abs(sweep[k] - mean) > threshold:
            k -= 1
        if k >= first:
            first = k + 1
            continue
        end = first + run
        while end <= last and abs(sweep[end] - mean) > threshold:
            end += 1
        if math.isnan(found[0]):
            found[0] = (first - onset_sample) * step_ms
        found[1] = (end - 1 - onset_sample) * step_ms
        first = end + 1


def rectified_threshold_onset(
    signal_uv: Array, rate_hz: float, onset_sample: int, *, window_ms: Window, baseline_ms: Window,
    threshold_sd: float = THRESHOLD_SD, run_ms: float = RUN_MS,
) -> float:  # fmt: skip
    """Onset in ms by mean + k SD of the rectified baseline with a run: Hodges and Bui 1996, doi 10.1016/S0921-884X(96)95190-5."""
    rectified = np.abs(signal_uv - _cut(signal_uv, rate_hz, onset_sample, baseline_ms)[0].mean())
    baseline = _cut(rectified, rate_hz, onset_sample, baseline_ms)[0]
    threshold = rectified_threshold(baseline, threshold_sd)
    return _first_run(rectified > threshold, rate_hz, onset_sample, window_ms, run_ms)


def rectified_threshold(rectified_baseline: Array, threshold_sd: float = THRESHOLD_SD) -> float:
    """Mean + k SD of a rectified baseline, in its unit."""
    return float(rectified_baseline.mean() + threshold_sd * rectified_baseline.std())


def median_threshold_onset(
    signal_uv: Array, rate_hz: float, onset_sample: int, *, window_ms: Window, baseline_ms: Window,
    threshold_sd: float = THRESHOLD_SD, run_ms: float = RUN_MS,
) -> float:  # fmt: skip
    """Onset in ms by median + k x 1.4826 MAD of the rectified baseline: after J Neurosci Methods 2011, PMC3010493."""
    rectified = np.abs(signal_uv - np.median(_cut(signal_uv, rate_hz, onset_sample, baseline_ms)[0]))
    baseline = _cut(rectified, rate_hz, onset_sample, baseline_ms)[0]
    centre = float(np.median(baseline))
    threshold = centre + threshold_sd * SD_PER_MAD * float(np.median(np.abs(baseline - centre)))
    return _first_run(rectified > threshold, rate_hz, onset_sample, window_ms, run_ms)


def energy_onset(
    signal_uv: Array, rate_hz: float, onset_sample: int, *, window_ms: Window, baseline_ms: Window,
    threshold_sd: float = THRESHOLD_SD, run_ms: float = RUN_MS,
) -> float:  # fmt: skip
    """Onset in ms by a hard threshold on the squared signal: after Soda 2020, doi 10.1109/ACCESS.2020.3033075.

    The threshold is mean + k SD of the squared baseline; that choice is from memory, to be confirmed.
    """
    energy = (signal_uv - _cut(signal_uv, rate_hz, onset_sample, baseline_ms)[0].mean()) ** 2
    baseline = _cut(energy, rate_hz, onset_sample, baseline_ms)[0]
    threshold = float(baseline.mean() + threshold_sd * baseline.std())
    return _first_run(energy > threshold, rate_hz, onset_sample, window_ms, run_ms)


def cumulative_sum_onset(
    signal_uv: Array, rate_hz: float, onset_sample: int, *, window_ms: Window, baseline_ms: Window,
    threshold_sd: float = THRESHOLD_SD,
) -> float:  # fmt: skip
    """Onset in ms by the cumulative sum of rectified signal minus baseline mean: its last turning point before it leaves.

    The sum leaves when it stands k x SD x sqrt(n) above its lowest point so far, n the samples summed. The rule is common
    practice; its band from memory, to be confirmed.
    """
    rectified = np.abs(signal_uv - _cut(signal_uv, rate_hz, onset_sample, baseline_ms)[0].mean())
    baseline = _cut(rectified, rate_hz, onset_sample, baseline_ms)[0]
    inside, first = _cut(rectified, rate_hz, onset_sample, window_ms)
    total = np.concatenate([[0.0], np.cumsum(inside - baseline.mean())])
    lowest = np.minimum.accumulate(total)
    band = threshold_sd * baseline.std() * np.sqrt(np.arange(total.size))
    leaving = np.flatnonzero(total - lowest > band + 1e-12)
    if not leaving.size:
        return math.nan
    turning = int(np.flatnonzero(total[: leaving[0] + 1] == lowest[leaving[0]])[-1])
    return (first + turning - onset_sample) * 1e3 / rate_hz


def variance_change_onset(
    signal_uv: Array,
    rate_hz: float,
    onset_sample: int,
    *,
    window_ms: Window,
    baseline_ms: Window,
    least_gain: float = 10.0,
) -> float:
    """Onset in ms as the most likely time of a change in variance: Staude 2001, EURASIP J Appl Signal Process 2001:67.

    Gaussian samples have the variance of the baseline before the change and an unknown one from it to the strongest
    sample of the window. NaN where the log likelihood ratio stays below ``least_gain``.
    """
    baseline, _ = _cut(signal_uv, rate_hz, onset_sample, baseline_ms)
    inside, first = _cut(signal_uv, rate_hz, onset_sample, window_ms)
    variance = float(baseline.var())
    if not variance > 0.0:
        return math.nan
    squares = (inside - baseline.mean()) ** 2 / variance
    strongest = int(squares.argmax()) + 1
    count = np.arange(strongest, 0, -1)
    mean = np.cumsum(squares[:strongest][::-1])[::-1] / count
    gain = np.where(mean > 1.0, 0.5 * count * (mean - 1.0 - np.log(np.maximum(mean, 1e-300))), 0.0)
    best = int(gain.argmax())
    return (first + best - onset_sample) * 1e3 / rate_hz if gain[best] >= least_gain else math.nan


def _cut(signal: Array, rate_hz: float, onset_sample: int, window_ms: Window) -> tuple[Array, int]:
    """Samples of a window, and the index of the first."""
    first = max(0, onset_sample + math.ceil(window_ms[0] * rate_hz / 1e3))
    last = onset_sample + math.floor(window_ms[1] * rate_hz / 1e3)
    return np.asarray(signal[first : last + 1], dtype=np.float64), first


def _first_run(above: NDArray[np.bool_], rate_hz: float, onset_sample: int, window_ms: Window, run_ms: float) -> float:
    """Start in ms of the first run of at least ``run_ms`` inside the window."""
    first = onset_sample + math.ceil(window_ms[0] * rate_hz / 1e3)
    last = min(above.size - 1, onset_sample + math.floor(window_ms[1] * rate_hz / 1e3))
    run = max(1, round(run_ms * rate_hz / 1e3))
    length = 0
    for k in range(max(0, first), last + 1):
        length = length + 1 if above[k] else 0
        if length >= run:
            return (k - run + 1 - onset_sample) * 1e3 / rate_hz
    return math.nan
