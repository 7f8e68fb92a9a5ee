"""The measuring code is compiled once, at set-up or on first use, and kept on disk: whether it is there, and its making."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from decussa.measuring.kernel import read_block, read_block_classically
from decussa.measuring.latency import measure_onset_block, model_onsets
from decussa.measuring.silent_period import model_silences
from decussa.measuring.sweeps import measure_sweeps
from decussa.model.sweep import SamplesUv

#: What is said before the first use.
FIRST_USE = "First use: preparing the measuring code for this machine, up to a minute, once."
RATE_HZ, ONSET_SAMPLE = 5000.0, 600


def is_prepared(onset: str | None = "model") -> bool:
    """Return whether the code for this way to find onsets lies compiled on disk; made anew where its source has changed."""
    if onset == "threshold":
        return is_kept(read_block_classically)
    return is_kept(read_block) and (onset is None or is_kept(measure_onset_block))


def is_kept(kernel: Any) -> bool:
    """Return whether machine code of a compiled function lies on disk and is not older than the function's source."""
    code = kernel.py_func.__code__
    source = Path(code.co_filename)
    kept = Path(kernel.stats.cache_path).glob(
        f"{source.stem}.{kernel.py_func.__qualname__}-{code.co_firstlineno}.*.nbi"
    )
    return any(index.stat().st_mtime >= source.stat().st_mtime for index in kept)


def prepare(onset: str | None = "model") -> None:
    """Compile the code for this way to find onsets and keep it on disk: what is independent side by side, in processes.

    The compiler works on one function of a process at a time. A process that cannot start or dies leaves its part to the first
    sweep.
    """
    from concurrent.futures import BrokenExecutor, ProcessPoolExecutor, wait
    from multiprocessing import get_context

    parts: tuple[Callable[[], None], ...] = (silences, onsets, sizes) if onset == "model" else ()
    workers = min(len(parts), os.cpu_count() or 1)
    if workers < 2:
        return
    try:
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            wait([pool.submit(part) for part in parts])
    except (OSError, BrokenExecutor):
        return


def prepare_all() -> None:
    """Compile the code for every way to find onsets: what set-up does, so that no first use waits."""
    prepare()
    for onset in ("model", "threshold"):
        measure_sweeps(invented_sweep(), RATE_HZ, ONSET_SAMPLE, onset=onset, silent=True)


def sizes() -> None:
    """Compile what sizes need."""
    measure_sweeps(invented_sweep(), RATE_HZ, ONSET_SAMPLE, onset=None)


def onsets() -> None:
    """Compile what the model of the onset needs."""
    model_onsets(invented_sweep(), RATE_HZ, ONSET_SAMPLE)


def silences() -> None:
    """Compile what the model of the silent period needs."""
    model_silences(invented_sweep(), RATE_HZ, ONSET_SAMPLE, response_end_ms=np.array([35.0]))


def invented_sweep() -> SamplesUv:
    """Return noise with a response, shape (1, n_samples), microvolt."""
    sweep = np.random.default_rng(1).normal(0.0, 5.0, 2500)
    sweep[700:740] += 900 * np.sin(np.arange(40) / 3)
    return sweep.astype(np.float32)[None]
