"""How fast sweeps are measured, beside general-purpose libraries doing the same task in the same run.

    python bench/throughput.py [--sweeps 20000] [--no-file]

Task: sweeps of -100 to 400 ms at 5 kHz, float32: bridge or blank the artifact, condition, RMS before the pulse,
peak-to-peak, rectified area, onset by mean + 3 SD with a run of 1 ms, end of the silent period by the control chart in bins
of 1 ms. The peers condition by a zero-phase Butterworth band of 20 to 1000 Hz; the package needs no filter for these
quantities and gives sizes freed of noise, probabilities and noise levels on top. Then one hour of BDF+ with 2 channels at 5 kHz
and 720 pulses as annotations, and again by a trigger channel, from file to table. Ratios are those of medians, taken in one
process; numbers of different machines do not compare.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
import tracemalloc
import warnings
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import mne
import numpy as np
from edfio import Bdf, BdfSignal, EdfAnnotation, read_bdf
from numpy.typing import NDArray
from scipy import signal

from decussa.batch.measure import measure_recording
from decussa.batch.settings import MeasureSettings
from decussa.measuring.sweeps import measure_sweeps
from decussa.recording.read import read

RATE_HZ = 5000.0
ONSET = 500
LENGTH = 2500
TIME_MS = (np.arange(LENGTH) - ONSET) * 1e3 / RATE_HZ
BAND = signal.butter(2, [20, 1000], "bandpass", fs=RATE_HZ, output="sos")
PULSES = 720
HOUR_S = 3600

Sweeps = NDArray[np.float32]


# ---------------------------------------------------------------- input
def invent(n: int, seed: int = 1) -> Sweeps:
    """Sweeps of a contracting muscle: EMG that falls silent after the response and returns, artifact with a tail, noise."""
    rng = np.random.default_rng(seed)
    sweeps = np.empty((n, LENGTH), dtype=np.float32)
    sections = signal.butter(2, [20, 450], "bandpass", fs=RATE_HZ, output="sos")
    late = np.clip(TIME_MS, 0, None)
    for start in range(0, n, 500):
        m = min(500, n - start)
        emg = signal.sosfilt(sections, rng.standard_normal((m, LENGTH + 500)), axis=1)[:, 500:]
        level = rng.uniform(20, 80, (m, 1)) / emg.std()
        end, onset = rng.uniform(80, 200, (m, 1)), rng.uniform(15, 25, (m, 1))
        silent = (onset < TIME_MS) & (end > TIME_MS)
        after = np.clip(TIME_MS - onset, 0, None) / rng.uniform(9, 16, (m, 1))
        wave = after**2 * np.exp(-9 * after) * (1 - 5.5 * after)
        wave *= 10 ** rng.uniform(2.3, 3.5, (m, 1)) / np.ptp(wave, axis=1, keepdims=True)
        pulse = np.where(
            TIME_MS >= 0,
            rng.uniform(3e3, 2e4, (m, 1)) * np.cos(2 * np.pi * late / 1.2) * np.exp(-late / 0.4)
            + rng.uniform(-80, 80, (m, 1)) * np.exp(-late / 8),
            0,
        )
        noise = 3 * rng.standard_normal((m, LENGTH))
        sweeps[start : start + m] = np.where(silent, 0.03, 1.0) * level * emg + wave + pulse + noise
    return sweeps


def write_hour(path: Path, *, trigger: bool = False) -> None:
    """One hour of two channels with 720 pulses as annotations, or as steps of 5 ms on a third channel."""
    sweeps = invent(2 * PULSES, seed=2)
    rng = np.random.default_rng(3)
    signals = []
    onsets = np.sort(np.round((np.arange(PULSES) * 4.99 + 2 + rng.uniform(0, 1, PULSES)) * RATE_HZ)).astype(int)
    for channel, label in enumerate(("EMG FDI R", "EMG APB R")):
        samples = 4 * rng.standard_normal(int(HOUR_S * RATE_HZ))
        for k, onset in enumerate(onsets):
            samples[onset - ONSET : onset - ONSET + LENGTH] = sweeps[channel * PULSES + k]
        limit = float(np.ceil(np.abs(samples).max()))
        signals.append(
            BdfSignal(samples, RATE_HZ, label=label, physical_dimension="uV", physical_range=(-limit, limit))
        )
    if trigger:
        levels = np.zeros(int(HOUR_S * RATE_HZ))
        levels[onsets[:, None] + np.arange(25)] = 5e6
        signals.append(BdfSignal(levels, RATE_HZ, label="TRIG", physical_dimension="uV", physical_range=(-5e6, 5e6)))
        Bdf(signals).write(path)
        return
    marks = [EdfAnnotation(onset / RATE_HZ, None, "TMS 60% single") for onset in onsets]
    Bdf(signals, annotations=marks).write(path)


# ---------------------------------------------------------------- the same task by numpy and scipy
def analyse(sweeps: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    """Blank, filter, measure a block of sweeps with array functions alone."""
    blank = (TIME_MS >= -0.5) & (TIME_MS < 5)
    first, last = np.flatnonzero(blank)[[0, -1]]
    share = np.linspace(0, 1, blank.sum())
    sweeps = sweeps.copy()
    sweeps[:, blank] = sweeps[:, first - 1, None] * (1 - share) + sweeps[:, last + 1, None] * share
    return measure_filtered(signal.sosfiltfilt(BAND, sweeps, axis=-1))


def measure_filtered(filtered: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    """Everything after the filter, for either peer."""
    base = filtered[:, (TIME_MS >= -95) & (TIME_MS < -5)]
    chosen = (TIME_MS >= 10) & (TIME_MS <= 50)
    window = filtered[:, chosen]
    rectified = np.abs(filtered)
    quiet = np.abs(base)
    limit = quiet.mean(axis=1) + 3 * quiet.std(axis=1)
    above = rectified[:, chosen] > limit[:, None]
    run = np.lib.stride_tricks.sliding_window_view(above, 5, axis=1).all(axis=2)
    onset = np.where(run.any(axis=1), TIME_MS[chosen][run.argmax(axis=1)], np.nan)
    bins = rectified.reshape(len(filtered), -1, 5).mean(axis=2)
    before = bins[:, 5:95]
    low = before.mean(axis=1) - 2.66 * np.abs(np.diff(before, axis=1)).mean(axis=1)
    over = bins[:, 150:] > low[:, None]
    back = np.lib.stride_tricks.sliding_window_view(over, 5, axis=1).mean(axis=2) >= 0.5
    # on single sweeps the limit is mostly below zero, and then nothing can be below the limit
    end = np.where(back.any(axis=1) & (low > 0), 50.0 + back.argmax(axis=1), np.nan)
    return {
        "background": base.std(axis=1),
        "amplitude": np.ptp(window, axis=1),
        "area": np.trapezoid(np.abs(window), dx=0.2, axis=1),
        "onset": onset,
        "end": end,
    }


def by_numpy(sweeps: Sweeps) -> dict[str, NDArray[np.float64]]:
    blocks = [analyse(sweeps[k : k + 64].astype(np.float64)) for k in range(0, len(sweeps), 64)]
    return {name: np.concatenate([block[name] for block in blocks]) for name in blocks[0]}


def by_mne(sweeps: Sweeps) -> dict[str, NDArray[np.float64]]:
    info = mne.create_info(["EMG"], RATE_HZ, "emg")
    blocks = []
    for k in range(0, len(sweeps), 2000):
        epochs = mne.EpochsArray(sweeps[k : k + 2000, None, :] * 1e-6, info, tmin=-0.1, verbose=False)
        events = np.column_stack([np.arange(len(epochs)), np.zeros(len(epochs), int), np.ones(len(epochs), int)])
        mne.preprocessing.fix_stim_artifact(epochs, tmin=-0.0005, tmax=0.005, picks="emg", mode="linear", events=events)
        epochs.filter(20, 1000, picks="emg", method="iir", iir_params={"order": 2, "ftype": "butter"}, verbose=False)
        blocks.append(measure_filtered(epochs.get_data(copy=False)[:, 0] * 1e6))
    return {name: np.concatenate([block[name] for block in blocks]) for name in blocks[0]}


def by_us(sweeps: Sweeps) -> dict[str, NDArray[np.float64]]:
    return measure_sweeps(
        sweeps, RATE_HZ, ONSET, baseline_ms=(-95, -5), onset="threshold", silent=True, intervals=False
    )


def by_model(sweeps: Sweeps, *, intervals: bool) -> dict[str, NDArray[np.float64]]:
    return measure_sweeps(sweeps, RATE_HZ, ONSET, baseline_ms=(-95, -5), silent=True, intervals=intervals)


def by_two_threads(sweeps: Sweeps) -> None:
    half = len(sweeps) // 2
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(by_us, (sweeps[:half], sweeps[half:])))


def live(sweeps: Sweeps, **options: Any) -> tuple[float, float]:
    """Median and 99th percentile, in seconds, of two channels measured one after the other."""
    times = []
    for k in range(0, len(sweeps) - 1, 2):
        start = time.perf_counter()
        for one in (sweeps[k], sweeps[k + 1]):
            measure_sweeps(one, RATE_HZ, ONSET, baseline_ms=(-95, -5), **options)
        times.append(time.perf_counter() - start)
    return statistics.median(times), float(np.percentile(times, 99))


# ---------------------------------------------------------------- one hour from file to table
def hour_by_numpy(path: Path) -> int:
    recording = read_bdf(path)
    onsets = [round(mark.onset * RATE_HZ) for mark in recording.annotations]
    for channel in recording.signals:
        samples = channel.data
        analyse(np.stack([samples[onset - ONSET : onset - ONSET + LENGTH] for onset in onsets]))
    return len(onsets)


def hour_by_mne(path: Path) -> int:
    raw = mne.io.read_raw_bdf(path, preload=False, verbose=False)
    events, _ = mne.events_from_annotations(raw, verbose=False)
    epochs = mne.Epochs(
        raw, events, tmin=-0.1, tmax=0.3998, baseline=None, preload=True, verbose=False, event_repeated="drop"
    )
    data = epochs.get_data(copy=False) * 1e6
    for channel in range(data.shape[1]):
        analyse(data[:, channel, :LENGTH])
    return len(epochs)


def hour_by_us(path: Path) -> int:
    return len(measure_recording(read(path), MeasureSettings(onset="threshold", intervals=False)))


def read_bytes(path: Path) -> int:
    return len(path.read_bytes())


# ---------------------------------------------------------------- timing
def times_of(functions: dict[str, Callable[[], object]], repeats: int) -> dict[str, float]:
    """Median seconds of each, after one call that does not count (compiling, caches). They take turns, so that the machine's slow
    phases are shared."""
    for function in functions.values():
        function()
    times: dict[str, list[float]] = {name: [] for name in functions}
    for _ in range(repeats):
        for name, function in functions.items():
            start = time.perf_counter()
            function()
            times[name].append(time.perf_counter() - start)
    return {name: statistics.median(taken) for name, taken in times.items()}


def show(title: str, seconds: dict[str, float], per: float, unit: str) -> None:
    print(title)
    ours = seconds["decussa"]
    for name, value in seconds.items():
        print(f"  {name:28s} {value * per:10.2f} {unit}   {value / ours:7.2f} x decussa")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sweeps", type=int, default=20_000)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--no-file", action="store_true")
    options = parser.parse_args()
    warnings.simplefilter("ignore")
    mne.set_log_level("ERROR")
    sweeps = invent(options.sweeps)
    by_us(sweeps[:200])
    tracemalloc.start()
    ours = by_us(sweeps)
    extra = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    theirs = by_numpy(sweeps)
    # the same quantities, or the comparison would mean nothing
    for one, other in (("background_rms_uv", "background"), ("amplitude_uv", "amplitude"), ("area_uv_ms", "area")):
        print(f"  median ratio of {one} to the peer's: {np.nanmedian(ours[one] / theirs[other]):.3f}")
    print(
        f"  onset found: {np.isfinite(ours['latency_ms']).mean():.3f}, by the peer {np.isfinite(theirs['onset']).mean():.3f}"
    )
    print(
        f"  silence found: {np.isfinite(ours['silent_end_ms']).mean():.3f}, by the peer {np.isfinite(theirs['end']).mean():.3f}"
    )
    few = sweeps[: min(1000, len(sweeps))]
    ways: dict[str, Callable[[], object]] = {
        "decussa": lambda: by_us(sweeps),
        "decussa, two threads": lambda: by_two_threads(sweeps),
        "decussa, model, no intervals": lambda: by_model(few, intervals=False),
        "decussa, model, intervals": lambda: by_model(few, intervals=True),
        "numpy/scipy in chunks of 64": lambda: by_numpy(sweeps),
        "MNE epochs": lambda: by_mne(sweeps),
    }
    seconds = times_of(ways, options.repeats)
    for name in seconds:
        seconds[name] *= len(sweeps) / len(few) if "model" in name else 1.0
    show(f"{options.sweeps} sweeps x {LENGTH} float32, one thread", seconds, 1e6 / options.sweeps, "us per sweep")
    print(f"  memory beside the sweeps, at most: {extra / 1e6:.1f} MB with the results")
    for title, asked in (
        ("threshold, no intervals", {"onset": "threshold", "silent": True, "intervals": False}),
        ("model, all", {"silent": True}),
    ):
        live(sweeps[:20], **asked)
        middle, late = live(sweeps[:400], **asked)
        print(f"  one live sweep of 2 channels, {title}: median {middle * 1e3:.2f} ms, 99 % {late * 1e3:.2f} ms")
    if not options.no_file:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "hour.bdf"
            write_hour(path)
            ways = {
                "decussa": lambda: hour_by_us(path),
                "numpy/scipy with edfio": lambda: hour_by_numpy(path),
                "MNE, lazy": lambda: hour_by_mne(path),
                "one read of the file": lambda: read_bytes(path),
            }
            seconds = times_of(ways, options.repeats)
            show(f"one hour of BDF+, 2 x 5 kHz, {PULSES} pulses as annotations, file to table", seconds, 1e3, "ms")
            write_hour(path, trigger=True)
            if hour_by_us(path) != 2 * PULSES:
                print("  not every pulse of the trigger channel was found")
            seconds = times_of(
                {"decussa": lambda: hour_by_us(path), "one read of the file": lambda: read_bytes(path)}, options.repeats
            )
            show("the same with a trigger channel", seconds, 1e3, "ms")


if __name__ == "__main__":
    main()
