"""How near onset latency and silent period come to the truth of invented sweeps, beside what others would do.

    python -m bench.accuracy [--quick] [--sweeps N] [--emg FOLDER] [--only NAME]

Signals come from ``bench.signals``, whose models the estimators do not share, at 2, 4, 5 and 10 kHz; ``--emg`` adds sweeps made
of real voluntary EMG (text files with one number a line). One sweep at a time, no marking by hand. A failure is an error of
more than 5 ms (onset) or 40 ms (return), or no answer; medians and percentiles are over answers.
"""

from __future__ import annotations

import argparse
import itertools
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bench.peers import chart_return, library_onset, library_return, threshold_filtered, threshold_raw, variance_change
from bench.signals import BACKGROUNDS, RESPONSES, World, response_world, silence_world, sized_world
from bench.spliced import spliced_worlds
from decussa.measuring.artifact import clean
from decussa.measuring.latency import model_onsets
from decussa.measuring.silent_period import model_silences
from decussa.measuring.sweeps import measure_sweeps

RATES_HZ = (2000.0, 4000.0, 5000.0, 10_000.0)
NUISANCES = ("artifact", "mains", "heart")
ONSET_FAILURE_MS = 5.0
RETURN_FAILURE_MS = 40.0
Array = NDArray[np.float64]
Answer = tuple[float, float, float]
Method = Callable[[World, Array], Answer]


def model_onset(world: World, bridged: Array) -> Answer:
    found = model_onsets(
        bridged[None].astype(np.float32), world.rate_hz, world.onset_sample, artifact_end_ms=_blind(world)
    )
    return float(found.latency_ms[0]), float(found.low_ms[0]), float(found.high_ms[0])


def model_return(world: World, bridged: Array) -> Answer:
    one = bridged[None].astype(np.float32)
    onsets = model_onsets(one, world.rate_hz, world.onset_sample, artifact_end_ms=_blind(world))
    end = np.where(onsets.response_p >= 0.5, onsets.end_ms, np.nan)
    found = model_silences(one, world.rate_hz, world.onset_sample, response_end_ms=end)
    return float(found.end_ms[0]), float(found.low_ms[0]), float(found.high_ms[0])


def without_interval(method: Callable[[World, Array], float]) -> Method:
    return lambda world, bridged: (method(world, bridged), np.nan, np.nan)


ONSET_METHODS: dict[str, Method] = {
    "decussa": model_onset,
    "mean+3SD raw": without_interval(threshold_raw),
    "mean+3SD filtered": without_interval(threshold_filtered),
    "variance change": without_interval(variance_change),
    "ruptures": without_interval(library_onset),
}
RETURN_METHODS: dict[str, Method] = {
    "decussa": model_return,
    "control chart": without_interval(chart_return),
    "ruptures": without_interval(library_return),
}


def only(name: str) -> None:
    """Leave out every method but one."""
    for methods in (ONSET_METHODS, RETURN_METHODS):
        for other in set(methods) - {name}:
            del methods[other]


def compare(title: str, worlds: list[World], methods: dict[str, Method], truth: str, failure_ms: float) -> None:
    """Print one line per method: bias, median and 95th percentile of the error, failures, cover of the 95 % interval."""
    right = np.array([getattr(world, truth) for world in worlds])
    bridged = [_bridge(world) for world in worlds]
    for name, method in methods.items():
        start = time.perf_counter()
        answers = np.array([method(world, wave) for world, wave in zip(worlds, bridged, strict=True)])
        each_ms = (time.perf_counter() - start) / len(worlds) * 1e3
        error = answers[:, 0] - right
        size = np.abs(error[np.isfinite(error)])
        failed = 100 * np.mean(~(np.abs(error) <= failure_ms))
        cover = 100 * np.mean((answers[:, 1] <= right) & (right <= answers[:, 2]))
        given = f"{cover:4.0f} %" if np.isfinite(answers[:, 1]).any() else "   - "
        numbers = (
            f"{np.mean(error[np.isfinite(error)]):+7.2f} {np.median(size):7.2f} {np.percentile(size, 95):7.2f}"
            if size.size
            else f"{'-':>7} {'-':>7} {'-':>7}"
        )
        print(f"{title:38s} {name:18s} {numbers} {failed:6.1f} %  {given} {each_ms:8.2f}", flush=True)


def _bridge(world: World) -> Array:
    cleaned = clean(world.samples_uv, world.rate_hz, world.onset_sample)
    return cleaned.bridged_uv[0].astype(np.float64)


def _blind(world: World) -> float:
    end = clean(world.samples_uv, world.rate_hz, world.onset_sample).artifact_end_ms[0]
    return 0.0 if np.isnan(end) else float(end)


def compare_onsets(n: int, rng: np.random.Generator, *, rates: tuple[float, ...]) -> None:
    print("\nOnset, one sweep; ratio = RMS of the response over RMS of the noise")
    print(
        f"{'signal':38s} {'method':18s} {'bias':>7} {'median':>7} {'p95':>7} {'failed':>8} {'cover':>7} {'ms each':>8}"
    )
    for nuisances in ((), NUISANCES):
        for background, response, ratio in itertools.product(BACKGROUNDS, RESPONSES, (3.0, 10.0, 30.0, 100.0)):
            worlds = [
                response_world(
                    rng,
                    response=response,
                    background=background,
                    ratio=ratio,
                    rate_hz=rates[k % len(rates)],
                    nuisances=nuisances,
                )
                for k in range(n)
            ]
            title = f"{background}, {response}, ratio {ratio:g}{', disturbed' if nuisances else ''}"
            compare(title, worlds, ONSET_METHODS, "onset_ms", ONSET_FAILURE_MS)


