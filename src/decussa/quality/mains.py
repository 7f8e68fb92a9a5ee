"""What the mains induce: the part of a signal that goes at 50 or 60 Hz and its multiples, fitted by least squares."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize

from decussa.quality.stretches import median_with_interval

Array = NDArray[np.float64]

MAINS_HZ = (50.0, 60.0)
#: How far the mains may be off their name, in Hz, and how many multiples are looked at (common practice, no source).
_OFF_HZ = 0.3
_MULTIPLES = 7
_PIECE_S = 0.05
#: Shorter signals cannot tell the mains from what lies beside them.
LEAST_S = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Mains:
    """What was fitted.

    Parameters
    ----------
    hz : float
        Frequency that fitted best.
    rms_uv, low_uv, high_uv : float
        RMS over the whole signal; 95 % interval of the median over half seconds, infinite for less than 3 s.
    share : float
        Share of the signal's power about its mean, 0 to 1.
    wave_uv : ndarray, shape of the signal
        The wave itself.
    pieces : int
        How many half seconds there were.
    """

    hz: float
    rms_uv: float
    low_uv: float
    high_uv: float
    share: float
    wave_uv: Array
    pieces: int


def fit_mains(trace_uv: ArrayLike, rate_hz: float) -> Mains:
    """Return what goes with the mains in ``trace_uv``, shape (n_samples,), finite, in microvolt.

    The frequency is searched within 0.3 Hz of 50 and 60 Hz; what noise alone would put into the fit is taken off its power.
    A signal shorter than half a second, or sampled at 140 Hz or below, has no mains that could be told: RMS and share are NaN.
    """
    trace = np.asarray(trace_uv, dtype=np.float64)
    trace = trace - trace.mean() if trace.size else trace
    seconds = trace.size / rate_hz
    if seconds < LEAST_S or rate_hz <= 140:
        return Mains(math.nan, math.nan, math.nan, math.nan, math.nan, np.zeros_like(trace), 0)
    hz, _ = max((_loudest(trace, rate_hz, named) for named in MAINS_HZ), key=lambda found: found[1])
    wave, rms_uv = _project(trace, rate_hz, hz)
    size = round(LEAST_S * rate_hz)
    pieces = [_project(trace[at : at + size], rate_hz, hz)[1] for at in range(0, trace.size - size + 1, size)]
    _, low_uv, high_uv = median_with_interval(np.asarray(pieces))
    whole = float(np.mean(trace**2))
    share = min(rms_uv**2 / whole, 1.0) if whole else 0.0
    return Mains(hz, rms_uv, low_uv, high_uv, share, wave, len(pieces))


def _multiples(hz: float, rate_hz: float) -> list[float]:
    return [hz * n for n in range(1, _MULTIPLES + 1) if hz * n < 0.45 * rate_hz]


def _loudest(trace: Array, rate_hz: float, named_hz: float) -> tuple[float, float]:
    """Return the frequency near ``named_hz`` that holds the most power together with its multiples, and that power.

    The trace is taken down to ``named_hz`` and its multiples in pieces so short that no phase turns within one; what is
    searched is how fast the phases turn from piece to piece.
    """
    size = max(round(_PIECE_S * rate_hz), 1)
    count = trace.size // size
    at = np.arange(count * size) / rate_hz
    windowed = trace[: count * size] * np.hanning(count * size)
    order = np.arange(1, len(_multiples(named_hz, rate_hz)) + 1)
    phasors = np.array(
        [(windowed * np.exp(-2j * np.pi * named_hz * n * at)).reshape(count, size).sum(1) for n in order]
    )
    middle = at[::size] + size / rate_hz / 2

    def power(off_hz: float) -> float:
        turned = phasors * np.exp(-2j * np.pi * off_hz * np.outer(order, middle))
        return float((np.abs(turned.sum(axis=1)) ** 2).sum())

    step = rate_hz / trace.size / 4
    best = float(max(np.arange(-_OFF_HZ, _OFF_HZ + step / 2, step), key=lambda off: power(float(off))))
    around = (max(best - step, -_OFF_HZ), min(best + step, _OFF_HZ))
    found = optimize.minimize_scalar(lambda off: -power(float(off)), bounds=around, method="bounded")
    return named_hz + float(found.x), -float(found.fun)


def _project(trace: Array, rate_hz: float, hz: float) -> tuple[Array, float]:
    """Return the least-squares fit of sines and cosines at ``hz`` and its multiples, and its RMS without what noise puts in."""
    angle = 2 * np.pi * np.arange(trace.size) / rate_hz
    basis = np.column_stack([wave(angle * one) for one in _multiples(hz, rate_hz) for wave in (np.sin, np.cos)])
    centred = trace - trace.mean()
    # Sines of a mains' multiples are all but orthogonal: the normal equations lose nothing.
    weights = np.linalg.solve(basis.T @ basis, basis.T @ centred)
    wave_uv = basis @ weights
    power, rest = float(np.mean(wave_uv**2)), float(np.mean((centred - wave_uv) ** 2))
    by_chance = rest * basis.shape[1] / max(trace.size - basis.shape[1], 1)
    return np.asarray(wave_uv), math.sqrt(max(power - by_chance, 0.0))
