"""The motor units of one muscle: who fires when, and what that looks like from the skin.

Units are ordered by size: small ones are recruited first, by the will and by the cortex, and last by current in the nerve
(Henneman's order; exponential spread of sizes and thresholds as in Fuglevand 1993, J Neurophysiol 70:2470, from memory).
A unit's potential has a beginning and an end: u^p (1-u)^q times a polynomial over its width, with two or three phases and no
area. So the start of a response is a fact and not a matter of opinion.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from decussa.source.virtual.anatomy import Anatomy

Array = NDArray[np.float64]
Rng = np.random.Generator

#: Largest over smallest unit.
SIZE_RANGE = 60.0
#: Independent fluctuation of each unit's threshold, in log intensity.
UNIT_JITTER = 0.04
#: Share of the spread of arrivals that arises between the nerve's stimulation site and the muscle.
PERIPHERAL = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class Potentials:
    """Discharges of one muscle: which unit, and when its potential begins, in ms from the test pulse."""

    unit: NDArray[np.intp]
    start_ms: Array

    def joined(self, other: Potentials) -> Potentials:
        """Return both together."""
        return Potentials(np.concatenate([self.unit, other.unit]), np.concatenate([self.start_ms, other.start_ms]))


NO_POTENTIALS = Potentials(np.empty(0, dtype=np.intp), np.empty(0))


@dataclass(frozen=True, slots=True, eq=False)
class Pool:
    """The units of one muscle, each array of shape (n_units,), smallest unit first.

    Parameters
    ----------
    size_uv : ndarray
        Peak-to-peak of each unit's potential.
    width_ms, rise, fall : ndarray
        Width and the two exponents of its shape.
    phases : ndarray, shape (n_units, 3)
        Coefficients of the shape's polynomial, for a peak-to-peak of 1.
    threshold : ndarray
        Drive that fires it after a magnetic pulse, in log intensity.
    voluntary_pct : ndarray
        Contraction that recruits it, in % MVC.
    travel_ms : ndarray
        Conduction beyond that of the fastest unit.
    axon : ndarray
        Current that fires it, as a share of the current that fires half of them.
    """

    size_uv: Array
    width_ms: Array
    rise: Array
    fall: Array
    phases: Array
    threshold: Array
    voluntary_pct: Array
    travel_ms: Array
    axon: Array


def draw_pool(anatomy: Anatomy, full_uv: float, rng: Rng) -> Pool:
    """Draw a person's pool for one muscle; fired nearly at once, its units sum to ``full_uv`` peak-to-peak."""
    n = anatomy.units
    rank = (np.arange(n) + 0.5) / n
    size = SIZE_RANGE**rank * rng.lognormal(0.0, 0.1, n)
    rise, fall = rng.uniform(1.3, 2.1, n), rng.uniform(2.6, 3.6, n)
    width = anatomy.potential_ms * rng.lognormal(0.0, 0.1, n)
    travel = anatomy.dispersion * (1.6 * (1 - rank) + np.abs(rng.normal(0.0, 1.1, n)))
    pool = Pool(
        size_uv=size,
        width_ms=width,
        rise=rise,
        fall=fall,
        phases=_draw_phases(rise, fall, rng.uniform(*anatomy.third_phase, n)),
        threshold=0.20 * np.sqrt(rank) + 0.26 * rank + 0.10 * rank**3 * -np.log(1 - rank),
        voluntary_pct=65.0 * np.expm1(3.0 * rank) / np.expm1(3.0),
        travel_ms=travel - travel.min(),
        axon=np.clip(1.0 - 0.35 * (rank - 0.5) + rng.normal(0.0, 0.12, n), 0.4, 1.7),
    )
    together = np.ptp(draw_potentials(pool, Potentials(np.arange(n), PERIPHERAL * pool.travel_ms), 0.0, 5.0, 300))
    return replace(pool, size_uv=size * full_uv / together)


def _shape(u: Array, rise: Array, fall: Array, phases: Array) -> Array:
    polynomial = phases[:, 0, None] + u * (phases[:, 1, None] + u * phases[:, 2, None])
    return np.asarray(u ** rise[:, None] * (1 - u) ** fall[:, None] * polynomial)


def _draw_phases(rise: Array, fall: Array, third: Array) -> Array:
    """Blend a shape of two phases with one of three by the share ``third``; both have no area and a peak-to-peak of 1.

    u^p (1-u)^q is a beta density but for its scale, so its first two moments say where the polynomials must turn.
    """
    total = rise + fall + 2
    mean, square = (rise + 1) / total, (rise + 1) * (rise + 2) / (total * (total + 1))
    nothing = np.zeros_like(mean)
    two = np.stack([mean, nothing - 1, nothing], axis=1)
    turn = 0.55 * mean
    back = (square - turn * mean) / (mean - turn)
    three = np.stack([turn * back, -(turn + back), nothing + 1], axis=1)
    share = third[:, None]
    return _scaled((1 - share) * _scaled(two, rise, fall) + share * _scaled(three, rise, fall), rise, fall)


