"""The stimulus artifact: where it lies, how it is bridged, and what it says about the interval between two pulses.

An artifact is steeper than anything in the baseline and sits at its pulse. It starts at the first step that reaches a
quarter of the steepest one near the pulse, and is over at the first millisecond that is as quiet as the baseline and near its
level. It is never looked for further than ``LONGEST_MS`` after its start, so that a response is not taken for it; after
a nerve pulse at most ``NERVE_LONGEST_MS`` are blanked, before the M-wave. Common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from decussa.measuring.artifact_search import Bounds, describe_normal, find_end, find_repetition, find_start
from decussa.measuring.compiled import compiled
from decussa.measuring.door import check_isi, check_sweeps
from decussa.measuring.readings import FIRST_END, FIRST_START, LAG, TEST_END, TEST_START
from decussa.measuring.stretch import all_finite
from decussa.measuring.tail import remove_tail, tail_ratios
from decussa.model.sweep import SamplesUv

Array = NDArray[np.float64]

#: How far from its mark a pulse is looked for, in ms; in a pair not further than half the interval.
REACH_MS = 5.0
NERVE_REACH_MS = 1.0
#: Longest stretch that is bridged, in ms from the start of the artifact.
LONGEST_MS = 8.0
NERVE_LONGEST_MS = 1.0
#: So long after the test pulse artifacts are over, those looked for furthest too.
SETTLED_MS = 40.0
#: Earliest response where no window is given, in ms.
RESPONSE_MS = 10.0
#: Baseline that tells what is normal, in ms before the first pulse.
NORMAL_MS = (-100.0, -5.0)


def artifact_bounds(low_uv: float, high_uv: float, *, nerve: bool, response_ms: float = RESPONSE_MS) -> Bounds:
    """Return the bounds for pulses to the head, or to a nerve."""
    if nerve:
        return Bounds(float(low_uv), float(high_uv), NERVE_REACH_MS, NERVE_LONGEST_MS, -math.inf)
    return Bounds(float(low_uv), float(high_uv), REACH_MS, LONGEST_MS, float(response_ms))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cleaned:
    """Sweeps with their artifacts bridged. Times in ms from the test pulse, shape (n_sweeps,); NaN: no such artifact.

    Parameters
    ----------
    bridged_uv : ndarray of float32, shape (n_sweeps, n_samples), microvolt
        A straight line in place of each artifact, a clear slow tail removed, otherwise as recorded.
    artifact_start_ms, artifact_end_ms : ndarray
        Artifact of the test pulse: its first sample, and the first sample after it.
    first_start_ms, first_end_ms : ndarray
        The same for the conditioning pulse of a pair.
    isi_measured_ms : ndarray
        From artifact to artifact, by the lag at which their shapes agree best.
    tail_uv : ndarray
        Height of the slow tail that was removed, where the bridge ends; 0 where none was clear.
    """

    bridged_uv: SamplesUv
    artifact_start_ms: NDArray[np.float64]
    artifact_end_ms: NDArray[np.float64]
    first_start_ms: NDArray[np.float64]
    first_end_ms: NDArray[np.float64]
    isi_measured_ms: NDArray[np.float64]
    tail_uv: NDArray[np.float64]


def clean(
    samples_uv: ArrayLike,
    rate_hz: float,
    onset_sample: int,
    *,
    isi_ms: ArrayLike | None = None,
    low_uv: float = -math.inf,
    high_uv: float = math.inf,
    nerve: bool = False,
    response_ms: float = RESPONSE_MS,
) -> Cleaned:
    """Find and bridge the stimulus artifacts of each sweep; both of a pair.

    Parameters
    ----------
    samples_uv : array, shape (n_sweeps, n_samples) or (n_samples,), microvolt
        Not changed.
    rate_hz, onset_sample
        Sampling rate; sample nearest to the onset of the test pulse.
    isi_ms : None, number or array of shape (n_sweeps,), ms
        Interval to the conditioning pulse, None or NaN where there is none.
    low_uv, high_uv : float, microvolt
        Ends of the converter's range: an artifact goes on while the signal stays there.
    nerve : bool
        Whether the pulses are given to a nerve, with the M-wave close behind; no tail is then looked for.
    response_ms : float, ms after the test pulse
        Earliest response: up to here a slow tail of the artifact can be seen on its own.

    Returns
    -------
    Cleaned. A sweep with samples that are not finite comes back as it is, its times NaN.

    Raises
    ------
    UsageError
        If shapes, rate, onset or intervals cannot be meant.
    """
    samples = check_sweeps(samples_uv, rate_hz, onset_sample)
    isi = check_isi(isi_ms, samples.shape[0])
    bridged = np.empty_like(samples)
    tail_uv = np.zeros(samples.shape[0])
    places = np.full((samples.shape[0], 5), np.nan)
    bounds = artifact_bounds(low_uv, high_uv, nerve=nerve, response_ms=response_ms)
    ratios = tail_ratios(float(rate_hz))
    bridge_all(samples, float(rate_hz), int(onset_sample), isi, bounds, ratios, bridged, places, tail_uv)
    times = (places[:, :4] - onset_sample) * (1e3 / rate_hz)
    return Cleaned(
        bridged_uv=bridged,
        artifact_start_ms=times[:, 2],
        artifact_end_ms=times[:, 3],
        first_start_ms=times[:, 0],
        first_end_ms=times[:, 1],
        isi_measured_ms=places[:, 4] * (1e3 / rate_hz),
        tail_uv=tail_uv,
    )


@compiled
def bridge_all(
    samples: SamplesUv, rate_hz: float, onset: int, isi: Array, bounds: Bounds, ratios: Array, bridged: SamplesUv,
    places: Array, tail_uv: Array,
) -> None:  # fmt: skip
    """Bridge every sweep on its own; ``places`` gets start and end of both artifacts and their lag, in samples."""
    for i in range(samples.shape[0]):
        tail_uv[i] = bridge_sweep(samples[i], bridged[i], rate_hz, onset, isi[i], bounds, ratios, places[i])


@compiled
def bridge_sweep(
    recorded: SamplesUv,
    row: SamplesUv,
    rate_hz: float,
    onset: int,
    isi: float,
    bounds: Bounds,
    ratios: Array,
    places: Array,
) -> float:
    """Copy a sweep into ``row``, draw a line in place of its artifacts and take a tail away; return the tail's height in uV.

    ``row`` may be shorter, down to ``SETTLED_MS`` after the test pulse: what comes later changes nothing before. ``places``
    holds NaN and gets what is found, nothing where a sample is not finite.
    """
    for k in range(row.size):
        row[k] = recorded[k]
    if not all_finite(recorded):
        return 0.0
    per_ms = rate_hz / 1e3
    paired = not math.isnan(isi)
    first = onset - (isi * per_ms if paired else 0.0)
    normal = describe_normal(row, int(first + NORMAL_MS[0] * per_ms), int(first + NORMAL_MS[1] * per_ms))
    reach, longest = bounds.reach_ms * per_ms, bounds.longest_ms * per_ms
    near = min(reach, 0.5 * isi * per_ms) if paired else reach
    test = find_start(row, onset - near, onset + reach, normal)
    if paired:
        conditioning = find_start(row, first - reach, first + near, normal)
        if conditioning > 0 and test > 0:
            lag = find_repetition(row, conditioning, isi * per_ms - near, isi * per_ms + near, min(isi, 1.0) * per_ms)
            test = int(conditioning + lag + 0.5) if lag > 0 else test
            places[LAG] = lag if lag > 0 else test - conditioning
        if conditioning > 0:
            places[FIRST_START] = conditioning
            places[FIRST_END] = find_end(row, conditioning, normal, bounds, longest, per_ms)
    if test > 0:
        places[TEST_START] = test
        places[TEST_END] = find_end(row, test, normal, bounds, longest, per_ms)
    tail = 0.0
    if test > 0 and bounds.response_ms > 0.0:
        begin = test if math.isnan(places[FIRST_START]) else int(places[FIRST_START])
        response = int(onset + bounds.response_ms * per_ms)
        base_start = max(0, int(first + NORMAL_MS[0] * per_ms))
        tail = remove_tail(
            row, begin, int(places[TEST_END]), response, base_start, normal[1], normal[2], per_ms, ratios
        )
    if places[FIRST_END] >= places[TEST_START]:
        places[FIRST_END] = places[TEST_START]
        draw_line(row, int(places[FIRST_START]), int(places[TEST_END]))
        return tail
    for k in (FIRST_START, TEST_START):
        if not math.isnan(places[k]):
            draw_line(row, int(places[k]), int(places[k + 1]))
    return tail


@compiled
def draw_line(row: SamplesUv, start: int, end: int) -> None:
    """Put a straight line from the mean of the 3 samples before ``start`` to the mean of the 3 from ``end`` on."""
    before = after = 0.0
    count = 0
    for k in range(max(0, start - 3), start):
        before += row[k]
        count += 1
    before = before / count if count else 0.0
    count = 0
    for k in range(end, min(row.size, end + 3)):
        after += row[k]
        count += 1
    after = after / count if count else before
    if start == 0:
        before = after
    for k in range(start, end):
        row[k] = before + (after - before) * (k - start + 1) / (end - start + 1)
