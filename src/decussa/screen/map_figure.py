"""The hotspot's map as SVG: what is believed of every site, what was seen at those visited, where the coil goes next."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from contourpy import contour_generator
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline

from decussa.screen.figures import Scale, line, svg, words
from decussa.screen.language import phrase
from decussa.screen.words import number
from decussa.session.evidence import SiteSoFar

#: Above this SD of the logarithm of the size nothing is known of a site worth drawing.
_UNKNOWN_SD = 1.1
#: Below this a highest expected size is little more than noise: the map stays pale (common practice, no source).
_LEAST_PEAK_UV = 100.0
#: A mean at one site from which on there is something to draw (common practice, no source).
_LEAST_SEEN_UV = 50.0
_SHARES = (0.3, 0.5, 0.7, 0.9)
_FINE = 61
Values = NDArray[np.float64]


def hotspot_map(
    curve: Mapping[str, tuple[float, ...]], sites: Sequence[SiteSoFar], next_cm: tuple[float, float] | None
) -> str:
    """Return the map; hatched is ground of which nothing is known yet."""
    if not curve.get("x_cm"):
        return ""
    x, y = (np.unique(curve[name]) for name in ("x_cm", "y_cm"))
    across = Scale(float(x[0]) - 0.5, float(x[-1]) + 0.5, 40, 470)
    gap = (across.right - across.left) / (across.high - across.low)
    height = gap * (float(y[-1] - y[0]) + 1)
    up = Scale(float(y[0]) - 0.5, float(y[-1]) + 0.5, 14 + height, 14)
    size, sd = (np.array(curve[name]).reshape(len(x), len(y)) for name in ("size_uv", "sd_ln"))
    answered = any(site.mean_uv >= _LEAST_SEEN_UV for site in sites)
    parts = [_ground(across, up), _contours(x, y, size, sd, across, up, hills=answered), _grid(x, y, across, up)]
    radius = min(22.0, gap * 0.42)
    parts += [_site(site, across(site.site_cm[0]), up(site.site_cm[1]), radius) for site in sites]
    if next_cm is not None:
        parts.append(_next(across(next_cm[0]), up(next_cm[1]), radius + 4, [s for s in sites if s.site_cm == next_cm]))
    parts.append(_axes(x, y, across, up))
    return svg(14 + height + 44, "".join(parts), _label(sites, next_cm))


def _ground(across: Scale, up: Scale) -> str:
    """Return the plot's whole ground, hatched; what is known is drawn over it."""
    return (
        f'<rect class="hat" x="{across.left:.1f}" y="{up.right:.1f}" width="{across.right - across.left:.1f}" '
        f'height="{up.left - up.right:.1f}"/>'
    )


def _contours(x: Values, y: Values, size: Values, sd: Values, across: Scale, up: Scale, *, hills: bool) -> str:
    """Return what is known, and in it the shares of the highest expected size; no hills while nothing responded."""
    fine_x, fine_y = np.linspace(x[0], x[-1], _FINE), np.linspace(y[0], y[-1], _FINE)
    order = min(2, len(x) - 1, len(y) - 1)
    ln_size = RectBivariateSpline(x, y, np.log(size), kx=order, ky=order)(fine_x, fine_y)
    doubt = RectBivariateSpline(x, y, sd, kx=order, ky=order)(fine_x, fine_y)
    known = contour_generator(fine_x, fine_y, -doubt.T, fill_type="OuterOffset")
    parts = [_area(known.filled(-_UNKNOWN_SD, math.inf), across, up, "known")]
    if not hills:
        return "".join(parts)
    shares = np.exp(ln_size - max(ln_size.max(), math.log(_LEAST_PEAK_UV)))
    shares[doubt > _UNKNOWN_SD] = 0.0
    levels = contour_generator(fine_x, fine_y, shares.T, fill_type="OuterOffset")
    parts += [_area(levels.filled(share, math.inf), across, up, "hill") for share in _SHARES]
    return "".join(parts)


def _area(filled: Any, across: Scale, up: Scale, kind: str) -> str:
    """Return filled areas with their holes; ``filled`` are points and offsets, as the contour generator gives them."""
    paths = []
    for points, offsets in zip(*filled, strict=True):
        for start, stop in pairwise(offsets):
            ring = points[start:stop]
            paths.append("M" + "L".join(f"{across(px):.1f} {up(py):.1f}" for px, py in ring) + "Z")
    return f'<path class="{kind}" fill-rule="evenodd" d="{"".join(paths)}"/>' if paths else ""


def _grid(x: Values, y: Values, across: Scale, up: Scale) -> str:
    return "".join(
        line(across(px) - 4, up(py), across(px) + 4, up(py), "ax")
        + line(across(px), up(py) - 4, across(px), up(py) + 4, "ax")
        for px in x
        for py in y
    )


def _site(site: SiteSoFar, x: float, y: float, radius: float) -> str:
    return (
        f'<circle class="ring site" cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}"/>'
        + words(x, y + 5, number(site.mean_uv, 0), "ti")
        + _dots(site.n, x, y + radius + 7, "full")
    )


def _dots(count: int, x: float, y: float, kind: str) -> str:
    """Return a dot for each pulse, up to five."""
    shown = min(count, 5)
    return "".join(
        f'<circle class="{kind}" cx="{x + 8 * (place - (shown - 1) / 2):.1f}" cy="{y:.1f}" r="2.6"/>'
        for place in range(shown)
    )


def _next(x: float, y: float, half: float, seen: Sequence[SiteSoFar]) -> str:
    """Return where the coil goes now: a square with four ticks."""
    box = f'<rect class="here" x="{x - half:.1f}" y="{y - half:.1f}" width="{2 * half:.1f}" height="{2 * half:.1f}"/>'
    ticks = "".join(
        line(x + half * dx, y + half * dy, x + (half + 9) * dx, y + (half + 9) * dy, "nl")
        for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1))
    )
    said = words(x, y + 6, number(seen[0].mean_uv, 0), "tn") + _dots(seen[0].n, x, y + half - 7, "nf") if seen else ""
    return box + ticks + said


def _axes(x: Values, y: Values, across: Scale, up: Scale) -> str:
    parts = [line(across.left, up.left, across.right, up.left, "ax")]
    parts += [words(across(px), up.left + 18, number(float(px), 0)) for px in x if float(px).is_integer()]
    parts += [
        words(across.left - 8, up(py) + 5, number(float(py), 0), "t", "end") for py in y if float(py).is_integer()
    ]
    parts.append(words(across.left, up.left + 38, phrase("cm to the right of the vertex"), "ti", "start"))
    parts.append(words(across.left, 10, phrase("cm forward"), "ti", "start"))
    return "".join(parts)


def _label(sites: Sequence[SiteSoFar], next_cm: tuple[float, float] | None) -> str:
    seen = "; ".join(
        phrase(
            "{x}, {y}: {size} microvolt, {count} pulses",
            x=f"{site.site_cm[0]:g}",
            y=f"{site.site_cm[1]:g}",
            size=f"{site.mean_uv:.0f}",
            count=site.n,
        )
        for site in sites
    )
    ahead = phrase("The coil goes to {x}, {y} now.", x=f"{next_cm[0]:g}", y=f"{next_cm[1]:g}") if next_cm else ""
    return f"{phrase('Map of sites in cm to the right and to the front of the vertex.')} {seen}. {ahead}"
