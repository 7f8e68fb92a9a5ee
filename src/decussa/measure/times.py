"""The times of a block of sweeps, by the method asked for: onset and end of the response, start and end of the silence."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from decussa.measure.artifact import Cleaned
from decussa.measure.classical_onsets import threshold_onsets
from decussa.measure.classical_silences import control_chart_silences
from decussa.measure.door import Window, first_pulse_ms
from decussa.measure.latency import model_onsets
from decussa.measure.silent_period import model_silences

OnsetMethod = Literal["model", "threshold"] | None
Array = NDArray[np.float64]

#: A response is taken for one from this probability on: below, it has no times.
LEAST_P = 0.5


def find_times(
    cleaned: Cleaned,
    response_p: Array,
    rate_hz: float,
    onset_sample: int,
    window_ms: Window,
    baseline_ms: Window,
    isi: Array,
    onset: OnsetMethod,
    *,
    silent: bool,
    intervals: bool,
) -> dict[str, Array]:
    """Return the columns of times, shape (n_sweeps,), ms; NaN without a response or without a silence."""
    nothing = np.full(isi.size, np.nan)
    latency = low = high = end = nothing
    silences = (nothing, nothing, nothing, nothing)
    artifact_end = np.where(np.isnan(cleaned.artifact_end_ms), 0.0, cleaned.artifact_end_ms)
    first = first_pulse_ms(isi, isi.size)
    if onset is not None:
        find_onsets = _model_onsets if onset == "model" else _threshold_onsets
        times = find_onsets(cleaned, rate_hz, onset_sample, window_ms, baseline_ms, artifact_end, first, intervals)
        latency, low, high, end = (np.where(response_p >= LEAST_P, time, np.nan) for time in times)
    if silent:
        find_silences = _control_chart_silences if onset == "threshold" else _model_silences
        silences = find_silences(
            cleaned, rate_hz, onset_sample, window_ms, baseline_ms, artifact_end, first, end, intervals
        )
    silent_start, silent_end, silent_low, silent_high = silences
    return {
        "latency_ms": latency,
        "latency_low_ms": low,
        "latency_high_ms": high,
        "duration_ms": end - latency,
        "silent_start_ms": silent_start,
        "silent_end_ms": silent_end,
        "silent_low_ms": silent_low,
        "silent_high_ms": silent_high,
        "silent_period_ms": silent_end - latency,
        "silent_from_pulse_ms": silent_end.copy(),
        "silent_from_end_ms": silent_end - silent_start,
    }


Times = tuple[Array, Array, Array, Array]


def _model_onsets(
    cleaned: Cleaned, rate_hz: float, onset_sample: int, window_ms: Window, baseline_ms: Window,
    artifact_end: Array, first: Array, intervals: bool,
) -> Times:  # fmt: skip
    found = model_onsets(
        cleaned.bridged_uv, rate_hz, onset_sample, window_ms=window_ms, baseline_ms=baseline_ms,
        artifact_end_ms=artifact_end, first_pulse_ms=first, intervals=intervals,
    )  # fmt: skip
    return found.latency_ms, found.low_ms, found.high_ms, found.end_ms


def _threshold_onsets(
    cleaned: Cleaned, rate_hz: float, onset_sample: int, window_ms: Window, baseline_ms: Window,
    artifact_end: Array, first: Array, intervals: bool,  # noqa: ARG001 - the published method gives none
) -> Times:  # fmt: skip
    found = threshold_onsets(
        cleaned.bridged_uv, rate_hz, onset_sample, window_ms=window_ms, baseline_ms=baseline_ms,
        artifact_end_ms=artifact_end, first_pulse_ms=first,
    )  # fmt: skip
    return found.latency_ms, found.low_ms, found.high_ms, found.end_ms


def _model_silences(
    cleaned: Cleaned, rate_hz: float, onset_sample: int, window_ms: Window, baseline_ms: Window,
    artifact_end: Array, first: Array, end: Array, intervals: bool,
) -> Times:  # fmt: skip
    found = model_silences(
        cleaned.bridged_uv, rate_hz, onset_sample, response_end_ms=end, window_ms=window_ms, baseline_ms=baseline_ms,
        artifact_end_ms=artifact_end, first_pulse_ms=first, intervals=intervals,
    )  # fmt: skip
    return found.start_ms, found.end_ms, found.low_ms, found.high_ms


def _control_chart_silences(
    cleaned: Cleaned, rate_hz: float, onset_sample: int, window_ms: Window, baseline_ms: Window,
    artifact_end: Array, first: Array, end: Array, intervals: bool,  # noqa: ARG001 - the published method gives none
) -> Times:  # fmt: skip
    found = control_chart_silences(
        cleaned.bridged_uv, rate_hz, onset_sample, response_end_ms=end, window_ms=window_ms, baseline_ms=baseline_ms,
        artifact_end_ms=artifact_end, first_pulse_ms=first,
    )  # fmt: skip
    return found.start_ms, found.end_ms, found.low_ms, found.high_ms
