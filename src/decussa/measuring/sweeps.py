"""Everything that is measured on sweeps, in one call: one path for a live sweep and for a million recorded ones."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from decussa.measuring.artifact import Bounds, artifact_bounds, clean
from decussa.measuring.background import BASELINE_MS
from decussa.measuring.classical_onsets import run_samples
from decussa.measuring.classical_silences import control_chart_silences
from decussa.measuring.door import Window, check_isi, check_sweeps, check_window_inside, first_pulse_ms, sample_at
from decussa.measuring.filters import smoothing_taps
from decussa.measuring.kernel import Readings, blank_readings, read_block, read_block_classically
from decussa.measuring.noise import mean_ranges
from decussa.measuring.size import MIX_FROM, estimate_sizes, tables_for
from decussa.measuring.tail import tail_curves
from decussa.measuring.times import LEAST_P, OnsetMethod, Place, classical_times, model_times, no_times
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
    measure_part = _measure_classically if onset == "threshold" else _measure_by_model
    size = WIDE_BLOCK if onset == "threshold" else BLOCK
    blocks = []
    for start in range(0, max(1, samples.shape[0]), size):
        part = slice(start, start + size)
        blocks.append(measure_part(samples[part], isi[part], asked))
    if not intervals:
        for block in blocks:
            block["size_low_uv"] = np.full(block["size_uv"].size, np.nan)
            block["size_high_uv"] = block["size_low_uv"].copy()
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


def _measure_by_model(samples: SamplesUv, isi: Array, asked: Asked) -> Columns:
    """Measure a block with the model's times, or with none."""
    readings = blank_readings(samples.shape[0])
    bridged = np.empty_like(samples) if asked.onset or asked.silent else _room(samples)
    read_block(
        samples, bridged, asked.rate_hz, asked.onset_sample, asked.window_ms, asked.baseline_ms, isi, asked.bounds,
        *_helpers(samples, asked), readings,
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


def _measure_classically(samples: SamplesUv, isi: Array, asked: Asked) -> Columns:
    """Measure a block with the times of the published methods, in one pass."""
    n = samples.shape[0]
    readings = blank_readings(n)
    runs, limits = np.full((n, 2), np.nan), np.full(n if asked.silent else 0, np.nan)
    read_block_classically(
        samples, _room(samples)[0], asked.rate_hz, asked.onset_sample, asked.window_ms, asked.baseline_ms, isi, asked.bounds,
        *_helpers(samples, asked), readings, run_samples(asked.rate_hz), runs, limits,
    )  # fmt: skip
    columns = _columns(readings, asked)
    there = columns["response_p"] >= LEAST_P
    silences = np.full((n, 2), np.nan)
    charted = np.flatnonzero(limits > 0.0)
    if charted.size:
        bridged = clean(
            samples[charted], asked.rate_hz, asked.onset_sample, isi_ms=isi[charted], low_uv=asked.bounds.low_uv,
            high_uv=asked.bounds.high_uv, nerve=asked.bounds.response_ms < 0,
        ).bridged_uv  # fmt: skip
        found = control_chart_silences(
            bridged, asked.rate_hz, asked.onset_sample, response_end_ms=np.where(there, runs[:, 1], np.nan)[charted],
            window_ms=asked.window_ms, artifact_end_ms=np.nan_to_num(columns["artifact_end_ms"])[charted],
            baseline_ms=asked.baseline_ms, first_pulse_ms=first_pulse_ms(isi, n)[charted],
        )  # fmt: skip
        silences[charted] = np.stack([found.start_ms, found.end_ms], axis=1)
    return columns | classical_times(columns["response_p"], runs, silences)


def _room(samples: SamplesUv) -> SamplesUv:
    """Room for one bridged sweep, written over again and again."""
    return np.empty((1, samples.shape[1]), dtype=np.float32)


def _helpers(samples: SamplesUv, asked: Asked) -> tuple[SamplesUv, SamplesUv]:
    return smoothing_taps(asked.rate_hz), tail_curves(asked.rate_hz, samples.shape[1])


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


def _columns(readings: Readings, asked: Asked) -> Columns:
    """Everything but times."""
    step_ms = 1e3 / asked.rate_hz
    sizes = _sizes(readings, asked.window_ms, asked.baseline_ms)
    span = (sample_at(asked.window_ms[1], asked.rate_hz, 0) - sample_at(asked.window_ms[0], asked.rate_hz, 0)) * step_ms
    artifacts = (readings.places[:, :4] - asked.onset_sample) * step_ms
    return {
        "isi_measured_ms": readings.places[:, 4] * step_ms,
        "background_rms_uv": readings.values[:, 0],
        "amplitude_uv": readings.values[:, 1],
        "size_uv": sizes[:, 0],
        "size_low_uv": sizes[:, 1],
        "size_high_uv": sizes[:, 2],
        "noise_uv": readings.recorded[:, 0] * mean_ranges(1.0 + readings.recorded[:, 1] * span),
        "response_p": sizes[:, 3],
        "area_uv_ms": readings.values[:, 2],
        "first_amplitude_uv": readings.values[:, 3],
        "artifact_start_ms": artifacts[:, 2],
        "artifact_end_ms": artifacts[:, 3],
        "clipped_samples": readings.clipped,
    }


def _sizes(readings: Readings, window_ms: Window, baseline_ms: Window) -> Array:
    needed = readings.recorded[:, 2] > MIX_FROM * readings.recorded[:, 0]
    densities = np.concatenate([readings.smoothed[:, 1], readings.recorded[needed, 1]])
    tables = tables_for(densities, window_ms[1] - window_ms[0], baseline_ms[1] - baseline_ms[0])
    sizes = np.empty((readings.smoothed.shape[0], 4))
    expected = readings.smoothed[:, 0] * mean_ranges(1.0 + readings.smoothed[:, 1] * (baseline_ms[1] - baseline_ms[0]))
    estimate_sizes(readings.smoothed, readings.recorded, expected, tables, sizes)
    return sizes
