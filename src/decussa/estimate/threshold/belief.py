"""The posterior on a grid that follows it: wide at first, ever finer around what is left."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from decussa.estimate.threshold import posterior
from decussa.estimate.threshold.prior import Prior

Floats = NDArray[np.float64]

#: Thresholds thought possible, % MSO; those above 100 stand for people who do not respond.
LOWEST_MSO, HIGHEST_MSO = 10.0, 160.0
#: Points of the grid; a multiple of ``MERGED``.
N_T = 96
#: The grid is narrowed when it is wider than this many SDs, and then spans ``NARROWED_TO``.
TOO_WIDE_SD, NARROWED_TO_SD = 30.0, 20.0
#: It is widened when the density at an edge is more than this share of the peak.
TOO_NARROW = 1e-3
#: A side of the interval is open when the density at the last threshold thought possible is this share of the peak.
OPEN = 0.02
#: So many thresholds are taken together when the next intensity is chosen.
MERGED = 3

# Log-normal beliefs (median, log SD) about the unknowns beside the threshold. Relative spread around 0.07 (Awiszus 2003,
# doi 10.1016/S1567-424X(09)70205-3); SD of the log size, and SD of the drift, which is never thought to be nothing: common
# practice, no source.
_SPREADS, _SPREAD_BELIEF = np.geomspace(0.02, 0.18, 8), (0.07, 0.5)
_SIGMAS, _SIGMA_BELIEF = np.geomspace(0.25, 1.8, 6), (0.7, 0.5)
_DELTAS, _DELTA_BELIEF = np.array([0.1, 0.2, 0.35]), np.array([0.45, 0.45, 0.1])


def _combinations() -> tuple[Floats, Floats, Floats, Floats]:
    """Return spread, sigma, delta and log prior weight of every combination, each of shape (n_other,)."""

    def bell(x: Floats, belief: tuple[float, float]) -> Floats:
        return np.asarray(-0.5 * (np.log(x / belief[0]) / belief[1]) ** 2, dtype=np.float64)

    spread, sigma, delta = (axis.ravel() for axis in np.meshgrid(_SPREADS, _SIGMAS, _DELTAS, indexing="ij"))
    drifting = np.log(np.tile(_DELTA_BELIEF, _SPREADS.size * _SIGMAS.size))
    return spread, sigma, delta, drifting + bell(spread, _SPREAD_BELIEF) + bell(sigma, _SIGMA_BELIEF)


SPREAD, SIGMA, DELTA, _LOG_PRIOR = _combinations()


@dataclass(frozen=True, slots=True)
class Lesson:
    """What one pulse taught: intensity in % MSO, ``SIZE``, ``BELOW`` or ``ABOVE``, and ln(size or bound / criterion)."""

    intensity_mso: float
    kind: int
    log_ratio: float


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """Log weight of each threshold (rows, % MSO, even in the log) and combination of the other unknowns (columns).

    ``drift_mean`` and ``drift_variance`` say where excitability stands, in SDs of the log size.
    """

    t_mso: Floats
    log_weight: Floats
    drift_mean: Floats
    drift_variance: Floats

    def weight(self) -> Floats:
        """Return the posterior weights, shape (n_t, n_other); their sum is 1."""
        weight = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(weight / weight.sum(), dtype=np.float64)

    def mass(self) -> Floats:
        """Return the posterior weight of each threshold, shape (n_t,); their sum is 1."""
        return np.asarray(self.weight().sum(axis=1), dtype=np.float64)


def begin(prior: Prior) -> Belief:
    """Return what is believed before the first pulse."""
    return _build(prior, (), math.log(LOWEST_MSO), math.log(HIGHEST_MSO))


def take_in(belief: Belief, prior: Prior, lessons: tuple[Lesson, ...]) -> Belief:
    """Return the belief after the last of ``lessons``, on a grid that fits it."""
    last = lessons[-1]
    fresh = replace(
        belief,
        log_weight=belief.log_weight.copy(),
        drift_mean=belief.drift_mean.copy(),
        drift_variance=belief.drift_variance.copy(),
    )
    posterior.absorb(
        fresh.log_weight, fresh.drift_mean, fresh.drift_variance, fresh.t_mso, SPREAD, SIGMA, DELTA,
        last.intensity_mso, last.kind, last.log_ratio,
    )  # fmt: skip
    return _refit(_freeze(fresh), prior, lessons)


def _build(prior: Prior, lessons: tuple[Lesson, ...], low_ln: float, high_ln: float) -> Belief:
    """Return the belief from all lessons on a grid from ``low_ln`` to ``high_ln`` (ln % MSO)."""
    t_mso = np.exp(np.linspace(low_ln, high_ln, N_T))
    log_weight = prior.log_density(t_mso)[:, None] + _LOG_PRIOR[None, :]
    drift_mean = np.zeros_like(log_weight)
    drift_variance = np.broadcast_to(DELTA**2, log_weight.shape).copy()
    posterior.absorb_all(
        log_weight, drift_mean, drift_variance, t_mso, SPREAD, SIGMA, DELTA,
        np.array([lesson.intensity_mso for lesson in lessons], dtype=np.float64),
        np.array([lesson.kind for lesson in lessons], dtype=np.int64),
        np.array([lesson.log_ratio for lesson in lessons], dtype=np.float64),
    )  # fmt: skip
    return _freeze(Belief(t_mso, log_weight, drift_mean, drift_variance))


def _freeze(belief: Belief) -> Belief:
    for array in (belief.t_mso, belief.log_weight, belief.drift_mean, belief.drift_variance):
        array.setflags(write=False)
    return belief


def _refit(belief: Belief, prior: Prior, lessons: tuple[Lesson, ...]) -> Belief:
    """Return ``belief``, on a narrower or wider grid if its own no longer fits."""
    mass = belief.mass()
    ln_t = np.log(belief.t_mso)
    mean = float(mass @ ln_t)
    sd = math.sqrt(float(mass @ (ln_t - mean) ** 2))
    span = float(ln_t[-1] - ln_t[0])
    lowest, highest = math.log(LOWEST_MSO), math.log(HIGHEST_MSO)
    cut_below = mass[0] > TOO_NARROW * mass.max() and ln_t[0] > lowest + 1e-9
    cut_above = mass[-1] > TOO_NARROW * mass.max() and ln_t[-1] < highest - 1e-9
    if cut_below or cut_above:
        half = span
    elif span > TOO_WIDE_SD * sd:
        half = NARROWED_TO_SD / 2 * sd
    else:
        return belief
    return _build(prior, lessons, max(lowest, mean - half), min(highest, mean + half))


def mean_and_sd(belief: Belief) -> tuple[float, float]:
    """Return mean and SD of the threshold, % MSO."""
    mass = belief.mass()
    mean = float(mass @ belief.t_mso)
    return mean, math.sqrt(float(mass @ (belief.t_mso - mean) ** 2))


def interval(belief: Belief, level: float) -> tuple[float, float]:
    """Return the central interval of the threshold, % MSO.

    A side on which thresholds beyond the grid stay likely is open: 0 below, infinite above.
    """
    mass = belief.mass()
    ln_t = np.log(belief.t_mso)
    half = (ln_t[1] - ln_t[0]) / 2
    edges = np.concatenate((ln_t - half, [ln_t[-1] + half]))
    cumulative = np.concatenate(([0.0], np.cumsum(mass)))
    tail = (1 - level) / 2
    low, high = np.exp(np.interp([tail, 1 - tail], cumulative, edges))
    return (
        0.0 if mass[0] > OPEN * mass.max() else float(low),
        math.inf if mass[-1] > OPEN * mass.max() else float(high),
    )


def condense(belief: Belief) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
    """Return a coarser belief for choosing the next pulse: every third threshold, drifts of all sizes merged.

    Returns weight, mean and variance of the drift, each of shape (n_t / 3, n_other / n_deltas); then t in % MSO, spread
    and sigma. The merged drift keeps the mean and the variance of the mixture.
    """
    split = (N_T // MERGED, MERGED, -1, _DELTAS.size)
    weight = belief.weight().reshape(split)
    total = weight.sum(axis=(1, 3))
    share = weight / np.maximum(total, np.finfo(np.float64).tiny)[:, None, :, None]
    mean = (share * belief.drift_mean.reshape(split)).sum(axis=(1, 3))
    square = (share * (belief.drift_variance + belief.drift_mean**2).reshape(split)).sum(axis=(1, 3))
    variance = np.maximum(square - mean**2, 0.0)
    return total, mean, variance, belief.t_mso[1::MERGED], SPREAD[:: _DELTAS.size], SIGMA[:: _DELTAS.size]
