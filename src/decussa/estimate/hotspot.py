"""Hotspot: where on the head the response is largest, with the doubt that few and variable responses leave.

Model: the log of the expected size falls off from one best point as a Gaussian, round or oblong, above a noise floor; the point,
the width, the shape, the peak and the scatter of single sizes are unknown, and excitability drifts. Single sizes scatter with
heavy tails. The posterior lives on a grid of such models (``hotspot_kernel``). The next site is the one where the models that
are still possible disagree most for the way the coil must travel. Area, volume and centre of gravity are the published
measures of the means of the sites visited (``map_measures``).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from decussa.estimate import hotspot_kernel, map_measures
from decussa.estimate.map_measures import Site
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

FloatArray = NDArray[np.float64]

LEVEL = 0.95
#: Size that noise alone gives where it is not told, uV.
FLOOR_UV = 20.0
#: SDs of the fall-off (cm), ratios of its axes with their directions, peaks (ln uV) and scatters (log SD) that are thought
#: possible, all alike; widths as published maps of hand and forearm muscles have them (common practice, no source).
_WIDTHS_CM = (0.8, 1.1, 1.5, 2.0, 2.7)
_SHAPES = ((1.0, 0.0), *((1.7, math.pi * quarter / 4) for quarter in range(4)))
_LN_PEAKS = np.linspace(math.log(60), math.log(6000), 7)
_SCATTERS = (0.5, 0.8)
#: Spacing of the points among which the best one is sought, cm; the interval reads between them.
_FINE_CM = 0.5
#: SD of the drift of excitability in log size, and its correlation from one pulse to the next (20 pulses to 1/e). Common
#: practice, no source.
_DRIFT_SD, _DRIFT_KEPT = 0.25, math.exp(-1 / 20)
#: The starting point is a landmark guess, not knowledge: SD around it, cm.
_START_SD_CM = 3.0
#: Power of the likelihood in what is told of the best point: maps of heads are none of the models, and taken at its word a
#: posterior of 30 pulses is too narrow for them (chosen on oblong maps of 120 invented people, bench/hotspot.py).
_TRUST = 0.8
#: Nats of information that a centimetre of coil travel must be worth.
_COST_PER_CM = 0.02
#: Models weighed when the next site is chosen, and when the map is drawn.
_WEIGHED, _DRAWN = 600, 4000
#: Repeatability of a hotspot without navigation: 8.1 (3.3) mm, Sollmann 2013, doi 10.1186/1471-2202-14-94.
REPEATABILITY_CM = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Hotspot:
    """What is known: best point (``x``, ``y`` in cm), and the published map measures of the sites visited.

    ``area`` is in cm², ``volume`` in µV cm², ``centre_of_gravity`` in cm; NaN where no site responded. A site is active from
    a mean of 50 µV.
    """

    x: Estimate
    y: Estimate
    area: float
    volume: float
    centre_of_gravity: Site
    probability_nearby: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HotspotState:
    """Sites, what was seen at them, and log posterior weight and drift of every model."""

    sites_cm: FloatArray
    here_cm: Site
    models: FloatArray
    log_posterior: FloatArray
    drift: FloatArray
    drift_variance: float
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
        If the grid is not a list of at least two finite points, or the start is not finite.
    """
    sites = np.asarray(grid_cm, dtype=np.float64)
    if sites.ndim != 2 or sites.shape[1] != 2 or len(sites) < 2 or not np.isfinite(sites).all():
        raise UsageError(
            "grid_cm cannot be used", expected="at least two finite points, shape (n_sites, 2)", found=str(sites.shape)
        )
    centre = sites[np.argmin(((sites - sites.mean(axis=0)) ** 2).sum(axis=1))]
    here = _checked_site(centre if start_cm is None else start_cm, "start_cm")
    models = _models(*_corners(sites))
    away = (models[0] - here[0]) ** 2 + (models[1] - here[1]) ** 2
    return HotspotState(
        sites_cm=sites,
        here_cm=here,
        models=models,
        log_posterior=-away / (2 * _START_SD_CM**2),
        drift=np.zeros(models.shape[1]),
        drift_variance=_DRIFT_SD**2,
    )


