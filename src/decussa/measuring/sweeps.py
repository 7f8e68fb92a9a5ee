"""Everything that is measured on sweeps, in one call: one path for a live sweep and for a million recorded ones."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from decussa.measuring.artifact import artifact_bounds
from decussa.measuring.artifact_search import Bounds
from decussa.measuring.background import BASELINE_MS
from decussa.measuring.classical_onsets import run_samples
from decussa.measuring.classical_silences import run_bins
from decussa.measuring.door import Window, check_isi, check_sweeps, check_window_inside, first_pulse_ms, sample_at
from decussa.measuring.filters import smoothing_taps
from decussa.measuring.kernel import read_block, read_block_classically
from decussa.measuring.readings import (
    AMPLITUDE,
    AREA,
    BACKGROUND,
    CLIPPED,
    FIRST_AMPLITUDE,
    LAG,
    TEST_END,
    TEST_START,
    blank_readings,
)
from decussa.measuring.size import sizes_of
from decussa.measuring.tail import tail_ratios
from decussa.measuring.times import OnsetMethod, Place, classical_times, model_times, no_times
from decussa.model.errors import UsageError
from decussa.model.sweep import SamplesUv

Array = NDArray[np.float64]
Columns = dict[str, NDArray[Any]]

#: Sweeps that are worked on at once, with bridged sweeps kept and without: bounds the memory, changes no number.
BLOCK = 128
WIDE_BLOCK = 1024
WINDOW_MS: Window = (10.0, 50.0)


def measure_sweeps(
    samples_uv: ArrayLike,
    rate_hz: float,
    onset_sample: int,
    *,
    window_ms: Window = WINDOW_MS,
    baseline_ms: Window = BASELINE_MS,
    isi_ms: ArrayLike | None = None,
    onset: OnsetMethod = "model",
    silent: bool = False,
    intervals: bool = True,
    low_uv: float = -math.inf,
    high_uv: float = math.inf,
    nerve: bool = False,
) -> Columns:
    """Measure every sweep on its own; the keys are columns of the trial table.

    Parameters
    ----------
    samples_uv : array, shape (n_sweeps, n_samples) or (n_samples,), float32 microvolt
        As recorded; not changed.
    rate_hz : float
        Sampling rate.
    onset_sample : int
        Sample nearest to the onset of the test pulse.
    window_ms : (float, float), ms after the test pulse
        Where the response is looked for.
    baseline_ms : (float, float), ms from the first pulse
        Where background and noise are learnt.
    isi_ms : None, number or array of shape (n_sweeps,), ms
        Interval to the conditioning pulse, None or NaN where there is none.
    onset : {"model", "threshold", None}
        How onset, end and, with ``silent``, the silent period are found: from a model of the signal, by the published
        threshold and control-chart methods, or not at all.
    silent : bool
        Whether to look for a silent period.
    intervals : bool
        Whether single sweeps get intervals.
    low_uv, high_uv : float, microvolt
        Ends of the converter's range.
    nerve : bool
        Whether the pulses are given to a nerve: short blanking, no slow tail.

    Returns
    -------
    dict of ndarray, shape (n_sweeps,). Times are ms from the test pulse. NaN where there is nothing to measure: no response, no
    silence, no such artifact, samples that are not finite.

    Raises
    ------
    UsageError
        If shapes, rate, windows or intervals cannot be meant.
    """
    samples = check_sweeps(samples_uv, rate_hz, onset_sample)
    window = check_window_inside(window_ms, "window_ms", rate_hz, onset_sample, samples.shape[1])
    isi = check_isi(isi_ms, samples.shape[0])
    baseline = _check_baseline(baseline_ms, rate_hz, onset_sample, isi)
    if onset not in ("model", "threshold", None):
        raise UsageError("not a method", where="onset", expected="'model', 'threshold' or None", found=repr(onset))
    asked = Asked(
        float(rate_hz),
        int(onset_sample),
        window,
        baseline,
        artifact_bounds(low_uv, high_uv, nerve=nerve),
        onset,
        silent,
        intervals,
    )
    measure_part, size = (_measure_classically, WIDE_BLOCK) if onset == "threshold" else (_measure_by_model, BLOCK)
    all_kept = onset == "model" or (onset is None and silent)
    room = np.empty((min(size, samples.shape[0]) if all_kept else 1, samples.shape[1]), dtype=np.float32)
    if samples.shape[0] <= size:
        return measure_part(samples, isi, asked, room)
    parts = (slice(start, start + size) for start in range(0, samples.shape[0], size))
    blocks = [measure_part(samples[part], isi[part], asked, room) for part in parts]
    return {name: np.concatenate([block[name] for block in blocks]) for name in blocks[0]}


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of every sweep, checked."""

    rate_hz: float
    onset_sample: int
    window_ms: Window
    baseline_ms: Window
    bounds: Bounds
    onset: OnsetMethod
    silent: bool
    intervals: bool


