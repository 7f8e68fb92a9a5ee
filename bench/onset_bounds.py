"""What can be known of the start of a response? Observers who know the signals of bench/signals.py, beside the estimator.

    python -m bench.onset_bounds [--sweeps N] [--shapes M] [--seed S]

Both observers know the spectrum of the noise and how strong the response is. The one who knows shapes takes their prior from
responses drawn from the generator of a world itself and sums over all of them: the ideal observer, where the posterior is shared
by enough of those drawn. The one who knows moments takes mean and covariance of these responses from their onset on, and for the
rest takes them for normal: the best that an estimator of the kind of the package's could be tuned to in that world. Either is
told which of the three worlds a sweep is from, or only that it is one of them with equal odds, which is more than anybody is
told of real muscle. Backgrounds are the Gaussian ones, sweeps are at 5 kHz, onsets are tried 0.1 ms apart.

Printed: bias and median of the error, share of errors above 5 ms, how many 95 % intervals hold, and how many shapes share the
posterior at the median sweep; where in a sweep of twenty they are few, those drawn do not speak for the world, and the lines are
left out.
"""

from __future__ import annotations

import argparse
import itertools
import time

import numpy as np
from numpy.typing import NDArray
from scipy import signal
from scipy.linalg import cholesky, solve_triangular, toeplitz

from bench.signals import FINE_HZ, RESPONSES, World, response_world
from decussa.measuring.latency import model_onsets

RATE_HZ, STEP, STEP_MS = 5000.0, 8, 0.2
#: Samples from the pulse on, those of a response, and places between two samples.
N, LENGTH, PLACES = 560, 330, 2
#: Onsets may lie from the first to the last of these samples.
FIRST, LAST = 60, 158
CORNER_HZ = 2000.0
DELAY_MS = 1e3 * np.sqrt(2) / (2 * np.pi * CORNER_HZ)
LOW_PASS = signal.butter(2, CORNER_HZ, fs=FINE_HZ, output="sos")
#: Fewer shapes than this that share a posterior speak for nobody.
FEW = 10.0
#: Principal components of responses that are kept, and RMS of the noise.
PARTS, NOISE_UV = 60, 10.0
ONSETS = PLACES * (LAST - FIRST)
Array = NDArray[np.float64]
Singles = NDArray[np.float32]
Rng = np.random.Generator


