"""How near to a return of activity anyone could come, and how often intervals could hold it: an ideal observer.

    python -m bench.silence_bounds [--sweeps N]

The observer knows the very model that made the signals (Gaussian EMG and amplifier noise of ``bench.signals``, their spectra
and levels, a return that is a straight line) and where about to look (the truth within 5, 15 or 30 ms). Told how long the return
takes, or only that it takes 0, 10 or 30 ms, each as likely, it sums the exact likelihoods of all starts and of the level after
the return. The estimator knows none of this. Both see the same sweeps at 2 kHz, sampled without a filter so that the
likelihoods are exact; some minutes.
"""

from __future__ import annotations

import argparse
import itertools
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import signal
from scipy.linalg import solve_triangular, toeplitz

from bench.accuracy import model_return
from bench.signals import FINE_HZ, RESPONSES, Rng, World, emg_noise, white_noise

Array = NDArray[np.float64]

RATE_HZ = 2000.0
FLOOR_UV = 4.0
#: For each length of a return: starts tried, in ms from the truth, and how far apart.
RAMPS_MS = {0.0: (5.0, 0.25), 10.0: (15.0, 0.5), 30.0: (30.0, 1.0)}
#: Levels of activity after the return over those before, spread like the truth.
LEVELS = (0.88, 1.05, 1.22)
#: What is looked at lies so many ms before and after the true start.
SEEN_MS = (-30.0, 60.0)


def made_world(rng: Rng, level_uv: float, ramp_ms: float) -> World:
    """A sweep of -120 to 400 ms: a response of at most 40 ms, silence, and a return of activity at 0.8 to 1.3 of its level."""
    t_ms = np.arange(-120.0, 400.0, 1e3 / FINE_HZ)
    onset_ms, return_ms = rng.uniform(14.0, 28.0), rng.uniform(110.0, 260.0)
    wave = list(RESPONSES.values())[int(rng.integers(len(RESPONSES)))](t_ms, onset_ms, rng)
    wave *= rng.uniform(8.0, 40.0) * level_uv / np.ptp(wave) * (t_ms < onset_ms + 40.0)
    back = np.clip((t_ms - return_ms) / ramp_ms, 0, 1) if ramp_ms else (t_ms >= return_ms).astype(float)
    gate = np.where(t_ms < onset_ms + 2.0, 1.0, back * rng.uniform(0.8, 1.3))
    fine = wave + level_uv * gate * emg_noise(t_ms.size, rng) + FLOOR_UV * white_noise(t_ms.size, rng)
    return World(
        samples_uv=fine[:: round(FINE_HZ / RATE_HZ)].astype(np.float32), rate_hz=RATE_HZ, onset_sample=round(0.12 * RATE_HZ),
        onset_ms=onset_ms, return_ms=return_ms,
    )  # fmt: skip


@lru_cache
def covariance(low_hz: float, high_hz: float, n: int) -> Array:
    """Covariance of ``n`` samples of ``band_noise``."""
    made = signal.butter(2, [low_hz, high_hz], "bandpass", fs=FINE_HZ, output="sos")
    power = np.abs(signal.sosfreqz(made, np.fft.rfftfreq(2**16, 1 / FINE_HZ), fs=FINE_HZ)[1]) ** 2
    lags = np.fft.irfft(power)[: n * round(FINE_HZ / RATE_HZ) : round(FINE_HZ / RATE_HZ)]
    return toeplitz(lags / lags[0])


def log_likelihoods(samples: Array, t_ms: Array, starts_ms: Array, ramp_ms: float, level_uv: float) -> Array:
    """Of each start of a return: log of the mean likelihood over the levels after it."""
    active, floor = covariance(20.0, 450.0, t_ms.size), FLOOR_UV**2 * covariance(5.0, 2000.0, t_ms.size)
    out = np.empty((len(LEVELS), starts_ms.size))
    for (k, level), (j, start) in itertools.product(enumerate(LEVELS), enumerate(starts_ms)):
        gate = np.clip((t_ms - start) / ramp_ms, 0, 1) if ramp_ms else (t_ms >= start).astype(float)
        gate *= level * level_uv
        half = np.linalg.cholesky(gate[:, None] * gate * active + floor)
        left = solve_triangular(half, samples, lower=True, check_finite=False)
        out[k, j] = -0.5 * left @ left - np.log(np.diag(half)).sum()
    return np.logaddexp.reduce(out, axis=0)


def ideal_returns(world: World, level_uv: float) -> dict[float, tuple[Array, Array]]:
    """For each length of a return: edges of the cells tried, in ms from the truth, and log likelihoods of their middles."""
    t_ms = (np.arange(world.samples_uv.size) - world.onset_sample) * 1e3 / world.rate_hz - world.return_ms
    seen = (t_ms > SEEN_MS[0]) & (t_ms < SEEN_MS[1])
    out = {}
    for ramp, (reach, step) in RAMPS_MS.items():
        # the truth lies anywhere within its cell
        edges = np.arange(-reach, reach + step, step) - step * (world.return_ms % 1.0)
        middles = 0.5 * (edges[1:] + edges[:-1])
        found = log_likelihoods(world.samples_uv[seen].astype(float), t_ms[seen], middles, ramp, level_uv)
        out[ramp] = edges, found + np.log(step)
    return out


def answer(found: dict[float, tuple[Array, Array]]) -> tuple[float, float, float]:
    """Median and central 95 % of the posterior over all lengths given, in ms from the truth."""
    fine = np.arange(-50.0, 50.0, 0.02)
    top = max(logs.max() for _, logs in found.values())
    below = sum(np.interp(fine, edges, np.append(0.0, np.cumsum(np.exp(logs - top)))) for edges, logs in found.values())
    value, low, high = np.interp([0.5, 0.025, 0.975], below / below[-1], fine)
    return float(value), float(low), float(high)


def main() -> None:
    """Print one line per signal."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sweeps", type=int, default=60, help="sweeps per line")
    parser.add_argument("--seed", type=int, default=41)
    asked = parser.parse_args()
    rng = np.random.default_rng(asked.seed)
    print("Return of EMG, error in ms (median of its size) and how often the 95 % interval holds; noise floor 4 uV RMS")
    print(f"{'signal':26s} {'decussa':>16s} {'ideal, told':>16s} {'ideal, not told':>16s}")
    for level, ramp in itertools.product((20.0, 60.0, 200.0), RAMPS_MS):
        answers = []
        for _ in range(asked.sweeps):
            world = made_world(rng, level, ramp)
            ours = np.array(model_return(world, world.samples_uv)) - world.return_ms
            ideal = ideal_returns(world, level)
            answers.append((ours, answer({ramp: ideal[ramp]}), answer(ideal)))
        value, low, high = np.array(answers).transpose(2, 1, 0)
        size, cover = np.nanmedian(np.abs(value), axis=1), 100 * np.mean((low <= 0) & (high >= 0), axis=1)
        numbers = " ".join(f"{a:8.2f} {b:5.0f} %" for a, b in zip(size, cover, strict=True))
        print(f"{f'emg {level:g} uV, ramp {ramp:g} ms':26s} {numbers}", flush=True)


if __name__ == "__main__":
    main()
