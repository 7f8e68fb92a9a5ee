"""Ratios with their intervals, a line each, on a log scale: comparisons, sites and people; differences against means."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from decussa.model.estimate import Estimate
from decussa.report import numbers
from decussa.report.style import (
    CONDITIONS,
    EDGE,
    INK,
    INK_2,
    MODEL,
    SMALL_PT,
    add_panel,
    new_figure,
    round_length,
    write_beside,
)

ROW_MM, HEAD_MM, FOOT_MM = 5.0, 3.0, 9.0
NAME_MM, VALUE_MM = 58.0, 40.0
#: The scale reaches at least so far, and never further than this.
LEAST_REACH, MOST_REACH = (0.7, 1.4), (1 / 64, 64.0)
_CHOICES = (0.05, 0.1, 0.2, 0.25, 0.5, 0.7, 0.8, 1.0, 1.25, 1.5, 2.0, 4.0, 5.0, 10.0, 20.0)
MOST_TICKS = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One ratio: what stands at its left, its estimate, and how it is drawn: single, joined (a diamond) or predicted."""

    name: str
    estimate: Estimate
    look: str = "single"
    weight: float = 1.0


def draw_forest(lines: Sequence[Line], width_mm: float, axis: str) -> Figure:
    """Return the figure, one line per ratio from the top; values and intervals stand at the right."""
    height_mm = ROW_MM * len(lines) + FOOT_MM + HEAD_MM
    figure = new_figure(width_mm, height_mm)
    axes = add_panel(figure, NAME_MM, FOOT_MM, width_mm - NAME_MM - VALUE_MM, height_mm - FOOT_MM - HEAD_MM)
    low, high = _reach(lines)
    axes.set_xscale("log")
    axes.set(xlim=(low, high), ylim=(-0.6, len(lines) - 0.4), yticks=[])
    axes.set_xlabel(axis)
    axes.spines["left"].set_visible(False)
    axes.axvline(1.0, color=EDGE, linewidth=0.6, zorder=0)
    ticks = [tick for tick in _CHOICES if low <= tick <= high]
    ticks = (
        ticks if len(ticks) <= MOST_TICKS else [tick for tick in ticks if tick in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)]
    )
    axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.minorticks_off()
    for place, line in enumerate(reversed(lines)):
        _draw(axes, place, line, low, high)
    return figure


def _reach(lines: Sequence[Line]) -> tuple[float, float]:
    ends = [end for line in lines for end in (line.estimate.value, line.estimate.low, line.estimate.high)]
    usable = [end for end in ends if math.isfinite(end) and end > 0]
    low, high = min([LEAST_REACH[0], *usable]) * 0.93, max([LEAST_REACH[1], *usable]) * 1.07
    return max(low, MOST_REACH[0]), min(high, MOST_REACH[1])


def _draw(axes: Axes, place: int, line: Line, low: float, high: float) -> None:
    e = line.estimate
    weight = "bold" if line.look == "joined" else "normal"
    write_beside(axes, line.name, (0, place), (-5, 0), ha="right", va="center", fontsize=SMALL_PT, fontweight=weight)
    known = math.isfinite(e.value)
    text = numbers.short(e.value, e.low, e.high, "") if known else f"{numbers.DASH} {e.reason}"[:40]
    write_beside(axes, text, (1, place), (5, 0), va="center", fontsize=SMALL_PT, color=INK if known else INK_2)
    if not known:
        return
    start, end = max(e.low, low), min(e.high, high)
    if line.look == "joined":
        axes.fill(
            (start, e.value, end, e.value),
            (place, place + 0.28, place, place - 0.28),
            color=MODEL,
            linewidth=0,
            clip_on=False,
        )
        return
    colour = INK_2 if line.look == "predicted" else INK
    if not (math.isnan(start) or math.isnan(end)):
        style = (0, (3, 2)) if line.look == "predicted" else "solid"
        axes.plot((start, end), (place, place), color=colour, linewidth=1.1, linestyle=style)
    if line.look != "predicted":
        axes.plot(e.value, place, "s", color=colour, markersize=2.5 + 3.0 * math.sqrt(min(line.weight, 1.0)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scatter:
    """Differences against means: (n,) each, the bias with its limits, and what stands at the axes."""

    means: NDArray[np.float64]
    differences: NDArray[np.float64]
    levels: tuple[Estimate, Estimate, Estimate]
    horizontal: str
    vertical: str
    ratios: bool


def draw_agreement(scatter: Scatter, width_mm: float, height_mm: float) -> Figure:
    """Return differences against means with bias, limits of agreement and their intervals."""
    figure = new_figure(width_mm, height_mm)
    axes = add_panel(figure, 16.0, 11.0, width_mm - 46.0, height_mm - 13.0)
    if scatter.ratios:
        axes.set_yscale("log")
    if scatter.ratios and scatter.means.size and scatter.means.max() > 20 * max(scatter.means.min(), 1e-12):
        axes.set_xscale("log")
    axes.scatter(scatter.means, scatter.differences, s=7.0, facecolors="none", edgecolors=INK, linewidths=0.5)
    axes.axhline(1.0 if scatter.ratios else 0.0, color=EDGE, linewidth=0.6, zorder=0)
    for estimate, name in zip(scatter.levels, ("bias", "lower", "upper"), strict=True):
        if not math.isfinite(estimate.value):
            continue
        colour, style = (MODEL, "solid") if name == "bias" else (CONDITIONS[1], (0, (4, 2)))
        axes.axhline(estimate.value, color=colour, linewidth=1.0, linestyle=style)
        if math.isfinite(estimate.low) and math.isfinite(estimate.high):
            axes.axhspan(estimate.low, estimate.high, facecolor=colour, alpha=0.10, linewidth=0)
        text = f"{name} {numbers.short(estimate.value, estimate.low, estimate.high, '')}"
        write_beside(axes, text, (1, estimate.value), (4, 0), va="center", fontsize=SMALL_PT, color=INK)
    axes.set_xlabel(scatter.horizontal)
    axes.set_ylabel(scatter.vertical)
    axes.minorticks_off()
    # Powers of ten would be set as formulas; a ratio of 0.9 to 1.2 has none.
    if axes.get_yscale() == "log":
        ticks = _log_ticks(*axes.get_ylim())
        axes.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
    if axes.get_xscale() == "log":
        ticks = _log_ticks(*axes.get_xlim())
        axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    return figure


def _log_ticks(low: float, high: float) -> list[float]:
    """Return about five round numbers between the ends of a log scale."""
    if high / low > 10:
        powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
        ticks = [step * 10.0**power for power in powers for step in (1.0, 2.0, 5.0)]
        inside = [tick for tick in ticks if low <= tick <= high]
        return inside if len(inside) <= MOST_TICKS else [tick for tick in inside if f"{tick:e}".startswith("1")]
    step = round_length((high - low) / 4)
    return [float(f"{number * step:.6g}") for number in range(math.ceil(low / step), math.floor(high / step) + 1)]
