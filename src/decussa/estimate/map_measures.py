"""Published measures of a map of responses: centre of gravity, area, volume, and where the vertex lies.

Centre of gravity: sites weighted by their mean size. Area: number of active sites times the area of a cell. Volume: sum of
the mean sizes times the area of a cell (Wassermann 1992, Wilson 1993; definitions from memory). A site is active where its
mean size reaches 50 uV, or a share of the largest mean; which one is the caller's to state.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from decussa.model.errors import UsageError

Floats = NDArray[np.float64]
Site = tuple[float, float]

#: Mean size from which a site is active, uV.
ACTIVE_UV = 50.0


def site_means(seen: Iterable[tuple[Site, float]]) -> tuple[Floats, Floats]:
    """Return the sites visited, cm, shape (n, 2), in order of first visit, and the arithmetic mean size at each, uV, (n,)."""
    by_site: dict[Site, list[float]] = {}
    for site, size in seen:
        by_site.setdefault(site, []).append(size)
    sites = np.array(list(by_site), dtype=np.float64).reshape(-1, 2)
    return sites, np.array([sum(sizes) / len(sizes) for sizes in by_site.values()], dtype=np.float64)


def centre_of_gravity(sites_cm: ArrayLike, mean_uv: ArrayLike) -> Site:
    """Return the size-weighted mean of the sites, cm; NaN where no site has a size above 0. All sites given count.

    Raises
    ------
    UsageError
        If sites and sizes do not fit together, or a size is negative or not finite.
    """
    sites, sizes = _pair(sites_cm, mean_uv)
    total = float(sizes.sum())
    if total <= 0:
        return math.nan, math.nan
    return float(sites[:, 0] @ sizes / total), float(sites[:, 1] @ sizes / total)


def active_sites(
    mean_uv: ArrayLike, *, least_uv: float = ACTIVE_UV, share_of_largest: float = 0.0
) -> NDArray[np.bool_]:
    """Return which sites are active: mean size of at least ``least_uv`` and of that share of the largest, shape (n,)."""
    sizes = np.asarray(mean_uv, dtype=np.float64)
    largest = float(sizes.max()) if sizes.size else 0.0
    return np.asarray(sizes >= max(least_uv, share_of_largest * largest * (1 - 1e-12)))


def map_area(
    mean_uv: ArrayLike, cell_cm2: float, *, least_uv: float = ACTIVE_UV, share_of_largest: float = 0.0
) -> float:
    """Return the area of the active sites, square cm; arguments as for ``active_sites``."""
    return float(active_sites(mean_uv, least_uv=least_uv, share_of_largest=share_of_largest).sum()) * cell_cm2


def map_volume(mean_uv: ArrayLike, cell_cm2: float) -> float:
    """Return the sum of mean sizes times the area of a cell, uV square cm."""
    return float(np.asarray(mean_uv, dtype=np.float64).sum()) * cell_cm2


def cell_area(sites_cm: ArrayLike) -> float:
    """Return the area of one grid cell, square cm, from the smallest spacing along each axis; 1 along a single line."""
    sites = np.asarray(sites_cm, dtype=np.float64).reshape(-1, 2)
    spacing = [np.diff(np.unique(np.round(sites[:, axis], 6))) for axis in range(2)]
    return float(np.prod([gaps.min() if len(gaps) else 1.0 for gaps in spacing]))


def vertex_from(nasion_inion_cm: float, ear_ear_cm: float) -> Site:
    """Return the distances from nasion and from the ear at which the vertex lies: half of each (10-20 system), cm."""
    return nasion_inion_cm / 2, ear_ear_cm / 2


def lateral_of_vertex(ear_ear_cm: float, share: float = 0.2) -> float:
    """Return how far a site lies beside the vertex: C3 and C4 at 20 % of the distance from ear to ear (10-20 system), cm."""
    return share * ear_ear_cm


def _pair(sites_cm: ArrayLike, mean_uv: ArrayLike) -> tuple[Floats, Floats]:
    sites = np.asarray(sites_cm, dtype=np.float64).reshape(-1, 2)
    sizes = np.asarray(mean_uv, dtype=np.float64).ravel()
    if len(sites) != sizes.size or not np.isfinite(sizes).all() or np.any(sizes < 0):
        raise UsageError(
            "sites and mean sizes cannot be a map",
            expected=f"{len(sites)} finite sizes of 0 or more",
            found=f"{sizes.size} sizes, {int(np.sum(~(sizes >= 0)))} of them negative or missing",
        )
    return sites, sizes
