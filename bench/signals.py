"""Invented sweeps whose truth is known, made by models that the estimators do not share.

Three kinds of response (a pool of motor units, a finite smooth pulse, a sharp oscillation), four kinds of noise and
background (broadband, EMG band, firing units, spliced recordings) and the nuisances of a laboratory (slow artifact tail,
mains, heart signal). Nothing here imports the package.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Array = NDArray[np.float64]
Rng = np.random.Generator

#: Signals are made at this rate and then brought to the recording rate, so that truth lies between samples.
FINE_HZ = 40_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """One sweep and its truth: times in ms from the pulse, NaN where there is nothing."""

    samples_uv: Array
    rate_hz: float
    onset_sample: int
    onset_ms: float = np.nan
    end_ms: float = np.nan
    return_ms: float = np.nan


def record(fine: Array, rate_hz: float, rng: Rng) -> tuple[Array, float]:
    """Low-pass and sample as an amplifier would; returns samples and the time of the first one in ms, delay taken off."""
    step = round(FINE_HZ / rate_hz)
    corner = min(0.4 * rate_hz, 2000.0)
    sos = signal.butter(2, corner, fs=FINE_HZ, output="sos")
    shift = int(rng.integers(step))
    delay_ms = 1e3 * np.sqrt(2) / (2 * np.pi * corner)  # of a second-order Butterworth filter at low frequencies
    return signal.sosfilt(sos, fine)[shift::step], shift * 1e3 / FINE_HZ - delay_ms


# ---------------------------------------------------------------- responses
def unit_shape(t_ms: Array, width_ms: float, phases: int, kind: str) -> Array:
    """One motor-unit potential: zero before 0 and after ``width_ms``."""
    inside = (t_ms >= 0) & (t_ms <= width_ms)
    u = np.clip(t_ms / width_ms, 0, 1)
    wave = np.sin(np.pi * phases * u)
    if kind == "smooth":
        wave = wave * np.sin(np.pi * u) ** 2
    elif kind == "finite":
        wave = wave * (1 - u)
    return np.where(inside, wave, 0.0)


def pool_response(t_ms: Array, onset_ms: float, rng: Rng) -> Array:
    """Sum of 8 to 120 units: the first arrives at ``onset_ms``, the others are dispersed over a few ms, large ones later."""
    units = int(rng.integers(8, 120))
    spread = rng.uniform(1.5, 5.0)
    delays = np.sort(rng.gamma(2.0, spread / 2.0, units))
    delays -= delays[0]
    sizes = rng.lognormal(0.0, 0.7, units)
    if rng.random() < 0.5:
        sizes = np.sort(sizes)
    kind = ("smooth", "finite")[int(rng.integers(2))]
    phases = int(rng.integers(2, 4))
    width = rng.uniform(5.0, 11.0)
    total = np.zeros_like(t_ms)
    for delay, size in zip(delays, sizes, strict=True):
        total += size * unit_shape(t_ms - onset_ms - delay, width * rng.uniform(0.8, 1.25), phases, kind)
    return total


def pulse_response(t_ms: Array, onset_ms: float, rng: Rng) -> Array:
    """A power-law start of order 1 to 3 and an exponential decay, turned over once."""
    tau = rng.uniform(1.2, 3.0)
    order = rng.uniform(1.0, 3.0)
    late = np.clip(t_ms - onset_ms, 0, None) / tau
    return late**order * np.exp(-late) * (1 - late / (order + rng.uniform(0.5, 2.5)))


def sharp_response(t_ms: Array, onset_ms: float, rng: Rng) -> Array:
    """A damped oscillation that starts with a kink."""
    late = np.clip(t_ms - onset_ms, 0, None)
    return np.sin(2 * np.pi * rng.uniform(0.06, 0.16) * late) * np.exp(-late / rng.uniform(3.0, 8.0))


RESPONSES = {"pool": pool_response, "pulse": pulse_response, "sharp": sharp_response}


# ---------------------------------------------------------------- noise and background
def white_noise(n: int, rng: Rng) -> Array:
    """Broadband amplifier noise, 5 to 2000 Hz, unit RMS."""
    return band_noise(n, 5.0, 2000.0, rng)


def band_noise(n: int, low_hz: float, high_hz: float, rng: Rng) -> Array:
    """Gaussian noise between two corners, unit RMS."""
    sos = signal.butter(2, [low_hz, high_hz], "bandpass", fs=FINE_HZ, output="sos")
    wave = signal.sosfilt(sos, rng.standard_normal(n + 8000))[8000:]
    return wave / np.sqrt(np.mean(wave**2))


def emg_noise(n: int, rng: Rng) -> Array:
    """EMG-like: 20 to 450 Hz."""
    return band_noise(n, 20.0, 450.0, rng)


def firing_units(n: int, rng: Rng, units: int | None = None) -> Array:
    """Interference of 20 to 80 units firing at 8 to 25 per second, unit RMS: spiky when few are active."""
    units = units or int(rng.integers(20, 80))
    wave = np.zeros(n)
    for _ in range(units):
        width = rng.uniform(4.0, 10.0)
        t = np.arange(0, width, 1e3 / FINE_HZ)
        shape = rng.lognormal(0.0, 0.6) * unit_shape(t, width, int(rng.integers(2, 4)), "smooth")
        mean = FINE_HZ / rng.uniform(8, 25)
        count = int(n / mean * 2) + 10
        times = np.cumsum(np.abs(rng.normal(mean, 0.15 * mean, count))) - rng.uniform(0, 2 * mean)
        for start in times[(times > 0) & (times < n - t.size)].astype(int):
            wave[start : start + t.size] += shape
    return wave / np.sqrt(np.mean(wave**2))


BACKGROUNDS = {"white": white_noise, "emg": emg_noise, "units": firing_units}


# ---------------------------------------------------------------- nuisances
def artifact(t_ms: Array, rng: Rng) -> Array:
    """Stimulus artifact: a volley of 1.5 ms and a slow tail of two exponentials."""
    late = np.clip(t_ms, 0, None)
    on = t_ms >= 0
    volley = rng.uniform(2e3, 2e4) * np.sin(2 * np.pi * late / 0.7) * np.exp(-late / 0.35)
    tail = rng.choice([-1, 1]) * rng.uniform(20, 300) * np.exp(-late / rng.uniform(1.0, 4.0))
    slow = rng.choice([-1, 1]) * rng.uniform(2, 40) * np.exp(-late / rng.uniform(8.0, 40.0))
    return np.where(on, volley + tail + slow, 0.0)


def mains(t_ms: Array, rng: Rng) -> Array:
    """50 Hz and its third harmonic, unit RMS."""
    wave = np.sin(2 * np.pi * 0.05 * t_ms + rng.uniform(0, 7)) + 0.2 * np.sin(
        2 * np.pi * 0.15 * t_ms + rng.uniform(0, 7)
    )
    return wave / 0.7211


def heart(t_ms: Array, rng: Rng) -> Array:
    """One beat somewhere in the sweep: a QRS of about 80 ms and a slow wave, unit peak."""
    centre = rng.uniform(t_ms[0], t_ms[-1])
    x = t_ms - centre
    qrs = (
        np.exp(-0.5 * (x / 10) ** 2)
        - 0.3 * np.exp(-0.5 * ((x + 22) / 9) ** 2)
        - 0.35 * np.exp(-0.5 * ((x - 24) / 10) ** 2)
    )
    return qrs + 0.2 * np.exp(-0.5 * ((x - 250) / 45) ** 2)


def disturb(t_ms: Array, rng: Rng, names: tuple[str, ...], noise_uv: float) -> Array:
    """Sum of the nuisances named: artifact, mains (up to 0.7 of the noise, RMS), heart (2 to 8 times it, peak)."""
    total = np.zeros(t_ms.size)
    if "artifact" in names:
        total += artifact(t_ms, rng)
    if "mains" in names:
        total += noise_uv * rng.uniform(0, 0.7) * mains(t_ms, rng)
    if "heart" in names:
        total += noise_uv * rng.uniform(2, 8) * heart(t_ms, rng)
    return total


# ---------------------------------------------------------------- worlds
def response_world(
    rng: Rng,
    *,
    response: str,
    background: str,
    ratio: float,
    rate_hz: float,
    noise_uv: float = 10.0,
    nuisances: tuple[str, ...] = (),
) -> World:
    """A sweep of -120 to 120 ms; ``ratio`` is RMS of the response over RMS of the noise (0: no response)."""
    onset_ms = rng.uniform(14.0, 30.0)
    t_ms = np.arange(-120.0, 120.0, 1e3 / FINE_HZ)
    wave = RESPONSES[response](t_ms, onset_ms, rng)
    seen = np.flatnonzero(np.abs(wave) > 0.01 * np.abs(wave).max())
    wave *= ratio * noise_uv / np.sqrt(np.mean(wave[seen[0] : seen[-1]] ** 2))
    return _recorded_response(
        wave, onset_ms, seen[-1], rng, background=background, rate_hz=rate_hz, noise_uv=noise_uv, nuisances=nuisances
    )


def sized_world(
    rng: Rng, *, response: str, background: str, size_uv: float, rate_hz: float, noise_uv: float = 10.0,
    nuisances: tuple[str, ...] = (),
) -> World:  # fmt: skip
    """A sweep of -120 to 120 ms with a response of a given peak-to-peak (0: none)."""
    onset_ms = rng.uniform(14.0, 30.0)
    t_ms = np.arange(-120.0, 120.0, 1e3 / FINE_HZ)
    wave = RESPONSES[response](t_ms, onset_ms, rng)
    seen = np.flatnonzero(np.abs(wave) > 0.01 * np.abs(wave).max())
    wave *= size_uv / np.ptp(wave)
    return _recorded_response(
        wave, onset_ms, seen[-1], rng, background=background, rate_hz=rate_hz, noise_uv=noise_uv, nuisances=nuisances
    )


def _recorded_response(
    wave: Array, onset_ms: float, end: int, rng: Rng, *, background: str, rate_hz: float, noise_uv: float,
    nuisances: tuple[str, ...],
) -> World:  # fmt: skip
    """Add noise, background and nuisances to a response and record it."""
    t_ms = np.arange(-120.0, 120.0, 1e3 / FINE_HZ)
    fine = wave + noise_uv * BACKGROUNDS[background](t_ms.size, rng)
    if background != "white":
        fine += 0.15 * noise_uv * white_noise(t_ms.size, rng)
    fine += disturb(t_ms, rng, nuisances, noise_uv)
    samples, shift = record(fine, rate_hz, rng)
    onset_sample = round((120.0 - shift) * rate_hz / 1e3)
    offset = onset_sample * 1e3 / rate_hz + shift - 120.0
    return World(
        samples_uv=samples.astype(np.float32), rate_hz=rate_hz, onset_sample=onset_sample,
        onset_ms=onset_ms - offset if wave.any() else np.nan, end_ms=t_ms[end] - offset if wave.any() else np.nan,
    )  # fmt: skip


def silence_world(
    rng: Rng, *, background: str, level_uv: float, ramp_ms: float, rate_hz: float, breaks: bool = False,
    nuisances: tuple[str, ...] = (), floor_uv: float = 4.0,
) -> World:  # fmt: skip
    """A sweep of -120 to 400 ms during contraction: response, silence, return within ``ramp_ms`` (0: at once).

    With ``breaks`` one short, weaker burst lies inside the silence. Amplifier noise of ``floor_uv`` RMS goes on throughout.
    """
    onset_ms = rng.uniform(14.0, 28.0)
    return_ms = rng.uniform(onset_ms + 50.0, 260.0)
    t_ms = np.arange(-120.0, 400.0, 1e3 / FINE_HZ)
    wave = list(RESPONSES.values())[int(rng.integers(len(RESPONSES)))](t_ms, onset_ms, rng)
    seen = np.flatnonzero(np.abs(wave) > 0.01 * np.abs(wave).max())
    wave *= rng.uniform(8.0, 40.0) * level_uv / np.ptp(wave)
    end_ms = min(float(t_ms[seen[-1]]), return_ms - 20.0)
    gate = np.where(
        t_ms < onset_ms + 2.0, 1.0, np.clip((t_ms - return_ms) / ramp_ms, 0, 1) if ramp_ms else t_ms >= return_ms
    )
    if breaks and return_ms - end_ms > 45.0:
        length = rng.uniform(4.0, 10.0)
        start = rng.uniform(end_ms + 8.0, return_ms - 20.0 - length)
        gate = np.where((t_ms >= start) & (t_ms < start + length), rng.uniform(0.3, 0.8), gate)
    gate = gate * np.where(t_ms > return_ms, rng.uniform(0.8, 1.3), 1.0)
    fine = wave + level_uv * gate * BACKGROUNDS[background](t_ms.size, rng) + floor_uv * white_noise(t_ms.size, rng)
    fine += disturb(t_ms, rng, nuisances, floor_uv)
    samples, shift = record(fine, rate_hz, rng)
    onset_sample = round((120.0 - shift) * rate_hz / 1e3)
    offset = onset_sample * 1e3 / rate_hz + shift - 120.0
    return World(
        samples_uv=samples.astype(np.float32), rate_hz=rate_hz, onset_sample=onset_sample,
        onset_ms=onset_ms - offset, end_ms=end_ms - offset, return_ms=return_ms - offset,
    )  # fmt: skip
