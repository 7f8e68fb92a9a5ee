"""The columns of times of a block of sweeps: onset and end of the response, start and end of the silence."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.door import Window
from decussa.measuring.latency import model_onsets
from decussa.measuring.readings import LONE_END, LONE_START, RUN_END, RUN_START, SILENCE_END, SILENCE_START
from decussa.measuring.silent_period import model_silences
from decussa.model.sweep import SamplesUv

OnsetMethod = Literal["model", "threshold"] | None
Array = NDArray[np.float64]
Times = tuple[Array, Array, Array, Array]

#: A response is taken for one from this probability on: below, it has no times.
LEAST_P = 0.5
#: Between these two the size alone leaves it open whether there is a response, and its shape in time is asked too.
OPEN_P = (0.02, 0.98)


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
        if chosen.all():
            return self
        return replace(
            self,
            bridged_uv=self.bridged_uv[chosen],
            artifact_end_ms=self.artifact_end_ms[chosen],
            first_pulse_ms=self.first_pulse_ms[chosen],
        )


def no_times(response_p: Array) -> dict[str, Array]:
    """Return the columns of times without any."""
    nothing = np.full(response_p.size, np.nan)
    return _columns(response_p, (nothing, nothing, nothing, nothing), (nothing, nothing, nothing, nothing))


def model_times(place: Place, response_p: Array, *, onsets: bool, silent: bool, intervals: bool) -> dict[str, Array]:
    """Return the columns of times by the models, shape (n_sweeps,), ms; NaN without a response or without a silence.

    ``response_p`` comes along: where the size left it open, the mean of its log odds and those of the shape.
    """
    nothing = np.full(response_p.size, np.nan)
    times = silences = (nothing, nothing, nothing, nothing)
    if onsets:
        response_p, times = _model_onsets(place, response_p, intervals)
    if silent and response_p.size:
        silences = _model_silences(place, times[3], intervals)
    return _columns(response_p, times, silences)


def classical_times(response_p: Array, readings: Array) -> dict[str, Array]:
    """Return the columns of times of the published methods, which give no intervals, from what was read off the sweeps."""
    nothing = np.full(response_p.size, np.nan)
    there = response_p >= LEAST_P
    onset, end = np.where(there, readings[:, RUN_START : RUN_END + 1].T, np.nan)
    silence = readings[:, SILENCE_START : SILENCE_END + 1].T
    silent_start, silent_end = np.where(there, silence, readings[:, LONE_START : LONE_END + 1].T)
    return _columns(response_p, (onset, nothing, nothing, end), (silent_start, silent_end, nothing, nothing))


def _columns(response_p: Array, times: Times, silences: Times) -> dict[str, Array]:
    latency, low, high, end = times
    silent_start, silent_end, silent_low, silent_high = silences
    return {
        "response_p": response_p,
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


def _model_onsets(place: Place, response_p: Array, intervals: bool) -> tuple[Array, Times]:
    """Probability of a response by size and shape together, and the times where it is taken for one."""
    asked = response_p > OPEN_P[0]
    part = place.only(asked)
    found = model_onsets(
        part.bridged_uv, part.rate_hz, part.onset_sample, window_ms=part.window_ms, baseline_ms=part.baseline_ms,
        artifact_end_ms=part.artifact_end_ms, first_pulse_ms=part.first_pulse_ms, intervals=intervals,
    )  # fmt: skip
    both = response_p.copy()
    both[asked] = pool_probabilities(response_p[asked], found.response_p, found.wander_p)
    times = np.full((4, both.size), np.nan)
    times[:, asked] = found.latency_ms, found.low_ms, found.high_ms, found.end_ms
    times[:, ~(both >= LEAST_P)] = np.nan
    return both, (times[0], times[1], times[2], times[3])


def pool_probabilities(by_size: Array, by_shape: Array, wander: Array) -> Array:
    """Mean of the log odds where ``by_size`` leaves it open; ``by_size`` elsewhere, and where ``by_shape`` is NaN.

    Open is what lies within ``OPEN_P``, and what lies above it in a sweep that more likely wanders than not: a heart beat in the
    window has a size of its own. So the likelier the wander, the more a shape counts that speaks against a response: half
    without it, all with it. A wander only adds to a size, and gives no reason to believe in a response that it does not show. A
    logarithmic opinion pool, for evidence that is not independent: Genest and Zidek 1986, doi 10.1214/ss/1177013825 (from
    memory).
    """
    pooled = by_size.copy()
    open_ = (by_size > OPEN_P[0]) & ((by_size < OPEN_P[1]) | (wander > 0.5)) & ~np.isnan(by_shape)
    size, shape = (np.clip(p[open_], 1e-6, 1 - 1e-6) for p in (by_size, by_shape))
    weight = np.where(shape < size, 0.5 + 0.5 * wander[open_], 0.5)
    odds = (size / (1 - size)) ** (1 - weight) * (shape / (1 - shape)) ** weight
    pooled[open_] = odds / (1 + odds)
    return pooled


def _model_silences(place: Place, end: Array, intervals: bool) -> Times:
    found = model_silences(
        place.bridged_uv, place.rate_hz, place.onset_sample, response_end_ms=end, window_ms=place.window_ms,
        baseline_ms=place.baseline_ms, artifact_end_ms=place.artifact_end_ms, first_pulse_ms=place.first_pulse_ms,
        intervals=intervals,
    )  # fmt: skip
    return found.start_ms, found.end_ms, found.low_ms, found.high_ms