@lru_cache(maxsize=4)
def _models(low: Site, high: Site) -> FloatArray:
    """Return all models over a rectangle, shape (7, n_models), as ``hotspot_kernel.absorb`` reads them; the same for all."""
    axes = [np.arange(low[i], high[i] + _FINE_CM / 2, _FINE_CM) for i in range(2)]
    columns = []
    for width, (oblong, angle) in itertools.product(_WIDTHS_CM, _SHAPES):
        along, across = 1 / (width**2 * oblong), oblong / width**2
        c, s = math.cos(angle), math.sin(angle)
        columns.append((along * c * c + across * s * s, (along - across) * c * s, along * s * s + across * c * c))
    forms = np.array(columns)
    x, y, form, peak, scatter = (
        axis.ravel()
        for axis in np.meshgrid(axes[0], axes[1], np.arange(len(forms)), _LN_PEAKS, _SCATTERS, indexing="ij")
    )
    models = np.ascontiguousarray(np.stack([x, y, *forms[form.astype(np.intp)].T, peak, scatter]))
    models.setflags(write=False)
    return models


def _corners(sites_cm: FloatArray) -> tuple[Site, Site]:
    (low_x, low_y), (high_x, high_y) = sites_cm.min(axis=0).tolist(), sites_cm.max(axis=0).tolist()
    return (low_x, low_y), (high_x, high_y)


@lru_cache(maxsize=4)
def _places(low: Site, high: Site) -> tuple[tuple[FloatArray, NDArray[np.intp]], ...]:
    """Return of either axis the points at which models have their best point, in cm, and which point is each model's."""
    models = _models(low, high)
    return tuple(np.unique(np.round(models[axis], 6), return_inverse=True) for axis in range(2))


def learn(state: HotspotState, site_cm: Site, amplitude_uv: float, *, noise_uv: float | None = None) -> HotspotState:
    """Take in one response.

    Parameters
    ----------
    site_cm : (float, float), cm
        Where the coil was; it need not be a site of the grid.
    amplitude_uv : float, µV
        Peak-to-peak; what does not stand above the noise is taken as "at the noise".
    noise_uv : float, µV, optional
        Size that noise alone gives; 20 where it is left out.

    Raises
    ------
    UsageError
        If the amplitude is negative or not finite, the noise not above 0, or the site not finite.
    """
    if not math.isfinite(amplitude_uv) or amplitude_uv < 0:
        raise UsageError(
            "amplitude_uv cannot be learnt from", expected="a finite size of 0 or more", found=f"{amplitude_uv}"
        )
    floor_uv = FLOOR_UV if noise_uv is None else noise_uv
    if not math.isfinite(floor_uv) or floor_uv <= 0:
        raise UsageError("noise_uv cannot be used", expected="a finite size above 0", found=f"{noise_uv}")
    site = _checked_site(site_cm, "site_cm")
    log_posterior, drift = state.log_posterior.copy(), state.drift.copy()
    ln_floor = math.log(floor_uv)
    hotspot_kernel.absorb(
        log_posterior, drift, state.drift_variance, state.models, site[0], site[1],
        math.log(max(amplitude_uv, floor_uv)), ln_floor, _DRIFT_KEPT,
    )  # fmt: skip
    return replace(
        state,
        here_cm=site,
        log_posterior=log_posterior - log_posterior.max(),
        drift=drift,
        drift_variance=_next_drift_variance(state.drift_variance),
        seen=(*state.seen, (site, float(amplitude_uv))),
    )


def _next_drift_variance(variance: float) -> float:
    """Return the variance of the drift at the next pulse, as a response of usual scatter leaves it."""
    scatter2 = float(np.mean(np.square(_SCATTERS)))
    after = variance * scatter2 / (variance + scatter2)
    return _DRIFT_KEPT**2 * after + (1 - _DRIFT_KEPT**2) * _DRIFT_SD**2


