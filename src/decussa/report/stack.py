"""Sweeps stacked by rising intensity, each level at its own scale, with the level from which responses are obtained."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from decussa.report import numbers
from decussa.report.panels import draw_sweeps, time_ticks
from decussa.report.style import (
    EDGE,
    INK,
    INK_2,
    MODEL,
    SMALL_PT,
    TINY_PT,
    add_panel,
    hatch,
    hide_axes,
    new_figure,
    round_length,
    write_beside,
)  # fmt: skip
from decussa.report.traces import Span, Traces

LEFT_MM = 15.0
RIGHT_MM = 13.0
FOOT_MM = 6.0
#: Share of a row that its largest sweep fills.
FILL = 0.86
#: Sweeps smaller than this are not blown up further, so that noise looks like noise.
LEAST_HEIGHT_UV = 100.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Level:
    """Sweeps of one intensity and how many of them show a response."""

    intensity_mso: float
    traces: Traces
    responses: int
    trials: int


def draw_stack(
    levels: Sequence[Level], from_mso: float, span_ms: Span, window_ms: Span, width_mm: float, height_mm: float
) -> Figure:
    """Return the figure; a line is drawn below the level ``from_mso`` (NaN: none), from which responses are obtained."""
    figure = new_figure(width_mm, height_mm)
    inner_mm = width_mm - LEFT_MM - RIGHT_MM
    axes = add_panel(figure, LEFT_MM, FOOT_MM, inner_mm, height_mm - FOOT_MM - 1.0)
    axes.set(xlim=span_ms, ylim=(0.0, float(len(levels))))
    hide_axes(axes, keep_x=True)
    axes.set_xticks(*time_ticks(span_ms, inner_mm))
    for row, level in enumerate(levels):
        _draw_level(axes, row, level, inner_mm)
        if level.intensity_mso == from_mso:
            axes.axhline(row, color=MODEL, linewidth=0.8, linestyle=(0, (4, 3)), xmin=-0.2, xmax=1.25, clip_on=False)
    for start, end in {span for level in levels for span in level.traces.artifacts_ms}:
        hatch(axes, max(start, span_ms[0]), min(end, span_ms[1]))
    for edge in window_ms:
        axes.axvline(edge, color=EDGE, linewidth=0.4, linestyle=(0, (1, 2)))
    return figure


def _draw_level(axes: Axes, row: int, level: Level, width_mm: float) -> None:
    low, high = _extent(level.traces)
    height = max(high - low, LEAST_HEIGHT_UV)
    scale = FILL / height
    shift = row + (1 - FILL) / 2 - low * scale + (FILL - (high - low) * scale) / 2
    traces = level.traces
    draw_sweeps(
        axes, Traces(traces.time_ms, traces.samples_uv * scale + shift, traces.verdicts, traces.artifacts_ms), width_mm
    )
    middle = row + 0.5
    label, counted = f"{level.intensity_mso:g}{numbers.THIN}%", f"{level.responses} of {level.trials}"
    write_beside(axes, label, (0, middle), (-3, 1), ha="right", va="bottom", fontsize=SMALL_PT)
    write_beside(axes, counted, (0, middle), (-3, -1), ha="right", va="top", fontsize=TINY_PT, color=INK_2)
    length = round_length(0.6 * height)
    place = 1 + 1.5 / width_mm
    ends = (middle - length * scale / 2, middle + length * scale / 2)
    axes.plot((place, place), ends, color=INK, linewidth=1.4, transform=axes.get_yaxis_transform(), clip_on=False)
    bar = numbers.quantity(length, "uV")
    write_beside(axes, bar, (place, middle), (3, 0), ha="left", va="center", fontsize=SMALL_PT, color=INK_2)


def _extent(traces: Traces) -> Span:
    values = traces.kept_uv[:, traces.shown]
    values = values[np.isfinite(values)]
    if not values.size:
        return 0.0, 0.0
    return float(values.min()), float(values.max())


def row_height(levels: int) -> float:
    """Return the height in mm of one level: generous for few, tight for many."""
    return min(max(66.0 / max(levels, 1), 5.5), 13.0)