def _measure_by_model(samples: SamplesUv, isi: Array, asked: Asked, room: SamplesUv) -> Columns:
    """Measure a block with the model's times, or with none; ``room`` for its bridged sweeps, or for one, is written over."""
    readings, bridged = blank_readings(samples.shape[0]), room[: samples.shape[0]]
    read_block(
        samples, bridged, asked.rate_hz, asked.onset_sample, asked.window_ms, asked.baseline_ms, isi, asked.bounds,
        *_helpers(asked), readings,
    )  # fmt: skip
    columns = _columns(readings, asked)
    if asked.onset is None and not asked.silent:
        return columns | no_times(columns["response_p"])
    place = Place(
        bridged, asked.rate_hz, asked.onset_sample, asked.window_ms, asked.baseline_ms,
        np.nan_to_num(columns["artifact_end_ms"]), first_pulse_ms(isi, isi.size),
    )  # fmt: skip
    return columns | model_times(
        place, columns["response_p"], onsets=asked.onset is not None, silent=asked.silent, intervals=asked.intervals
    )


def _measure_classically(samples: SamplesUv, isi: Array, asked: Asked, room: SamplesUv) -> Columns:
    """Measure a block with the times of the published methods, in one pass; ``room`` for one sweep is written over."""
    readings = blank_readings(samples.shape[0])
    read_block_classically(
        samples, room[0], asked.rate_hz, asked.onset_sample, asked.window_ms, asked.baseline_ms, isi, asked.bounds,
        *_helpers(asked), readings, run_samples(asked.rate_hz), run_bins() if asked.silent else 0,
    )  # fmt: skip
    columns = _columns(readings, asked)
    return columns | classical_times(columns["response_p"], readings)


def _helpers(asked: Asked) -> tuple[SamplesUv, Array]:
    return smoothing_taps(asked.rate_hz), tail_ratios(asked.rate_hz)


def _check_baseline(baseline_ms: Window, rate_hz: float, onset_sample: int, isi: Array) -> Window:
    """Refuse a baseline that reaches to its pulse, or of which the sweeps hold less than half."""
    window = check_window_inside(baseline_ms, "baseline_ms", rate_hz, onset_sample, onset_sample + 1)
    longest = float(np.nanmax(isi)) if np.isfinite(isi).any() else 0.0
    middle = 0.5 * (window[0] + window[1]) - longest
    if sample_at(middle, rate_hz, onset_sample) < 0:
        raise UsageError(
            "baseline reaches outside the sweep",
            where="baseline_ms",
            expected=f"at least {-middle:.1f} ms before the test pulse of a pair of {longest:g} ms",
            found=f"{onset_sample * 1e3 / rate_hz:.1f} ms",
            do="cut longer sweeps or give a shorter baseline",
        )
    return window


def _columns(readings: Array, asked: Asked) -> Columns:
    """Everything but times."""
    step_ms = 1e3 / asked.rate_hz
    sizes = sizes_of(readings, asked.window_ms[1] - asked.window_ms[0], asked.baseline_ms[1] - asked.baseline_ms[0])
    if not asked.intervals:
        sizes[:, 1:3] = np.nan
    bridge_ms = (readings[:, TEST_START : TEST_END + 1] - asked.onset_sample) * step_ms
    return {
        "isi_measured_ms": readings[:, LAG] * step_ms,
        "background_rms_uv": readings[:, BACKGROUND],
        "amplitude_uv": readings[:, AMPLITUDE],
        "size_uv": sizes[:, 0],
        "size_low_uv": sizes[:, 1],
        "size_high_uv": sizes[:, 2],
        "noise_uv": sizes[:, 4],
        "response_p": sizes[:, 3],
        "area_uv_ms": readings[:, AREA],
        "first_amplitude_uv": readings[:, FIRST_AMPLITUDE],
        "artifact_start_ms": bridge_ms[:, 0],
        "artifact_end_ms": bridge_ms[:, 1],
        "clipped_samples": readings[:, CLIPPED].astype(np.int64),
    }
