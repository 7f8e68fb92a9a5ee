"""What every measuring function demands of its arguments; refused here, in one place, in one sentence."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from decussa.model.errors import UsageError
from decussa.model.sweep import SamplesUv

Window = tuple[float, float]


def check_sweeps(samples_uv: ArrayLike, rate_hz: float, onset_sample: int) -> SamplesUv:
    """Return sweeps as contiguous float32, shape (n_sweeps, n_samples), microvolt, read-only; one sweep becomes a batch of one.

    Raises
    ------
    UsageError
        If the shape is not that of sweeps, the rate is not above 0 Hz, or the onset lies outside the sweep.
    """
    samples = np.asarray(samples_uv)
    if samples.dtype.kind not in "fiu":
        raise UsageError(
            "sweeps hold no numbers", where="samples_uv", expected="float32 in microvolt", found=str(samples.dtype)
        )
    if samples.ndim not in (1, 2) or samples.shape[-1] < 2:
        raise UsageError(
            "sweeps have the wrong shape",
            where="samples_uv",
            expected="(n_sweeps, n_samples) or (n_samples,)",
            found=str(samples.shape),
        )
    if not (math.isfinite(rate_hz) and rate_hz > 0):
        raise UsageError("sampling rate is out of range", where="rate_hz", expected="above 0 Hz", found=f"{rate_hz:g}")
    if not 0 <= onset_sample < samples.shape[-1]:
        raise UsageError(
            "onset lies outside the sweep",
            where="onset_sample",
            expected=f"0 to {samples.shape[-1] - 1}",
            found=f"{onset_sample}",
        )
    with np.errstate(over="ignore"):
        sweeps = np.ascontiguousarray(np.atleast_2d(samples), dtype=np.float32).view()
    sweeps.setflags(write=False)  # whoever calls: for arrays that may be written to, code would be compiled once more
    return sweeps


def check_window(window_ms: Window, name: str) -> Window:
    """Return a window in ms as two floats, start before end."""
    try:
        start, end = (float(edge) for edge in window_ms)
    except (TypeError, ValueError):
        raise UsageError(
            "not a window", where=name, expected="two numbers, start and end", found=repr(window_ms)
        ) from None
    if not (math.isfinite(start) and math.isfinite(end) and start < end):
        raise UsageError("not a window", where=name, expected="start before end, in ms", found=f"{start:g} to {end:g}")
    return start, end


def check_window_inside(window_ms: Window, name: str, rate_hz: float, onset_sample: int, n_samples: int) -> Window:
    """Return a window that lies within the sweep."""
    start, end = check_window(window_ms, name)
    first, last = sample_at(start, rate_hz, onset_sample), sample_at(end, rate_hz, onset_sample)
    if first < 0 or last >= n_samples:
        low, high = (-onset_sample * 1e3 / rate_hz, (n_samples - 1 - onset_sample) * 1e3 / rate_hz)
        raise UsageError(
            "window reaches outside the sweep",
            where=name,
            expected=f"within {low:.1f} to {high:.1f} ms",
            found=f"{start:g} to {end:g} ms",
            do="cut longer sweeps or give a shorter window",
        )
    return start, end


def check_isi(isi_ms: ArrayLike | None, n_sweeps: int) -> NDArray[np.float64]:
    """Return one interval in ms per sweep, NaN where there is no conditioning pulse.

    Raises
    ------
    UsageError
        If the shape does not fit, or an interval is infinite, zero or negative.
    """
    if isi_ms is None:
        return np.full(n_sweeps, np.nan)
    isi = np.asarray(isi_ms, dtype=np.float64)
    if isi.ndim > 1 or (isi.ndim == 1 and isi.size != n_sweeps):
        raise UsageError(
            "intervals have the wrong shape", where="isi_ms", expected=f"one number or {n_sweeps}", found=str(isi.shape)
        )
    wrong = isi[~(np.isnan(isi) | ((isi > 0) & np.isfinite(isi)))]
    if wrong.size:
        raise UsageError(
            "interval is out of range",
            where="isi_ms",
            expected="above 0 ms, NaN for no pair",
            found=f"{float(wrong.flat[0]):g} ms",
        )
    return np.full(n_sweeps, isi)


def first_pulse_ms(isi_ms: ArrayLike | None, n_sweeps: int) -> NDArray[np.float64]:
    """Return the onset of the first pulse in ms from the test pulse: 0, or minus the interval of a pair."""
    isi = check_isi(isi_ms, n_sweeps)
    return np.where(np.isnan(isi), 0.0, -isi)


def sample_at(time_ms: float, rate_hz: float, onset_sample: int) -> int:
    """Return the index of the sample nearest to ``time_ms`` after the test pulse (halves go up)."""
    return math.floor(onset_sample + time_ms * rate_hz / 1e3 + 0.5)
