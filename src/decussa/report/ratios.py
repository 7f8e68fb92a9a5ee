"""Ratios of paired to unconditioned responses on a log scale, with their intervals and the single trials."""

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
from decussa.report.style import CONDITIONS, INK, INK_2, add_panel, new_figure, write_beside

ROW_MM = 5.4
FOOT_MM = 6.0
NAME_MM = 33.0
VALUE_MM = 34.0
MOST_TICKS = 6
#: The scale reaches at least so far, and never further than this.
LEAST_REACH = (0.25, 2.0)
MOST_REACH = (1 / 16, 16.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RatioLine:
    """One ratio: its name, its estimate, and single conditioned trials over the mean of the unconditioned ones."""

    name: str
    kind: str
    estimate: Estimate
    singles: NDArray[np.float64]


def draw_ratios(lines: Sequence[RatioLine], width_mm: float) -> Figure:
    """Return the figure, one line per ratio from the top; values and intervals stand at the right."""
    height_mm = ROW_MM * len(lines) + FOOT_MM
    figure = new_figure(width_mm, height_mm)
    axes = add_panel(figure, NAME_MM, FOOT_MM, width_mm - NAME_MM - VALUE_MM, height_mm - FOOT_MM)
    low, high = _reach(lines)
    axes.set_xscale("log", base=2)
    axes.set(xlim=(low, high), ylim=(-0.5, len(lines) - 0.5), yticks=[])
    axes.spines["left"].set_visible(False)
    axes.axvline(1.0, color=INK, linewidth=0.7, zorder=0)
    for place, line in enumerate(reversed(lines)):
        _draw(axes, place, line, low, high)
    powers = range(math.ceil(math.log2(low)), math.floor(math.log2(high)) + 1)
    shown = [power for power in powers if len(powers) <= MOST_TICKS or power % 2 == 0]
    axes.set_xticks([2.0**power for power in shown], [f"{2.0**power:g}" for power in shown])
    axes.minorticks_off()
    return figure


def _reach(lines: Sequence[RatioLine]) -> tuple[float, float]:
    values = [value for line in lines for value in (line.estimate.value, line.estimate.low, line.estimate.high)]
    usable = [value for value in values if math.isfinite(value) and value > 0]
    low = min([LEAST_REACH[0], *usable]) * 0.85
    high = max([LEAST_REACH[1], *usable]) * 1.15
    return max(low, MOST_REACH[0]), min(high, MOST_REACH[1])


def colour_of(kind: str) -> str:
    """Return the colour of a kind of pair; other pairs share the last."""
    return dict(zip(("sici", "icf", "lici"), CONDITIONS, strict=False)).get(kind, CONDITIONS[-1])


def _draw(axes: Axes, place: int, line: RatioLine, low: float, high: float) -> None:
    colour = colour_of(line.kind)
    inside = line.singles[(line.singles > low) & (line.singles < high)]
    steps = np.linspace(-0.22, 0.22, max(inside.size, 1))[: inside.size]
    axes.plot(inside, place + steps, ".", markersize=3.0, color=colour, alpha=0.45, markeredgewidth=0)
    value, start, end = line.estimate.value, line.estimate.low, line.estimate.high
    write_beside(axes, line.name, (0, place), (-5, 0), ha="right", va="center")
    text = numbers.short(value, start, end, "") if math.isfinite(value) else f"{numbers.DASH} no ratio"
    write_beside(axes, text, (1, place), (5, 0), va="center", color=INK if math.isfinite(value) else INK_2)
    if not math.isfinite(value):
        return
    if not (math.isnan(start) or math.isnan(end)):
        axes.plot((max(start, low), min(end, high)), (place, place), color=colour, linewidth=2.0, clip_on=False)
    for beyond, edge, sign in ((start < low, low, "<"), (end > high, high, ">")):
        if beyond:
            axes.plot(edge, place, sign, color=colour, markersize=5, clip_on=False)
    if low <= value <= high:
        axes.plot(value, place, "o", color=colour, markersize=5)
