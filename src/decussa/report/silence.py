"""The silent period: rectified mean of the sweeps during contraction, with start, end and the interval of the end."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from decussa.estimate.average import median
from decussa.model.estimate import Estimate
from decussa.report import numbers
from decussa.report.block import WIDTH_MM, Block, Recordings, Sides
from decussa.report.content import Condition, MusclePlace
from decussa.report.panels import END_MM, START_MM, draw_bar, time_ticks
from decussa.report.style import (
    INK,
    INK_2,
    LINE,
    NOW,
    NOW_WASH,
    SMALL_PT,
    TEXT_PT,
    Drawing,
    add_panel,
    hatch,
    hide_axes,
    new_figure,
    to_svg,
)  # fmt: skip
from decussa.report.traces import Span, Traces, cut_traces, envelope

NAME = "Silent period"
SPAN_MS = (-60.0, 300.0)
HEIGHT_MM = 35.0
MOST_SILENCES = 2
GAP_MM = 5.0
HEAD_MM = 9.0
FOOT_MM = 6.0
#: The rectified mean is smoothed over so many ms for the eye; marks come from the single sweeps.
SMOOTH_MS = 2.0
#: The picture is this many times the background high, or more where the return is higher.
BACKGROUNDS_HIGH = 4.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Silence:
    """One condition of one muscle during contraction; all estimates in ms from the test pulse, but ``duration``."""

    title: str
    traces: Traces
    start: Estimate
    end: Estimate
    duration: Estimate


def silence_block(sides: Sides, recordings: Recordings) -> Block:
    """Return the part on silent periods; a sentence where there is none."""
    active = [(place, c) for place in sides for c in place.of_type("single") if c.active and len(c.kept)]
    if not active:
        return Block(NAME, "", sentence="no pulses were given during contraction.")
    found = [(place, c) for place, c in active if c.kept["silent_end_ms"].notna().any()]
    if not found:
        return Block(NAME, "", sentence="none was found during contraction.")
    drawn = []
    best: dict[str, tuple[MusclePlace, Condition]] = {}
    for place, condition in sorted(found, key=lambda pair: -int(pair[1].kept["silent_end_ms"].notna().sum())):
        best.setdefault(place.name, (place, condition))
    for place, condition in sorted(list(best.values())[:MOST_SILENCES], key=found.index):
        traces = cut_traces(recordings, condition.kept, SPAN_MS)
        if traces is not None:
            drawn.append(_silence(place, condition, traces))
    if not drawn:
        return Block(NAME, "", sentence="no samples are at hand.")
    svg = to_svg(draw_silences(drawn, SPAN_MS, WIDTH_MM, HEIGHT_MM))
    alt = "Rectified mean during contraction: " + "; ".join(
        f"{one.title}, silent period {numbers.short(one.duration.value, one.duration.low, one.duration.high, 'ms')}"
        for one in drawn
    )
    caption = (
        "Rectified mean of the kept sweeps. Blue lines: medians of the end of the response and of the return of activity; "
        "darker band: interval of the return. The period itself counts from the response onset."
    )
    return Block(NAME, "during contraction", (Drawing(svg, alt, caption),))


def _silence(place: MusclePlace, condition: Condition, traces: Traces) -> Silence:
    kept = condition.kept
    with_silence = int(kept["silent_end_ms"].notna().sum())
    percent = f", {condition.contraction_pct:g}{numbers.THIN}% MVC" if condition.contraction_pct > 0 else ""
    title = f"{place.name}, {condition.name}{percent}: silence in {with_silence} of {len(kept)}"
    return Silence(
        title=title,
        traces=traces,
        start=median(kept["silent_start_ms"].dropna().to_numpy()),
        end=median(kept["silent_end_ms"].dropna().to_numpy()),
        duration=place.estimate("silent_period", condition),
    )


def draw_silences(silences: Sequence[Silence], span_ms: Span, width_mm: float, height_mm: float) -> Figure:
    """Return the figure, the conditions side by side on one time scale."""
    figure = new_figure(width_mm, height_mm)
    each = (width_mm - START_MM - END_MM - GAP_MM * (len(silences) - 1)) / len(silences)
    for place, silence in enumerate(silences):
        axes = add_panel(figure, START_MM + place * (each + GAP_MM), FOOT_MM, each, height_mm - HEAD_MM - FOOT_MM)
        _draw(axes, silence, span_ms, each)
    return figure


def _draw(axes: Axes, silence: Silence, span_ms: Span, width_mm: float) -> None:
    traces = silence.traces
    level = _rectified_mean(traces)
    high = _height(traces.time_ms, level, silence.end.value)
    axes.set(xlim=span_ms, ylim=(0.0, high))
    hide_axes(axes, keep_x=True)
    axes.set_xticks(*time_ticks(span_ms, width_mm))
    start, end = silence.start.value, silence.end.value
    if math.isfinite(start) and math.isfinite(end):
        axes.axvspan(start, end, color=NOW_WASH, linewidth=0, zorder=0)
        if math.isfinite(silence.end.low) and math.isfinite(silence.end.high):
            axes.axvspan(silence.end.low, silence.end.high, color=NOW, alpha=0.18, linewidth=0, zorder=0)
        for mark in (start, end):
            axes.axvline(mark, color=NOW, linewidth=0.9)
    x, y = envelope(traces.time_ms, np.where(traces.shown, level, np.nan), int(width_mm * 6))
    axes.fill_between(x, 0, y, color=LINE, linewidth=0, zorder=1)
    axes.plot(x, y, color=INK, linewidth=0.6, zorder=2)
    for first, last in traces.artifacts_ms:
        hatch(axes, max(first, span_ms[0]), min(last, span_ms[1]))
    axes.annotate(silence.title, (0, 1), (0, 12), "axes fraction", "offset points", fontsize=TEXT_PT)
    axes.annotate(_says(silence), (0, 1), (0, 3), "axes fraction", "offset points", fontsize=SMALL_PT, color=NOW)
    if np.nanmax(level, initial=0.0) > high:
        top = f"↑ {numbers.quantity(float(np.nanmax(level)), 'uV')}"
        place = end if math.isfinite(end) else float(traces.time_ms[np.nanargmax(level)])
        axes.annotate(
            top,
            (place, 1),
            (4, -3),
            ("data", "axes fraction"),
            "offset points",
            va="top",
            fontsize=SMALL_PT,
            color=INK_2,
        )
    draw_bar(axes, span_ms[1], (0.0, high), width_mm)


def _says(silence: Silence) -> str:
    found = silence.duration
    if not math.isfinite(found.value):
        return f"no silent period{': ' + found.reason if found.reason else ''}"
    return f"silent period {numbers.short(found.value, found.low, found.high, 'ms')}"


def _rectified_mean(traces: Traces) -> NDArray[np.float64]:
    level = np.abs(traces.kept_uv).mean(axis=0) if len(traces.kept_uv) else np.full(traces.time_ms.size, np.nan)
    step = float(traces.time_ms[1] - traces.time_ms[0])
    width = max(round(SMOOTH_MS / step), 1)
    weights = np.ones(width) / width
    known = np.isfinite(level) & traces.shown
    total = np.convolve(np.where(known, level, 0.0), weights, "same")
    share = np.convolve(known.astype(np.float64), weights, "same")
    return np.where(known, total / np.where(share > 0, share, 1.0), np.nan)


def _height(time_ms: NDArray[np.float64], level: NDArray[np.float64], end_ms: float) -> float:
    before = level[time_ms < -5.0]
    after = level[time_ms > (end_ms if math.isfinite(end_ms) else 100.0)]
    background = float(np.nanmean(before)) if np.isfinite(before).any() else 0.0
    back = float(np.nanquantile(after, 0.99)) if np.isfinite(after).any() else 0.0
    return max(BACKGROUNDS_HIGH * background, 1.1 * back) or 1.0
