"""Hotspot: where on the head the response is largest, with the doubt that few and variable responses leave.

Model: the expected size falls off as a Gaussian from one best point, ``ln size = ln peak - d^2 / (2 w^2)`` above a noise
floor, with the point, the width ``w`` and the peak unknown; single sizes scatter with heavy tails (Student t, 4 degrees of
freedom) around it. The posterior lives on a grid and is exact for the grid. The next site is the one where the models that
are still possible disagree most for the way the coil must travel. Centre of gravity, area and volume are the published map
measures of the site means (Wassermann 1992, Wilson 1993; definitions from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

FloatArray = NDArray[np.float64]
Site = tuple[float, float]

#: Trial-to-trial SD of ln size that the model reckons with, and the size below which a response drowns in noise.
SCATTER = 0.7
FLOOR_UV = 20.0
#: Widths (cm) and peaks (ln µV) that are thought possible, all alike.
_WIDTHS_CM = np.array([0.8, 1.1, 1.5, 2.0, 2.7])
_LN_PEAKS = np.linspace(math.log(60), math.log(6000), 12)
_FINE_CM = 0.25
#: Nats of information that a centimetre of coil travel must be worth.
_COST_PER_CM = 0.02
#: Repeatability of a hotspot without navigation: 8.1 (3.3) mm, Sollmann 2013, doi 10.1186/1471-2202-14-94.
REPEATABILITY_CM = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Hotspot:
    """What is known: best point (``x``, ``y`` in cm), and the published map measures of the sites visited.

    ``area`` is in cm², ``volume`` in µV cm², ``centre_of_gravity`` in cm; NaN where no site responded.
    """

    x: Estimate
    y: Estimate
    area: float
    volume: float
    centre_of_gravity: Site
    probability_nearby: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HotspotState:
    """Sites, what was seen at them, and the log posterior over (x, y, width, peak)."""

    sites_cm: FloatArray
    here_cm: Site
    points_cm: FloatArray
    log_posterior: FloatArray
    seen: tuple[tuple[Site, float], ...] = ()


def start(*, grid_cm: object, start_cm: Site | None = None) -> HotspotState:
    """Begin a search.

    Parameters
    ----------
    grid_cm : array_like, shape (n_sites, 2)
        Sites at which the coil may be put, cm to the right and to the front of the vertex.
    start_cm : (float, float), optional
        Where the coil is; the site nearest to the grid's centre where omitted.

    Raises
    ------
    UsageError
        If the grid is not a list of at least two finite points.
    """
    sites = np.asarray(grid_cm, dtype=np.float64)
    if sites.ndim != 2 or sites.shape[1] != 2 or len(sites) < 2 or not np.isfinite(sites).all():
        raise UsageError(
            "grid_cm cannot be used", expected="at least two finite points, shape (n_sites, 2)", found=str(sites.shape)
        )
    low, high = sites.min(axis=0), sites.max(axis=0)
    axes = [np.arange(low[i], high[i] + _FINE_CM / 2, _FINE_CM) for i in range(2)]
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 2)
    centre = sites[np.argmin(((sites - sites.mean(axis=0)) ** 2).sum(axis=1))]
    here = (float(centre[0]), float(centre[1])) if start_cm is None else (float(start_cm[0]), float(start_cm[1]))
    shape = (len(points), len(_WIDTHS_CM), len(_LN_PEAKS))
    # The starting point is a landmark guess, not knowledge: a wide prior of 3 cm around it.
    prior = -((points - np.array(here)) ** 2).sum(axis=1) / (2 * 3.0**2)
    return HotspotState(
        sites_cm=sites,
        here_cm=here,
        points_cm=points,
        log_posterior=np.broadcast_to(prior[:, None, None], shape).copy(),
    )


def _expected_ln(points: FloatArray, site: FloatArray) -> FloatArray:
    """Expected ln size at ``site`` for every model, shape (n_points, n_widths, n_peaks)."""
    squared = ((points - site) ** 2).sum(axis=1)
    ln_size = _LN_PEAKS[None, None, :] - squared[:, None, None] / (2 * _WIDTHS_CM[None, :, None] ** 2)
    floored: FloatArray = np.logaddexp(ln_size, math.log(FLOOR_UV))
    return floored


def learn(state: HotspotState, site_cm: Site, amplitude_uv: float) -> HotspotState:
    """Take in one response.

    Raises
    ------
    UsageError
        If the amplitude is negative or not finite. Zero is taken as "at the floor".
    """
    if not math.isfinite(amplitude_uv) or amplitude_uv < 0:
        raise UsageError(
            "amplitude_uv cannot be learnt from", expected="a finite size of 0 or more", found=f"{amplitude_uv}"
        )
    ln_seen = math.log(max(amplitude_uv, FLOOR_UV))
    deviation = (ln_seen - _expected_ln(state.points_cm, np.array(site_cm))) / SCATTER
    updated = state.log_posterior - 2.5 * np.log1p(deviation**2 / 4)
    site = (float(site_cm[0]), float(site_cm[1]))
    return replace(
        state, here_cm=site, log_posterior=updated - updated.max(), seen=(*state.seen, (site, float(amplitude_uv)))
    )


def _weights(state: HotspotState) -> FloatArray:
    weights = np.exp(state.log_posterior - state.log_posterior.max())
    normalised: FloatArray = weights / weights.sum()
    return normalised


def suggest(state: HotspotState) -> Site:
    """Return the site to try next, in cm: where the possible models disagree most, less the coil's way there."""
    _, _, sd_ln = expected_map(state)
    way = np.hypot(*(state.sites_cm - np.array(state.here_cm)).T)
    gain = 0.5 * np.log1p(sd_ln**2 / SCATTER**2) - _COST_PER_CM * way
    best = state.sites_cm[int(np.argmax(gain))]
    return float(best[0]), float(best[1])


