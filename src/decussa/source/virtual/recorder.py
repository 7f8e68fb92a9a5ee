"""What the electrodes and the amplifier add: artifact, noise, mains, heart, band limits and the converter's range."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from decussa.model.stimulus import Pulse

Array = NDArray[np.float64]
Rng = np.random.Generator

RATE_HZ = 5_000.0
RATE_KHZ = RATE_HZ / 1e3
MAINS_HZ = 50.0
#: The amplifier's own band.
BAND_HZ = (2.0, 1_600.0)
#: Facts of the invented recorder, as a sidecar would give them.
FILTER_FACT = "high-pass 2 Hz, first order; low-pass 1600 Hz, second order"

_HIGH_PASS = signal.butter(1, BAND_HZ[0], "highpass", fs=RATE_HZ, output="sos")
_LOW_PASS = signal.butter(2, BAND_HZ[1], "lowpass", fs=RATE_HZ, output="sos")
_EMG_BAND = signal.butter(1, (15.0, 400.0), "bandpass", fs=RATE_HZ, output="sos")
#: RMS of unit white noise after the two filters above, from their impulse responses.
_IMPULSE = np.eye(1, 20_000)[0]
_EMG_BAND_RMS = float(np.sqrt(np.sum(signal.sosfilt(_EMG_BAND, _IMPULSE) ** 2)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Electrodes:
    """One pair of electrodes on one person, in one session.

    Parameters
    ----------
    noise_uv : float
        RMS of amplifier and skin noise together.
    mains_uv : float
        Amplitude of what the mains induce.
    artifact_uv : float
        Peak of the stimulus artifact at 100 % MSO.
    polarity : float
        1 or -1.
    tail : float
        Start of the artifact's slow tail, as a share of its peak.
    tail_ms : float
        Time constant of that tail.
    heart_uv : float
        Peak of the heart's signal, 0 where it is not seen.
    rail_uv : float
        End of the converter's range.
    """

    noise_uv: float
    mains_uv: float
    artifact_uv: float
    polarity: float
    tail: float
    tail_ms: float
    heart_uv: float
    rail_uv: float


def draw_electrodes(artifact_uv: float, heart_uv: float, rail_uv: float, rng: Rng) -> Electrodes:
    """Draw how well one pair of electrodes sits: noise at rest is 2 to 5 µV RMS (from memory, no source)."""
    return Electrodes(
        noise_uv=float(rng.uniform(2.0, 4.2)),
        mains_uv=float(rng.uniform(0.3, 1.5)),
        artifact_uv=artifact_uv * float(rng.lognormal(0.0, 0.35)),
        polarity=float(rng.choice([-1.0, 1.0])),
        tail=float(rng.uniform(0.01, 0.04)),
        tail_ms=float(rng.uniform(2.0, 5.0)),
        heart_uv=heart_uv * float(rng.lognormal(0.0, 0.3)),
        rail_uv=rail_uv,
    )


def draw_artifact(electrodes: Electrodes, pulse: Pulse, time_ms: Array, rng: Rng) -> Array:
    """Return the artifact of one pulse at ``time_ms`` (0 is the test pulse): a sharp volley and a slow tail, in µV.

    Now and then the cable lies badly and the artifact is more than twice as large.
    """
    late = time_ms - pulse.at_ms
    on = late >= 0
    late = np.where(on, late, 0.0)
    badly = 1.0 + 1.5 * float(rng.random() < 0.03)
    size = electrodes.polarity * badly * float(rng.lognormal(0.0, 0.05))
    if math.isfinite(pulse.current_ma):
        size *= 12.0 * pulse.current_ma
        wave = np.sin(2 * np.pi * late / 0.9) * np.exp(-late / 0.25) + 0.01 * np.exp(-late / 1.5)
    else:
        size *= electrodes.artifact_uv * pulse.intensity_mso / 100.0
        wave = 1.6 * np.cos(2 * np.pi * late / 1.1 - 0.9) * np.exp(-late / 0.45)
        wave += electrodes.tail * np.exp(-late / electrodes.tail_ms)
    return np.asarray(np.where(on, size * wave, 0.0))


def draw_noise(electrodes: Electrodes, n_samples: int, rng: Rng) -> NDArray[np.float32]:
    """Return amplifier noise, skin noise in the band of EMG, and mains; shape (n_samples,), µV."""
    white = rng.standard_normal(n_samples, dtype=np.float32)
    skin = signal.sosfilt(_EMG_BAND, rng.standard_normal(n_samples + 1_000, dtype=np.float32))[1_000:] / _EMG_BAND_RMS
    phase = rng.uniform(0, 2 * np.pi, 2)
    angle = 2 * np.pi * MAINS_HZ / RATE_HZ * np.arange(n_samples)
    mains = np.sin(angle + phase[0]) + 0.25 * np.sin(3 * angle + phase[1])
    total = electrodes.noise_uv * (0.6 * white + 0.8 * skin) + electrodes.mains_uv * mains
    return np.asarray(total, dtype=np.float32)


def draw_heart(electrodes: Electrodes, beats_ms: Array, from_ms: float, n_samples: int) -> Array:
    """Return the heart's signal in trunk electrodes: one narrow complex and one slow wave per beat, in µV."""
    trace = np.zeros(n_samples)
    if electrodes.heart_uv == 0:
        return trace
    late = np.arange(-60.0, 420.0, 1 / RATE_KHZ)
    beat = np.exp(-0.5 * (late / 9.0) ** 2) - 0.25 * np.exp(-0.5 * ((late + 24) / 8.0) ** 2)
    beat += -0.4 * np.exp(-0.5 * ((late - 23) / 10.0) ** 2) + 0.15 * np.exp(-0.5 * ((late - 250) / 45.0) ** 2)
    for at in beats_ms:
        start = round((at - 60.0 - from_ms) * RATE_KHZ)
        low, high = max(start, 0), min(start + beat.size, n_samples)
        if low < high:
            trace[low:high] += electrodes.heart_uv * beat[low - start : high - start]
    return trace


def draw_beats(rate_per_min: float, from_ms: float, until_ms: float, rng: Rng) -> Array:
    """Return the times of heart beats between two times, in ms; intervals vary by 4 %."""
    mean = 6e4 / rate_per_min
    steps = mean * np.maximum(rng.normal(1.0, 0.04, int((until_ms - from_ms) / mean * 1.3) + 4), 0.5)
    beats = from_ms - 500.0 + rng.uniform(0, mean) + np.cumsum(steps)
    return np.asarray(beats[beats < until_ms + 100.0])


def lose_contact(trace_uv: Array, rng: Rng) -> Array:
    """Return what is left of a trace when an electrode has come off: mains and a wandering line, hardly any muscle."""
    late_ms = np.arange(trace_uv.size) / RATE_KHZ
    mains = 800.0 * np.sin(2e-3 * np.pi * MAINS_HZ * late_ms + rng.uniform(0, 2 * np.pi))
    return np.asarray(0.05 * trace_uv + mains + np.cumsum(rng.normal(0.0, 4.0, trace_uv.size)))


def convert(trace_uv: NDArray[np.floating], rail_uv: float) -> NDArray[np.float32]:
    """Return what the amplifier and the converter make of ``trace_uv``: band-limited, cut off at the rails, float32."""
    passed = signal.sosfilt(_LOW_PASS, signal.sosfilt(_HIGH_PASS, trace_uv))
    return np.clip(passed, -rail_uv, rail_uv).astype(np.float32)