def compare_returns(n: int, rng: np.random.Generator, *, rates: tuple[float, ...]) -> None:
    print("\nReturn of EMG, one sweep; noise floor 4 uV RMS")
    print(
        f"{'signal':38s} {'method':18s} {'bias':>7} {'median':>7} {'p95':>7} {'failed':>8} {'cover':>7} {'ms each':>8}"
    )
    cases = itertools.product(((), NUISANCES), ("emg", "units"), (20.0, 60.0, 200.0), (0.0, 10.0, 30.0), (False, True))
    for nuisances, background, level, ramp, breaks in cases:
        worlds = [
            silence_world(
                rng, background=background, level_uv=level, ramp_ms=ramp, rate_hz=rates[k % len(rates)], breaks=breaks,
                nuisances=nuisances,
            )
            for k in range(n)
        ]  # fmt: skip
        title = f"{background} {level:g} uV, ramp {ramp:g} ms{', break' if breaks else ''}{', disturbed' if nuisances else ''}"
        compare(title, worlds, RETURN_METHODS, "return_ms", RETURN_FAILURE_MS)


def compare_presence(n: int, rng: np.random.Generator) -> None:
    """Response or not: false alarms without one, misses with one of 80 uV, and how probabilities hold what they say."""
    print("\nResponse or not, noise 10 uV RMS: taken for one from a probability of 0.5, or from 50 uV peak-to-peak")
    print(
        f"{'background':30s} {'false alarms':>14} {'misses at 80':>14} {'50 uV: false':>14} {'misses':>8}   share true by p"
    )
    for nuisances in ((), NUISANCES):
        for background in BACKGROUNDS:
            there = np.arange(2 * n) % 2 == 1
            found = [_presence(rng, background, k, 80.0 * there[k], nuisances) for k in range(2 * n)]
            p, height = np.array(found).T
            parts = [(p >= low) & (p < low + 0.25 + 1e-9 * (low == 0.75)) for low in (0.0, 0.25, 0.5, 0.75)]
            shares = " ".join(f"{p[part].mean():.2f}:{there[part].mean():.2f}" for part in parts if part.any())
            numbers = (
                np.mean(p[~there] > 0.5),
                np.mean(p[there] <= 0.5),
                np.mean(height[~there] >= 50),
                np.mean(height[there] < 50),
            )
            print(
                f"{background + (', disturbed' if nuisances else ''):30s} "
                + " ".join(f"{100 * number:12.1f} %" for number in numbers)
                + f"   {shares}",
                flush=True,
            )


def _presence(
    rng: np.random.Generator, background: str, k: int, size_uv: float, nuisances: tuple[str, ...]
) -> tuple[float, float]:
    response = list(RESPONSES)[k // 2 % len(RESPONSES)]
    rate_hz = RATES_HZ[k // 6 % len(RATES_HZ)]
    world = sized_world(
        rng, response=response, background=background, size_uv=size_uv, rate_hz=rate_hz, nuisances=nuisances
    )
    found = measure_sweeps(world.samples_uv, world.rate_hz, world.onset_sample, intervals=False)
    return float(found["response_p"][0]), float(found["amplitude_uv"][0])


def compare_spliced(folder: Path, n: int, rng: np.random.Generator) -> None:
    print("\nReal voluntary EMG, responses and silences spliced in, 4 kHz")
    for ramp in (0.0, 10.0, 30.0):
        worlds = spliced_worlds(folder, rng, n, ramp_ms=ramp)
        if not worlds:
            print(f"no usable recording in {folder}: skipped")
            return
        compare(f"real EMG, ramp {ramp:g} ms: onset", worlds, ONSET_METHODS, "onset_ms", ONSET_FAILURE_MS)
        compare(f"real EMG, ramp {ramp:g} ms: return", worlds, RETURN_METHODS, "return_ms", RETURN_FAILURE_MS)


def main() -> None:
    """Run the comparison."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="few sweeps: under a minute, for a first look")
    parser.add_argument("--sweeps", type=int, default=200, help="sweeps per line")
    parser.add_argument("--emg", type=Path, help="folder with recordings of voluntary EMG, emg*.txt")
    parser.add_argument("--seed", type=int, default=20)
    parser.add_argument("--only", default="", help="run one method alone, such as decussa: the libraries take hours")
    asked = parser.parse_args()
    if asked.only:
        only(asked.only)
    n = 8 if asked.quick else asked.sweeps
    rng = np.random.default_rng(asked.seed)
    compare_onsets(n, rng, rates=RATES_HZ)
    compare_returns(n, rng, rates=RATES_HZ)
    compare_presence(n, rng)
    if asked.emg is not None and asked.emg.is_dir():
        compare_spliced(asked.emg, 2 * n, rng)
    else:
        print("\nno folder with real EMG given (--emg): skipped")


if __name__ == "__main__":
    main()