def _checked_site(site_cm: object, name: str) -> Site:
    site = np.asarray(site_cm, dtype=np.float64).ravel()
    if site.size != 2 or not np.isfinite(site).all():
        raise UsageError("a site is two finite numbers", where=name, expected="x and y in cm", found=str(site_cm))
    return float(site[0]), float(site[1])


def suggest(state: HotspotState) -> Site:
    """Return the site to try next, in cm: where the possible models disagree most, less the coil's way there."""
    _, variance = _moments(state, _WEIGHED)
    way = np.hypot(*(state.sites_cm - np.array(state.here_cm)).T)
    gain = 0.5 * np.log1p(variance / np.mean(np.square(_SCATTERS))) - _COST_PER_CM * way
    best = state.sites_cm[int(np.argmax(gain))]
    return float(best[0]), float(best[1])


def expected_map(state: HotspotState) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return what is believed of every site: sites in cm, shape (n, 2), typical size in µV and SD of its logarithm, (n,)."""
    mean, variance = _moments(state, _DRAWN)
    return state.sites_cm, np.exp(mean), np.sqrt(variance)


def _moments(state: HotspotState, most: int) -> tuple[FloatArray, FloatArray]:
    ln_floor = math.log(FLOOR_UV)
    return hotspot_kernel.moments(state.log_posterior, state.drift, state.models, state.sites_cm, ln_floor, most)


def summary(state: HotspotState) -> Hotspot:
    """Return what is known now; before any response, the prior's centre with its wide interval."""
    return _summary(state)


@lru_cache(maxsize=1)
def _summary(state: HotspotState) -> Hotspot:
    """A state is asked by its identity: what to show of it, then whether the search may end."""
    weights = np.exp(_TRUST * (state.log_posterior - state.log_posterior.max()))
    weights /= weights.sum()
    n = len(state.seen)
    x, y = (_marginal(*places, weights, n) for places in _places(*_corners(state.sites_cm)))
    nearby = np.hypot(state.models[0] - x.value, state.models[1] - y.value) <= REPEATABILITY_CM
    sites, means = map_measures.site_means(state.seen)
    active = bool(map_measures.active_sites(means).any())
    cell = map_measures.cell_area(state.sites_cm)
    return Hotspot(
        x=x,
        y=y,
        area=map_measures.map_area(means, cell) if active else math.nan,
        volume=map_measures.map_volume(means, cell) if active else math.nan,
        centre_of_gravity=map_measures.centre_of_gravity(sites, means) if active else (math.nan, math.nan),
        probability_nearby=float(weights[nearby].sum()),
    )


def done(state: HotspotState, *, sure: float = 0.9, fewest: int = 12, budget: int = 40) -> bool:
    """Return whether the search may end.

    It may when the best point lies within the repeatability of a hotspot with probability ``sure``, after ``fewest`` pulses
    at least and with a site that responds; or when ``budget`` pulses are spent.
    """
    if len(state.seen) >= budget:
        return True
    answered = any(size >= map_measures.ACTIVE_UV for _, size in state.seen)
    return len(state.seen) >= fewest and answered and summary(state).probability_nearby >= sure


def _marginal(grid: FloatArray, index: NDArray[np.intp], weights: FloatArray, n: int) -> Estimate:
    mass = np.bincount(index, weights)
    # the mass of a point is spread evenly over its cell
    edges = np.concatenate([[grid[0] - _FINE_CM / 2], grid + _FINE_CM / 2])
    tail = (1 - LEVEL) / 2
    low, high = np.interp([tail, 1 - tail], np.concatenate([[0.0], np.cumsum(mass)]), edges)
    method = f"posterior mean and quantiles, Gaussian fall-off, grid of {_FINE_CM:g} cm"
    reason = "" if n else "no response yet: the starting point"
    value = float(grid @ mass)
    return Estimate(
        value=value, low=float(min(low, value)), high=float(max(high, value)), n=n, method=method, reason=reason
    )
