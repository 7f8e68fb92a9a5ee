"""Everything that is measured on sweeps, in one call: one path for a live sweep and for a million recorded ones."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from decussa.measuring.artifact import Cleaned, clean
from decussa.measuring.background import BASELINE_MS
from decussa.measuring.door import Window, check_isi, check_sweeps, check_window_inside, first_pulse_ms, sample_at
from decussa.measuring.filters import smoothing_taps
from decussa.measuring.kernel import Readings, blank_readings, read_block
from decussa.measuring.noise import mean_ranges
from decussa.measuring.size import MIX_FROM, estimate_sizes, tables_for
from decussa.measuring.times import OnsetMethod, find_times
from decussa.model.errors import UsageError
from decussa.model.sweep import SamplesUv

Array = NDArray[np.float64]
Columns = dict[str, NDArray[Any]]

#: Sweeps that are worked on at once: bounds the memory, changes no number.
BLOCK = 128
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
    blocks = []
    for start in range(0, max(1, samples.shape[0]), BLOCK):
        part = slice(start, start + BLOCK)
        cleaned = clean(
            samples[part], rate_hz, onset_sample, isi_ms=isi[part], low_uv=low_uv, high_uv=high_uv, nerve=nerve
        )
        block = _read(
            samples[part], cleaned, float(rate_hz), int(onset_sample), window, baseline, isi[part], low_uv, high_uv
        )
        if not intervals:
            block["size_low_uv"] = np.full(block["size_uv"].size, np.nan)
            block["size_high_uv"] = block["size_low_uv"].copy()
        found = find_times(
            cleaned, block["response_p"], float(rate_hz), int(onset_sample), window, baseline, isi[part], onset,
            silent=silent, intervals=intervals,
        )  # fmt: skip
        blocks.append(block | found)
    return {name: np.concatenate([block[name] for block in blocks]) for name in blocks[0]}


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


def _read(
    samples: SamplesUv,
    cleaned: Cleaned,
    rate_hz: float,
    onset_sample: int,
    window_ms: Window,
    baseline_ms: Window,
    isi: Array,
    low_uv: float,
    high_uv: float,
) -> Columns:
    """Everything but times: one pass over the samples, then the sizes."""
    readings = blank_readings(samples.shape[0])
    times = (cleaned.first_start_ms, cleaned.first_end_ms, cleaned.artifact_start_ms, cleaned.artifact_end_ms)
    places = np.rint(np.stack(times, axis=1) * rate_hz / 1e3 + onset_sample)
    read_block(
        samples, cleaned.bridged_uv, rate_hz, onset_sample, window_ms, baseline_ms, first_pulse_ms(isi, isi.size), places,
        float(low_uv), float(high_uv), smoothing_taps(rate_hz),
        readings.values, readings.smoothed, readings.recorded, readings.clipped,
    )  # fmt: skip
    sizes = _sizes(readings, window_ms, baseline_ms)
    window_samples = (sample_at(window_ms[1], rate_hz, 0) - sample_at(window_ms[0], rate_hz, 0)) * 1e3 / rate_hz
    return {
        "isi_measured_ms": cleaned.isi_measured_ms,
        "background_rms_uv": readings.values[:, 0],
        "amplitude_uv": readings.values[:, 1],
        "size_uv": sizes[:, 0],
        "size_low_uv": sizes[:, 1],
        "size_high_uv": sizes[:, 2],
        "noise_uv": readings.recorded[:, 0] * mean_ranges(1.0 + readings.recorded[:, 1] * window_samples),
        "response_p": sizes[:, 3],
        "area_uv_ms": readings.values[:, 2],
        "first_amplitude_uv": readings.values[:, 3],
        "artifact_start_ms": cleaned.artifact_start_ms,
        "artifact_end_ms": cleaned.artifact_end_ms,
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
