"""Sweeps made of real voluntary EMG: responses added, silences cut in with the recording's own rest."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from bench.signals import RESPONSES, Rng, World

Array = NDArray[np.float64]
#: Recordings are 1 kHz; sweeps are brought to this rate so that truth lies between samples.
RECORDED_HZ = 1000.0
UP = 4
LEVEL_UV = 100.0


def read_counts(path: Path) -> Array:
    """Samples of a text recording: comment lines, then one number a line."""
    lines = path.read_text().splitlines()
    return np.array([float(line.split()[0]) for line in lines if line.strip() and not line.startswith("#")])


def spliced_worlds(folder: Path, rng: Rng, n: int, *, ramp_ms: float) -> list[World]:
    """Return ``n`` sweeps of -120 to 400 ms with a response and a silence, background at 100 uV RMS on average.

    Contractions of half a second are rare in such recordings: sweeps overlap, so that they are less than ``n`` in information.
    """
    pieces = [_pieces(read_counts(path)) for path in sorted(folder.glob("emg*.txt"))]
    usable = [(active, rest) for active, rest in pieces if active and rest]
    worlds = []
    for _ in range(n if usable else 0):
        active, rest = usable[int(rng.integers(len(usable)))]
        chosen = active[int(rng.integers(len(active)))], rest[int(rng.integers(len(rest)))]
        worlds.append(_splice(*chosen, rng, ramp_ms))
    return worlds


def _pieces(counts: Array) -> tuple[list[Array], list[Array]]:
    """Stretches of 520 ms that are active throughout (over 3 times the usual RMS), and others at rest, active RMS 1."""
    wave = counts - np.median(counts)
    local = np.sqrt(np.convolve(wave**2, np.ones(50) / 50, "same"))
    loud, quiet = local > 3 * np.median(local), local < 1.5 * np.median(local)
    scale = float(np.sqrt(np.mean(wave[loud] ** 2))) if loud.any() else 1.0
    length = 520
    starts = range(100, wave.size - length - 100, 7)
    active = [wave[k : k + length] / scale for k in starts if loud[k : k + length].all()]
    return active, [wave[k : k + length] / scale for k in starts if quiet[k : k + length].all()]


def _splice(active: Array, rest: Array, rng: Rng, ramp_ms: float) -> World:
    fine_active = LEVEL_UV * signal.resample_poly(active, UP, 1)
    fine_rest = LEVEL_UV * signal.resample_poly(rest - rest.mean(), UP, 1)
    rate_hz = RECORDED_HZ * UP
    onset_sample = round(0.120 * rate_hz)
    t_ms = (np.arange(fine_active.size) - onset_sample) * 1e3 / rate_hz
    onset_ms = rng.uniform(14.0, 28.0)
    return_ms = rng.uniform(100.0, 250.0)
    wave = list(RESPONSES.values())[int(rng.integers(len(RESPONSES)))](t_ms, onset_ms, rng)
    seen = np.flatnonzero(np.abs(wave) > 0.01 * np.abs(wave).max())
    wave *= rng.uniform(10.0, 40.0) * LEVEL_UV / np.ptp(wave)
    back = np.clip((t_ms - return_ms) / ramp_ms, 0, 1) if ramp_ms else (t_ms >= return_ms).astype(float)
    gate = np.where(t_ms < onset_ms + 2.0, 1.0, back)
    samples = (wave + gate * fine_active + np.sqrt(1 - gate**2) * fine_rest).astype(np.float32)
    return World(
        samples_uv=samples, rate_hz=rate_hz, onset_sample=onset_sample, onset_ms=onset_ms, end_ms=float(t_ms[seen[-1]]),
        return_ms=return_ms,
    )  # fmt: skip
