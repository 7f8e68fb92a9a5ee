"""The times of a block of sweeps, by the method asked for: onset and end of the response, start and end of the silence."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.artifact import Cleaned
from decussa.measuring.classical_onsets import threshold_onsets
from decussa.measuring.classical_silences import control_chart_silences
from decussa.measuring.door import Window, first_pulse_ms
from decussa.measuring.latency import model_onsets
from decussa.measuring.silent_period import model_silences
from decussa.model.sweep import SamplesUv

OnsetMethod = Literal["model", "threshold"] | None
Array = NDArray[np.float64]
Times = tuple[Array, Array, Array, Array]

#: A response is taken for one from this probability on: below, it has no times.
LEAST_P = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """Where in which sweeps to look."""

    bridged_uv: SamplesUv
    rate_hz: float
    onset_sample: int
    window_ms: Window
    baseline_ms: Window
    artifact_end_ms: Array
    first_pulse_ms: Array

    def only(self, chosen: NDArray[np.bool_]) -> Place:
        """The same place in the chosen sweeps."""
        return replace(
            self,
            bridged_uv=self.bridged_uv[chosen],
            artifact_end_ms=self.artifact_end_ms[chosen],
            first_pulse_ms=self.first_pulse_ms[chosen],
        )


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
    artifact_end = np.where(np.isnan(cleaned.artifact_end_ms), 0.0, cleaned.artifact_end_ms)
    place = Place(
        cleaned.bridged_uv, rate_hz, onset_sample, window_ms, baseline_ms, artifact_end, first_pulse_ms(isi, isi.size)
    )
    latency, low, high, end = (np.full(isi.size, np.nan) for _ in range(4))
    silent_start = silent_end = silent_low = silent_high = np.full(isi.size, np.nan)
    chosen = response_p >= LEAST_P
    if onset is not None and chosen.any():
        find_onsets = _model_onsets if onset == "model" else _threshold_onsets
        latency[chosen], low[chosen], high[chosen], end[chosen] = find_onsets(place.only(chosen), intervals)
    if silent and isi.size:
        find_silences = _control_chart_silences if onset == "threshold" else _model_silences
        silent_start, silent_end, silent_low, silent_high = find_silences(place, end, intervals)
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


def _model_onsets(place: Place, intervals: bool) -> Times:
    found = model_onsets(
        place.bridged_uv, place.rate_hz, place.onset_sample, window_ms=place.window_ms, baseline_ms=place.baseline_ms,
        artifact_end_ms=place.artifact_end_ms, first_pulse_ms=place.first_pulse_ms, intervals=intervals,
    )  # fmt: skip
    return found.latency_ms, found.low_ms, found.high_ms, found.end_ms


def _threshold_onsets(place: Place, intervals: bool) -> Times:  # noqa: ARG001 - the published method gives none
    found = threshold_onsets(
        place.bridged_uv, place.rate_hz, place.onset_sample, window_ms=place.window_ms, baseline_ms=place.baseline_ms,
        artifact_end_ms=place.artifact_end_ms, first_pulse_ms=place.first_pulse_ms,
    )  # fmt: skip
    return found.latency_ms, found.low_ms, found.high_ms, found.end_ms


def _model_silences(place: Place, end: Array, intervals: bool) -> Times:
    found = model_silences(
        place.bridged_uv, place.rate_hz, place.onset_sample, response_end_ms=end, window_ms=place.window_ms,
        baseline_ms=place.baseline_ms, artifact_end_ms=place.artifact_end_ms, first_pulse_ms=place.first_pulse_ms,
        intervals=intervals,
    )  # fmt: skip
    return found.start_ms, found.end_ms, found.low_ms, found.high_ms


def _control_chart_silences(place: Place, end: Array, intervals: bool) -> Times:  # noqa: ARG001 - the published method gives none
    found = control_chart_silences(
        place.bridged_uv, place.rate_hz, place.onset_sample, response_end_ms=end, window_ms=place.window_ms,
        baseline_ms=place.baseline_ms, artifact_end_ms=place.artifact_end_ms, first_pulse_ms=place.first_pulse_ms,
    )  # fmt: skip
    return found.start_ms, found.end_ms, found.low_ms, found.high_ms
