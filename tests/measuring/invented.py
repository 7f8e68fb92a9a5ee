"""Invented sweeps for the tests of this floor: noise, an artifact, a response, all made without the package."""

from __future__ import annotations

import numpy as np
from scipy import signal

RATE_HZ = 5000.0
ONSET = 700
LENGTH = 2000
TIME_MS = (np.arange(LENGTH) - ONSET) * 1e3 / RATE_HZ


def noise(
    rng: np.random.Generator, *, low_hz: float = 20.0, high_hz: float = 450.0, rms_uv: float = 10.0
) -> np.ndarray:
    """EMG-like noise of exactly known band and level."""
    sections = signal.butter(4, [low_hz, high_hz], "bandpass", fs=RATE_HZ, output="sos")
    long = signal.sosfilt(sections, rng.standard_normal(20_000 + LENGTH))
    return rms_uv * (long / long.std())[-LENGTH:]


def firing_units(rng: np.random.Generator, *, rms_uv: float = 10.0) -> np.ndarray:
    """Background of 25 to 70 motor units, each with a wave of its own that comes again 8 to 20 times a second."""
    wave = np.zeros(LENGTH + 200)
    for _ in range(int(rng.integers(25, 70))):
        width = int(rng.uniform(5.0, 10.0) * RATE_HZ / 1e3)
        u = np.linspace(-1, 1, width)
        shape = rng.lognormal(0.0, 0.5) * np.cos(np.pi * (rng.uniform(0.8, 1.6) * u + rng.uniform(-0.5, 0.5)))
        shape *= (1 - u**2) ** 2
        apart = RATE_HZ / rng.uniform(8, 20)
        steps = np.abs(rng.normal(apart, 0.15 * apart, 60))
        times = (np.cumsum(steps) - rng.uniform(0, 2 * apart)).astype(int)
        for start in times[(times >= 0) & (times < LENGTH + 200 - width)]:
            wave[start : start + width] += shape
    wave = wave[100 : 100 + LENGTH]
    return rms_uv * (wave / wave.std() + 0.15 * rng.standard_normal(LENGTH))


def broadband(rng: np.random.Generator, *, rms_uv: float = 10.0) -> np.ndarray:
    """White noise up to half the sampling rate."""
    return rms_uv * rng.standard_normal(LENGTH)


def response(onset_ms: float, size_uv: float, *, length_ms: float = 12.0) -> np.ndarray:
    """Two rounded peaks of a gamma-like wave and its rebound; its peak-to-peak is ``size_uv`` on the samples."""
    late = np.clip(TIME_MS - onset_ms, 0, None) / length_ms
    wave = late**2 * np.exp(-9 * late) * (1 - 5.5 * late)
    return size_uv * wave / np.ptp(wave) if size_uv else np.zeros(LENGTH)


def artifact(at_ms: float, peak_uv: float, *, tail_uv: float = 0.0, tail_ms: float = 15.0) -> np.ndarray:
    """A damped swing that starts with a step, and a slow tail."""
    late = np.clip(TIME_MS - at_ms, 0, None)
    swing = peak_uv * np.cos(2 * np.pi * late / 1.3) * np.exp(-late / 0.4) + tail_uv * np.exp(-late / tail_ms)
    return np.where(at_ms <= TIME_MS, swing, 0.0)
