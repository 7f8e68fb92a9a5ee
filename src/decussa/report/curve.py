"""The recruitment curve: sizes by intensity on a log scale, the fit with its band, and what noise alone would give."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from decussa.estimate.recruitment import RecruitmentCurve
from decussa.report import numbers
from decussa.report.style import EDGE, INK, INK_2, MODEL, SMALL_PT, add_panel, new_figure

#: Points at which the fit and its band are drawn.
POINTS = 41
#: How far single trials are set apart sideways, in % MSO.
SPREAD_MSO = 0.3


def draw_curve(
    kept: pd.DataFrame, curve: RecruitmentCurve, noise_uv: float, width_mm: float, height_mm: float
) -> Figure:
    """Return the figure; without a fit the sizes alone are drawn. ``noise_uv`` is NaN where it is not known."""
    figure = new_figure(width_mm, height_mm)
    axes = add_panel(figure, 13.0, 6.0, width_mm - 14.0, height_mm - 7.5)
    axes.set_yscale("log")
    intensity, size = kept["intensity_mso"].to_numpy(np.float64), kept["_size_uv"].to_numpy(np.float64)
    known = np.isfinite(intensity) & np.isfinite(size)
    intensity, size = intensity[known], size[known]
    low, high = _limits(size, noise_uv)
    margin = max(1.5, 0.06 * float(np.ptp(intensity))) if intensity.size else 1.0
    reach = (intensity.min() - margin, intensity.max() + margin) if intensity.size else (0.0, 100.0)
    axes.set(xlim=reach, ylim=(low, high))
    _draw_noise(axes, noise_uv, low)
    _draw_fit(axes, curve, reach, low)
    place = _beside(intensity)
    below = size < low
    axes.plot(
        place[~below],
        size[~below],
        "o",
        markersize=3.2,
        markerfacecolor="none",
        markeredgecolor=INK,
        markeredgewidth=0.6,
    )
    axes.plot(
        place[below],
        np.full(below.sum(), low * 1.12),
        "v",
        markersize=3.2,
        markerfacecolor="none",
        markeredgecolor=INK,
        markeredgewidth=0.6,
    )
    _label(axes, np.unique(intensity), low, high)
    return figure


def _limits(size: np.ndarray, noise_uv: float) -> tuple[float, float]:
    top = float(size.max()) if size.size and size.max() > 0 else 100.0
    floor = noise_uv / 4 if noise_uv > 0 else max(top / 1e3, 1.0)
    positive = size[size > 0]
    if positive.size:
        floor = min(floor, max(float(positive.min()) * 0.7, floor / 3))
    return floor, max(top * 1.6, floor * 10)


def _draw_noise(axes: Axes, noise_uv: float, low: float) -> None:
    if not noise_uv > 0:
        return
    axes.axhspan(low, noise_uv, facecolor="none", edgecolor=EDGE, hatch="//////", linewidth=0, alpha=0.45, zorder=0)
    axes.annotate(
        "noise alone",
        (1, noise_uv),
        (-1, 2),
        axes.get_yaxis_transform(),
        "offset points",
        ha="right",
        fontsize=SMALL_PT,
        color=INK_2,
    )


def _draw_fit(axes: Axes, curve: RecruitmentCurve, reach: tuple[float, float], low: float) -> None:
    at = np.linspace(*reach, POINTS)
    fit = curve.predict(at)
    if not np.isfinite(fit).any():
        return
    lower, upper = curve.band(at)
    highest = axes.get_ylim()[1]
    axes.fill_between(
        at, np.clip(lower, low / 10, None), np.clip(upper, None, highest * 10), color=MODEL, alpha=0.14, linewidth=0
    )
    axes.plot(at, fit, color=MODEL, linewidth=1.3)
    half = curve.s50.value
    if not (math.isfinite(half) and reach[0] <= half <= reach[1]):
        return
    axes.plot((half, half), (low, float(curve.predict(half))), color=MODEL, linewidth=0.8, linestyle=(0, (4, 3)))
    bar = low * 1.25
    axes.plot((max(curve.s50.low, reach[0]), min(curve.s50.high, reach[1])), (bar, bar), color=INK, linewidth=2.0)
    for end, edge, sign in ((curve.s50.low, reach[0], "<"), (curve.s50.high, reach[1], ">")):
        if not reach[0] <= end <= reach[1]:
            axes.plot(edge, bar, sign, color=INK, markersize=4, clip_on=False)
    text = f"half of maximum\n{numbers.short(half, curve.s50.low, curve.s50.high, '%')}"
    right = half < sum(reach) / 2
    axes.annotate(
        text,
        (half, low * 1.8),
        (3 if right else -3, 0),
        textcoords="offset points",
        ha="left" if right else "right",
        va="bottom",
        fontsize=SMALL_PT,
        linespacing=1.3,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
    )


def _beside(intensity: np.ndarray) -> np.ndarray:
    """Return the intensities set apart sideways in the order of the trials, so that equal sizes do not hide each other."""
    placed = intensity.astype(np.float64).copy()
    for level in np.unique(intensity):
        same = np.flatnonzero(intensity == level)
        placed[same] += np.linspace(-SPREAD_MSO, SPREAD_MSO, same.size) if same.size > 1 else 0.0
    return placed


def _label(axes: Axes, levels: np.ndarray, low: float, high: float) -> None:
    start, end = axes.get_xlim()
    room = (end - start) / 9
    ticks: list[float] = []
    for level in levels:
        if not ticks or level - ticks[-1] >= room:
            ticks.append(float(level))
    labels = [f"{tick:g}" for tick in ticks]
    if labels:
        labels[-1] += f"{numbers.THIN}%"
    axes.set_xticks(ticks, labels)
    decades = [10.0**power for power in range(-3, 9) if low <= 10.0**power <= high]
    axes.set_yticks(decades, [numbers.quantity(decade, "uV") for decade in decades])
    axes.minorticks_off()