def expected_map(state: HotspotState) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return what is believed of every site: sites in cm, shape (n, 2), typical size in µV and SD of its logarithm, (n,)."""
    weights = _weights(state).reshape(-1)
    expected = _expected_at_sites(state.sites_cm.tobytes(), state.points_cm.tobytes())
    mean = expected @ weights
    variance = np.maximum(expected**2 @ weights - mean**2, 0.0)
    return state.sites_cm, np.exp(mean), np.sqrt(variance)


@lru_cache(maxsize=4)
def _expected_at_sites(sites: bytes, points: bytes) -> FloatArray:
    """Expected ln size at every site for every model, shape (n_sites, n_models): the same for a whole search."""
    sites_cm, points_cm = (np.frombuffer(raw).reshape(-1, 2) for raw in (sites, points))
    return np.stack([_expected_ln(points_cm, site).reshape(-1) for site in sites_cm])


def summary(state: HotspotState) -> Hotspot:
    """Return what is known now; before any response, the prior's centre with its wide interval."""
    by_point = _weights(state).sum(axis=(1, 2))
    x, y = (_marginal(state.points_cm[:, axis], by_point, len(state.seen)) for axis in range(2))
    nearby = np.hypot(state.points_cm[:, 0] - x.value, state.points_cm[:, 1] - y.value) <= REPEATABILITY_CM
    means = site_means(state.seen)
    sites = np.array(list(means), dtype=np.float64).reshape(-1, 2)
    sizes = np.array(list(means.values()), dtype=np.float64)
    cell = _cell_area(state.sites_cm)
    active = sizes >= 50.0
    return Hotspot(
        x=x,
        y=y,
        area=float(active.sum() * cell) if active.any() else math.nan,
        volume=float(sizes.sum() * cell) if active.any() else math.nan,
        centre_of_gravity=centre_of_gravity(sites, sizes) if active.any() else (math.nan, math.nan),
        probability_nearby=float(by_point[nearby].sum()),
    )


def _marginal(values: FloatArray, weights: FloatArray, n: int) -> Estimate:
    grid, index = np.unique(np.round(values, 6), return_inverse=True)
    mass = np.bincount(index, weights)
    cumulated = np.cumsum(mass)
    low, high = (float(grid[min(int(np.searchsorted(cumulated, q)), len(grid) - 1)]) for q in (0.025, 0.975))
    method = "posterior mean, Gaussian fall-off on a grid of 0.25 cm"
    reason = "" if n else "no response yet: the starting point"
    return Estimate(value=float((grid * mass).sum()), low=low, high=high, n=n, method=method, reason=reason)


def _cell_area(sites: FloatArray) -> float:
    """Area of one grid cell from the smallest spacing along each axis, 1 where the grid has only one line."""
    spacing = [np.diff(np.unique(np.round(sites[:, axis], 6))) for axis in range(2)]
    return float(np.prod([gaps.min() if len(gaps) else 1.0 for gaps in spacing]))


def site_means(seen: tuple[tuple[Site, float], ...]) -> dict[Site, float]:
    """Return the arithmetic mean size at each site visited, in µV."""
    by_site: dict[Site, list[float]] = {}
    for site, size in seen:
        by_site.setdefault(site, []).append(size)
    return {site: sum(sizes) / len(sizes) for site, sizes in by_site.items()}


def centre_of_gravity(sites_cm: FloatArray, sizes: FloatArray) -> Site:
    """Return the size-weighted mean of the sites, in cm (published map measure; all sites kept)."""
    total = float(sizes.sum())
    if total <= 0:
        return math.nan, math.nan
    return float((sites_cm[:, 0] * sizes).sum() / total), float((sites_cm[:, 1] * sizes).sum() / total)


def vertex_from(nasion_inion_cm: float, ear_ear_cm: float) -> Site:
    """Return the distances from nasion and from the ear at which the vertex lies: half of each (10-20 system), in cm."""
    return nasion_inion_cm / 2, ear_ear_cm / 2
