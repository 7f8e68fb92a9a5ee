"""Sweeps overlaid, one panel per condition, with onset, window and artifact; panels of a figure share the time scale."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from decussa.model.estimate import Estimate
from decussa.report import numbers
from decussa.report.style import (
    EDGE,
    INK,
    INK_2,
    MIND,
    NOW,
    SHEET,
    SMALL_PT,
    TEXT_PT,
    add_panel,
    hatch,
    hide_axes,
    new_figure,
    round_length,
)  # fmt: skip
from decussa.report.traces import Span, Traces, envelope

HEAD_MM = 8.5
FOOT_MM = 6.0
GAP_MM = 5.0
#: Room for half of the first and of the last label.
START_MM, END_MM = 3.0, 4.0
#: Points per printed mm: finer than a printer's dot pitch would not be seen.
POINTS_PER_MM = 6.0
#: A scale bar takes at most this share of the height.
BAR_SHARE = 0.42

_LOOK = {
    "accept": {"colors": EDGE, "linewidths": 0.35},
    "": {"colors": EDGE, "linewidths": 0.35},
    "doubtful": {"colors": MIND, "linewidths": 0.5, "linestyles": [(0, (5, 2))]},
    "reject": {"colors": INK_2, "linewidths": 0.5, "linestyles": [(0, (1, 1.6))]},
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Panel:
    """One condition of one muscle: what to draw, and what is written above it.

    ``limits_uv`` are shared by panels that are to be compared; ``onset`` is the latency of the summary.
    """

    title: str
    note: str
    traces: Traces | None
    span_ms: Span
    window_ms: Span
    limits_uv: Span
    onset: Estimate = Estimate()  # noqa: RUF009 - frozen
    bar: bool = True


def limits_of(all_traces: Sequence[Traces | None]) -> Span:
    """Return the range in microvolt that holds every kept sweep of these, artifacts apart."""
    parts = [traces.kept_uv[:, traces.shown].ravel() for traces in all_traces if traces is not None]
    values = np.concatenate(parts) if parts else np.empty(0)
    values = values[np.isfinite(values)]
    if not values.size or values.min() == values.max():
        return -1.0, 1.0
    low, high = float(values.min()), float(values.max())
    room = 0.06 * (high - low)
    return low - room, high + room


def draw_panels(rows: Sequence[Sequence[Panel]], width_mm: float, row_mm: float) -> Figure:
    """Return a figure with one row of panels per entry of ``rows``; widths follow the time span, so that 1 ms is 1 ms."""
    figure = new_figure(width_mm, row_mm * len(rows))
    longest = max(_length(row) for row in rows)
    most = max(len(row) for row in rows)
    per_ms = (width_mm - GAP_MM * (most - 1) - START_MM - END_MM) / longest
    for number, row in enumerate(rows):
        left = START_MM
        bottom = row_mm * (len(rows) - 1 - number) + FOOT_MM
        for panel in row:
            width = per_ms * (panel.span_ms[1] - panel.span_ms[0])
            axes = add_panel(figure, left, bottom, width, row_mm - HEAD_MM - FOOT_MM)
            _draw(axes, panel, width)
            left += width + GAP_MM
    return figure


def _length(row: Sequence[Panel]) -> float:
    return sum(panel.span_ms[1] - panel.span_ms[0] for panel in row)


def _draw(axes: Axes, panel: Panel, width_mm: float) -> None:
    low, high = panel.limits_uv
    axes.set(xlim=panel.span_ms, ylim=(low - 0.1 * (high - low), high))
    hide_axes(axes, keep_x=True)
    axes.set_xticks(*time_ticks(panel.span_ms, width_mm))
    axes.annotate(panel.title, (0, 1), (0, 11), "axes fraction", "offset points", fontsize=TEXT_PT)
    axes.annotate(panel.note, (0, 1), (0, 2), "axes fraction", "offset points", fontsize=SMALL_PT, color=INK_2)
    if panel.traces is None:
        axes.text(0.5, 0.5, "no samples at hand", transform=axes.transAxes, ha="center", color=INK_2)
        return
    draw_sweeps(axes, panel.traces, width_mm)
    for start, end in panel.traces.artifacts_ms:
        hatch(axes, max(start, panel.span_ms[0]), min(end, panel.span_ms[1]))
    axes.plot(panel.window_ms, (low - 0.06 * (high - low),) * 2, color=INK_2, linewidth=1.4)
    mark_onset(axes, panel.onset)
    if panel.bar:
        draw_bar(axes, panel.span_ms[1], (low, high), width_mm)


def draw_sweeps(axes: Axes, traces: Traces, width_mm: float) -> None:
    """Draw every sweep by its verdict, the mean of the kept ones over them."""
    columns = int(width_mm * POINTS_PER_MM)
    hidden = np.where(traces.shown, 0.0, np.nan)
    for kind, look in _LOOK.items():
        chosen = [row for row, verdict in zip(traces.samples_uv, traces.verdicts, strict=True) if verdict == kind]
        lines = [np.column_stack(envelope(traces.time_ms, row + hidden, columns)) for row in chosen]
        axes.add_collection(
            LineCollection(_unbroken(lines), **look, zorder=2 if kind != "reject" else 1.5), autolim=False
        )
    middle = mean_of(traces)
    if middle is not None:
        x, y = envelope(traces.time_ms, middle + hidden, columns)
        axes.plot(x, y, color=SHEET, linewidth=2.0, zorder=3)
        axes.plot(x, y, color=INK, linewidth=0.9, zorder=4)


def mean_of(traces: Traces) -> np.ndarray[tuple[int], np.dtype[np.float64]] | None:
    """Return the mean of the kept sweeps in microvolt, NaN where one of them has no sample; None where none was kept."""
    kept = traces.kept_uv
    return np.asarray(kept.mean(axis=0)) if len(kept) else None


def _unbroken(lines: list[np.ndarray]) -> list[np.ndarray]:
    """Split lines where samples are missing: a collection would join what lies on either side."""
    parts = []
    for line in lines:
        breaks = np.flatnonzero(np.isnan(line[:, 1]))
        parts += [part[~np.isnan(part[:, 1])] for part in np.split(line, breaks)]
    return [part for part in parts if len(part) > 1]


def mark_onset(axes: Axes, onset: Estimate) -> None:
    """Mark the onset of the response, with its interval where it has one."""
    if not math.isfinite(onset.value):
        return
    if math.isfinite(onset.low) and math.isfinite(onset.high):
        axes.axvspan(onset.low, onset.high, color=NOW, alpha=0.2, linewidth=0, zorder=1)
    axes.axvline(onset.value, color=NOW, linewidth=0.8, zorder=5)


def draw_bar(axes: Axes, right: float, limits_uv: Span, width_mm: float) -> None:
    """Draw a scale bar at the right, a round number of microvolt long."""
    length = round_length(BAR_SHARE * (limits_uv[1] - limits_uv[0]))
    start, end = axes.get_xlim()
    place = right - 0.6 * (end - start) / width_mm
    top = limits_uv[1]
    axes.plot((place, place), (top - length, top), color=INK, linewidth=1.4, zorder=6)
    axes.annotate(
        numbers.quantity(length, "uV"), (place, top - length / 2), (-3, 0), textcoords="offset points",
        ha="right", va="center", fontsize=SMALL_PT, color=INK_2, zorder=6,
        bbox={"facecolor": SHEET, "edgecolor": "none", "pad": 0.8},
    )  # fmt: skip


def time_ticks(span_ms: Span, width_mm: float) -> tuple[list[float], list[str]]:
    """Return round times about a centimetre apart or more, the last with its unit."""
    step = next(
        (step for step in (10.0, 20.0, 25.0, 50.0, 100.0, 200.0) if step * width_mm >= 8.0 * (span_ms[1] - span_ms[0])),
        500.0,
    )
    first = math.ceil(span_ms[0] / step) * step
    places = [float(place) for place in np.arange(first, span_ms[1] + 1e-9, step)]
    labels = [numbers.number(place, 0) for place in places]
    if labels:
        labels[-1] += f"{numbers.THIN}ms"
    return places, labels