def _scaled(phases: Array, rise: Array, fall: Array) -> Array:
    u = np.linspace(0.0, 1.0, 401)[None, :]
    return np.asarray(phases / np.ptp(_shape(u, rise, fall, phases), axis=1)[:, None])


def draw_potentials(pool: Pool, potentials: Potentials, from_ms: float, rate_khz: float, n_samples: int) -> Array:
    """Return the sum of ``potentials`` in µV, shape (n_samples,), the first sample at ``from_ms``.

    Every potential is evaluated at its exact time, so that starts lie between samples as they do in life.
    """
    return draw_weighted(pool, potentials, np.ones(potentials.unit.size), from_ms, rate_khz, n_samples)


def draw_weighted(
    pool: Pool, potentials: Potentials, weight: Array, from_ms: float, rate_khz: float, n_samples: int
) -> Array:
    """Return the sum of ``potentials``, each multiplied by its ``weight``; see ``draw_potentials``."""
    unit = potentials.unit
    if unit.size == 0:
        return np.zeros(n_samples)
    width = pool.width_ms[unit]
    first = np.ceil((potentials.start_ms - from_ms) * rate_khz)
    steps = np.arange(int(np.ceil(width.max() * rate_khz)) + 1)
    index = first[:, None] + steps
    u = (index / rate_khz + from_ms - potentials.start_ms[:, None]) / width[:, None]
    inside = (u < 1) & (index >= 0) & (index < n_samples)
    u = np.clip(u, 0.0, 1.0)
    height = (weight * pool.size_uv[unit])[:, None]
    values = height * _shape(u, pool.rise[unit], pool.fall[unit], pool.phases[unit])
    return np.bincount(index[inside].astype(np.intp), values[inside], n_samples).astype(np.float64, copy=False)


def voluntary_intervals_ms(pool: Pool, contraction_pct: float) -> tuple[NDArray[np.intp], Array]:
    """Return the units a contraction recruits and the mean interval between discharges of each, in ms.

    Rates rise from 8 per second by half a discharge per % MVC above the unit's threshold, to 28 at most (from memory, no
    source).
    """
    unit = np.flatnonzero(pool.voluntary_pct < contraction_pct)
    return unit, 1e3 / np.minimum(8.0 + 0.5 * (contraction_pct - pool.voluntary_pct[unit]), 28.0)


def contraction_rms_uv(pool: Pool, contraction_pct: float) -> float:
    """Return the RMS of a steady contraction's EMG, in µV: the energy of its potentials, as if they came at random."""
    unit, interval_ms = voluntary_intervals_ms(pool, contraction_pct)
    u = np.linspace(0.0, 1.0, 401)[None, :]
    shape = _shape(u, pool.rise[unit], pool.fall[unit], pool.phases[unit])
    energy = pool.size_uv[unit] ** 2 * pool.width_ms[unit] * (shape**2).mean(axis=1)
    return float(np.sqrt(np.sum(energy / interval_ms)))


def fire_by_will(
    pool: Pool, contraction_pct: float, from_ms: Array | float, until_ms: Array | float, rng: Rng
) -> Potentials:
    """Return the discharges of a steady contraction between two times, which may differ from unit to unit.

    At ``from_ms`` every unit is somewhere in its rhythm; intervals vary by 18 % (from memory, no source).
    """
    unit, interval = voluntary_intervals_ms(pool, contraction_pct)
    if unit.size == 0:
        return NO_POTENTIALS
    start = np.broadcast_to(np.asarray(from_ms, dtype=np.float64), pool.voluntary_pct.shape)[unit]
    stop = np.broadcast_to(np.asarray(until_ms, dtype=np.float64), pool.voluntary_pct.shape)[unit]
    longest = max(float(np.max((stop - start) / interval)), 0.0)
    steps = interval[:, None] * np.maximum(rng.normal(1.0, 0.18, (unit.size, int(1.3 * longest) + 8)), 0.3)
    steps[:, 0] = rng.uniform(0.0, 1.0, unit.size) * interval
    times = start[:, None] + np.cumsum(steps, axis=1)
    keep = times < stop[:, None]
    return Potentials(np.repeat(unit, keep.sum(axis=1)), times[keep])
