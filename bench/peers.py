"""What others would do with the same sweeps: the published rules as this package offers them, and a changepoint library."""

from __future__ import annotations

import numpy as np
import ruptures
from numpy.typing import NDArray
from scipy import signal

from bench.signals import World
from decussa.measuring.classical_onsets import rectified_threshold_onset, variance_change_onset
from decussa.measuring.classical_silences import control_chart_silence

Array = NDArray[np.float64]
WINDOW_MS = (10.0, 50.0)
BASELINE_MS = (-100.0, -5.0)


def threshold_raw(world: World, bridged: Array) -> float:
    """Mean + 3 SD of the rectified signal, 1 ms run."""
    return rectified_threshold_onset(
        bridged, world.rate_hz, world.onset_sample, window_ms=WINDOW_MS, baseline_ms=BASELINE_MS
    )


def threshold_filtered(world: World, bridged: Array) -> float:
    """The same after the usual zero-phase band-pass of 20 to 1000 Hz (to 0.45 of a low rate)."""
    band = [20.0, min(1000.0, 0.45 * world.rate_hz)]
    sos = signal.butter(2, band, "bandpass", fs=world.rate_hz, output="sos")
    return threshold_raw(world, signal.sosfiltfilt(sos, bridged))


def variance_change(world: World, bridged: Array) -> float:
    """Most likely change of variance against the baseline."""
    return variance_change_onset(
        bridged, world.rate_hz, world.onset_sample, window_ms=WINDOW_MS, baseline_ms=BASELINE_MS
    )


def library_onset(world: World, bridged: Array) -> float:
    """First of two changes in the mean of log|EMG|, baseline and window taken together (ruptures, binary segmentation)."""
    wave, first = _joined(world, bridged, BASELINE_MS, (WINDOW_MS[0], WINDOW_MS[1] + 15.0))
    changes = _changes(wave, 2)
    return (first + changes[0]) * 1e3 / world.rate_hz


def library_return(world: World, bridged: Array) -> float:
    """Last of two changes in the mean of log|EMG| from the end of the window on (ruptures, binary segmentation)."""
    start = world.onset_sample + round(30.0 * world.rate_hz / 1e3)
    wave = bridged[start:] - bridged[: world.onset_sample].mean()
    return (start - world.onset_sample + _changes(wave, 2)[-1]) * 1e3 / world.rate_hz


def chart_return(world: World, bridged: Array) -> float:
    """Control chart (2 SD) on a single sweep smoothed over 10 ms, for without smoothing its lower limit is below zero."""
    centred = bridged - bridged[: world.onset_sample].mean()
    width = max(1, round(10.0 * world.rate_hz / 1e3))
    smooth = np.convolve(np.abs(centred), np.ones(width) / width, "same")
    return control_chart_silence(smooth, world.rate_hz, world.onset_sample, response_ms=30.0, factor=1.77)[1]


def _joined(
    world: World, bridged: Array, one_ms: tuple[float, float], two_ms: tuple[float, float]
) -> tuple[Array, int]:
    """Two stretches put together, and what to add to a place in them to count from the pulse."""
    per_ms = world.rate_hz / 1e3
    a, b, c, d = (world.onset_sample + round(time * per_ms) for time in (*one_ms, *two_ms))
    baseline = bridged[max(0, a) : b]
    return np.concatenate([baseline, bridged[c:d]]) - baseline.mean(), c - world.onset_sample - baseline.size


def _changes(wave: Array, count: int) -> list[int]:
    floor = 0.1 * float(np.median(np.abs(wave))) + 1e-9
    found = ruptures.Binseg(model="l2", jump=1, min_size=5).fit(np.log(np.abs(wave) + floor)).predict(n_bkps=count)
    return [int(place) for place in found[:-1]]