def autocovariance(background: str) -> Array:
    """Of the recorded noise, RMS 1 before recording, shape (N,)."""
    n = 2**17
    hz = np.arange(n // 2 + 1) * FINE_HZ / n

    def power(low_hz: float, high_hz: float) -> Array:
        band = signal.butter(2, [low_hz, high_hz], "bandpass", fs=FINE_HZ, output="sos")
        out = np.abs(signal.sosfreqz(band, hz, fs=FINE_HZ)[1]) ** 2
        return np.asarray(out / np.fft.irfft(out)[0])

    spectrum = power(5.0, 2000.0) if background == "white" else power(20.0, 450.0) + 0.15**2 * power(5.0, 2000.0)
    recorded = spectrum * np.abs(signal.sosfreqz(LOW_PASS, hz, fs=FINE_HZ)[1]) ** 2
    out = np.fft.irfft(recorded)[: N * STEP : STEP]
    out[0] += 1e-6
    return np.asarray(out)


def shapes(world: str, count: int, seed: int) -> Singles:
    """Responses of RMS 1 as recorded, from their onset on, at either place, shape (count, PLACES, LENGTH)."""
    rng = np.random.default_rng((seed, list(RESPONSES).index(world)))
    t_ms = np.arange(LENGTH * STEP) * 1e3 / FINE_HZ
    out = np.empty((count, PLACES, LENGTH), dtype=np.float32)
    for row in out:
        wave = RESPONSES[world](t_ms, 0.0, rng)
        seen = np.flatnonzero(np.abs(wave) > 0.01 * np.abs(wave).max())
        wave /= np.sqrt(np.mean(wave[seen[0] : seen[-1]] ** 2))
        filtered = signal.sosfilt(LOW_PASS, wave)
        for place in range(PLACES):
            row[place] = filtered[place * STEP // PLACES :: STEP]
    return out


class Shapes:
    """Knows the shapes of one world in one background."""

    def __init__(self, drawn: Singles, lower: Array) -> None:
        self.drawn = drawn.reshape(-1, LENGTH)
        placed = np.zeros((N, self.drawn.shape[0]))
        placed[FIRST : FIRST + LENGTH] = self.drawn.T
        self.lower = lower
        self.power = np.sum(solve_triangular(lower, placed, lower=True) ** 2, axis=0)

    def learn(self, white: Array, ratio: float) -> tuple[Array, Array]:
        """Return likelihoods of onsets, shape (n_sweeps, n_onsets), as logs, and how many shapes share each posterior."""
        logs, shared = np.empty((white.shape[1], ONSETS)), np.empty(white.shape[1])
        for k, solved in enumerate(solve_triangular(self.lower, white, lower=True, trans=1).T):
            windows = np.lib.stride_tricks.sliding_window_view(solved.astype(np.float32), LENGTH)[FIRST:LAST]
            each = ratio * (self.drawn @ windows.T) - 0.5 * ratio**2 * self.power[:, None].astype(np.float32)
            top = float(each.max())
            likely = np.exp(each - top).reshape(-1, PLACES, LAST - FIRST)
            onsets = likely.sum(axis=0)[::-1].T.ravel()  # the later place in a shape is the earlier onset
            share = likely.sum(axis=(1, 2))
            logs[k] = top + np.log(onsets.astype(np.float64) + 1e-300) - np.log(share.size)
            shared[k] = share.sum() ** 2 / np.sum(share**2)
        return logs, shared


class Moments:
    """Knows mean and covariance of the responses of one world in one background."""

    def __init__(self, drawn: Singles, lower: Array) -> None:
        self.means, self.parts = np.empty((ONSETS, N)), np.empty((ONSETS, N, PARTS))
        for place in range(PLACES):
            mean = drawn[:, place].mean(axis=0)
            values, vectors = np.linalg.eigh(np.cov(drawn[:, place].astype(np.float64), rowvar=False))
            both = np.column_stack([mean, vectors[:, -PARTS:] * np.sqrt(np.maximum(values[-PARTS:], 0.0))])
            for shift in range(LAST - FIRST):
                placed = np.zeros((N, PARTS + 1))
                placed[FIRST + shift : FIRST + shift + LENGTH] = both
                placed = solve_triangular(lower, placed, lower=True)
                onset = shift * PLACES + PLACES - 1 - place
                self.means[onset], self.parts[onset] = placed[:, 0], placed[:, 1:]

    def learn(self, white: Array, ratio: float) -> Array:
        """Return likelihoods of onsets, shape (n_sweeps, n_onsets), as logs."""
        logs = np.empty((white.shape[1], ONSETS))
        for onset, (mean, parts) in enumerate(zip(self.means, self.parts, strict=True)):
            left = white - ratio * mean[:, None]
            seen = ratio * parts.T @ left
            lower = cholesky(np.eye(PARTS) + ratio**2 * parts.T @ parts, lower=True)
            explained = np.sum(solve_triangular(lower, seen, lower=True) ** 2, axis=0)
            logs[:, onset] = 0.5 * (explained - np.sum(left**2, axis=0)) - np.sum(np.log(np.diag(lower)))
        return logs


def read(logs: Array) -> Array:
    """Median and central 95 %, in ms from the pulse, of posteriors over onsets, shape (n_sweeps, 3)."""
    cell_ms = STEP_MS / PLACES
    edges = (FIRST - 1) * STEP_MS + cell_ms * (np.arange(ONSETS + 1) + 0.5) + DELAY_MS
    weights = np.exp(logs - logs.max(axis=1, keepdims=True))
    upto = np.pad(np.cumsum(weights / weights.sum(axis=1, keepdims=True), axis=1), ((0, 0), (1, 0)))
    return np.stack([np.interp([0.5, 0.025, 0.975], row, edges) for row in upto])


def ours(worlds: list[World]) -> Array:
    """Value, low and high of the estimator."""
    found = [model_onsets(world.samples_uv[None].astype(np.float32), RATE_HZ, world.onset_sample) for world in worlds]
    return np.array([(one.latency_ms[0], one.low_ms[0], one.high_ms[0]) for one in found])


def show(title: str, answers: Array, right: Array, shared: str = "") -> None:
    error = answers[:, 0] - right
    held = 100 * np.mean((answers[:, 1] <= right) & (right <= answers[:, 2]))
    late = 100 * np.mean(np.abs(error) > 5.0)
    print(f"{title}{np.mean(error):+8.2f}{np.median(np.abs(error)):8.2f}{late:8.1f}{held:8.1f}{shared}", flush=True)


def compare(background: str, ratios: tuple[float, ...], drawn: dict[str, Singles], n: int, rng: Rng) -> None:
    lower = cholesky(toeplitz(autocovariance(background)), lower=True)
    shapes_of = {name: Shapes(each, lower) for name, each in drawn.items()}
    moments_of = {name: Moments(each, lower) for name, each in drawn.items()}
    for ratio, name in itertools.product(ratios, RESPONSES):
        worlds = [
            response_world(rng, response=name, background=background, ratio=ratio, rate_hz=RATE_HZ) for _ in range(n)
        ]
        right = np.array([world.onset_ms for world in worlds])
        after = [world.samples_uv[world.onset_sample : world.onset_sample + N].astype(np.float64) for world in worlds]
        white = solve_triangular(lower, np.column_stack(after) / NOISE_UV, lower=True)
        title = f"{background:8s}{ratio:6g}  {name:8s}"
        show(f"{title}{'decussa':30s}", ours(worlds), right)
        logs = {each: moments.learn(white, ratio) for each, moments in moments_of.items()}
        show(f"{title}{'knows moments, told':30s}", read(logs[name]), right)
        show(f"{title}{'knows moments, not told':30s}", read(np.logaddexp.reduce(list(logs.values()))), right)
        logs[name], shared = shapes_of[name].learn(white, ratio)
        if np.quantile(shared, 0.05) >= FEW:
            logs |= {each: shapes.learn(white, ratio)[0] for each, shapes in shapes_of.items() if each != name}
            show(f"{title}{'knows shapes, told':30s}", read(logs[name]), right, f"{np.median(shared):8.0f}")
            show(f"{title}{'knows shapes, not told':30s}", read(np.logaddexp.reduce(list(logs.values()))), right)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sweeps", type=int, default=200, help="sweeps per world, background and ratio")
    parser.add_argument("--shapes", type=int, default=20_000, help="responses drawn from each world")
    parser.add_argument("--seed", type=int, default=int(time.time()))
    asked = parser.parse_args()
    rng = np.random.default_rng(asked.seed)
    print(f"{asked.sweeps} sweeps and {asked.shapes} shapes of each world, seed {asked.seed}")
    drawn = {name: shapes(name, asked.shapes, asked.seed + 1) for name in RESPONSES}
    print(
        f"{'noise':8s}{'ratio':>6s}  {'world':8s}{'who':30s}{'bias':>8s}{'median':>8s}{'>5 ms':>8s}{'held':>8s}{'shapes':>8s}"
    )
    for background in ("white", "emg"):
        compare(background, (3.0, 10.0, 30.0, 100.0), drawn, asked.sweeps, rng)


if __name__ == "__main__":
    main()
