"""Which figures a muscle gets, and what is said in place of one that cannot be drawn."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from decussa.batch.ratios import kind_of
from decussa.batch.trials import sizes
from decussa.estimate.average import mean
from decussa.model.estimate import Estimate
from decussa.report import numbers, words
from decussa.report.block import AFTER_WINDOW_MS, WIDTH_MM, Block, Recordings, Sides, window_of
from decussa.report.content import Condition, MusclePlace, has_curve, unconditioned
from decussa.report.panels import Panel, draw_panels, limits_of
from decussa.report.ratios import RatioLine, draw_ratios
from decussa.report.rising import rising_block
from decussa.report.silence import silence_block
from decussa.report.style import Drawing, drawing_style, to_svg
from decussa.report.traces import MOST_DRAWN, Span, cut_traces

#: What is shown before the test pulse.
BEFORE_MS = 20.0
#: Pairs further apart than this show their test response only.
LONGEST_PAIR_MS = 200.0
PANEL_MM, PAIRED_MM = 36.0, 31.0
MOST_IN_ROW = 4
MOST_PANELS = 12


def blocks_of(sides: Sides, recordings: Recordings) -> list[Block]:
    """Return the parts of one muscle's section, for all its sides together."""
    with drawing_style():
        parts: tuple[Callable[[Sides, Recordings], Block], ...] = (_singles, rising_block, _pairs, silence_block)
        blocks = [part(sides, recordings) for part in parts]
    drawn = [block for block in blocks if block.drawings]
    missing = [f"{block.name}: {block.sentence}" for block in blocks if not block.drawings]
    return [*drawn, Block("Not shown", "", sentence=" ".join(missing))] if missing else drawn


def _singles(sides: Sides, recordings: Recordings) -> Block:
    panels: list[Panel] = []
    more = 0
    tests = {name for place in sides for name in place.tests}
    for name, stim_type in _named(sides, ("nerve", "single")):
        chosen = [
            (place, condition)
            for place in sides
            for condition in place.of_type(stim_type)
            if condition.name == name and not has_curve(condition) and name not in tests
        ]
        if len(panels) + len(chosen) > MOST_PANELS:
            more += len(chosen)
            continue
        panels += _panels(chosen, recordings, _shared_span([condition for _, condition in chosen]))
    if not panels:
        return Block(
            "Sweeps", "", sentence="there is no condition of single pulses of one intensity outside paired blocks."
        )
    rows = [panels[start : start + MOST_IN_ROW] for start in range(0, len(panels), MOST_IN_ROW)]
    caption = _legend() + (f" {more} more conditions are not drawn." if more else "")
    svg = to_svg(draw_panels(rows, WIDTH_MM, PANEL_MM))
    alt = "Sweeps overlaid, one panel per condition: " + "; ".join(f"{panel.title}, {panel.note}" for panel in panels)
    return Block("Sweeps", "single pulses", (Drawing(svg, alt, caption),))


def _legend() -> str:
    return (
        "Black: mean of the kept sweeps. Grey: accepted, dashed: doubtful, dotted: rejected. Blue: onset and its interval, "
        "where half of the trials have one. Bar below: window. Hatched: artifact, not drawn. "
        f"At most {MOST_DRAWN} sweeps a panel."
    )


def _named(sides: Sides, types: Sequence[str]) -> list[tuple[str, str]]:
    """Return the conditions of these types over all sides, in order of first appearance."""
    found = [(condition.name, kind) for kind in types for place in sides for condition in place.of_type(kind)]
    return list(dict.fromkeys(found))


def _shared_span(conditions: Sequence[Condition]) -> Span:
    ends = [window_of(condition)[1] for condition in conditions]
    return -BEFORE_MS, max(ends, default=50.0) + AFTER_WINDOW_MS


def _panels(chosen: Sequence[tuple[MusclePlace, Condition]], recordings: Recordings, span: Span) -> list[Panel]:
    """Return one panel for each, all at one scale."""
    spans = [_with_first_pulse(span, condition) for _, condition in chosen]
    traces = [cut_traces(recordings, condition.trials, own) for (_, condition), own in zip(chosen, spans, strict=True)]
    limits = limits_of(traces)
    return [
        Panel(
            title=words.shortened(_title(place, condition, several=len({p.name for p, _ in chosen}) > 1), 26),
            note=_note(condition),
            traces=drawn,
            span_ms=own,
            window_ms=window_of(condition),
            limits_uv=limits,
            onset=_onset(place, condition),
        )
        for (place, condition), drawn, own in zip(chosen, traces, spans, strict=True)
    ]


def _onset(place: MusclePlace, condition: Condition) -> Estimate:
    """Return the latency to be marked: only where half of the kept trials have one, else it is no onset of the mean."""
    found = place.estimate("mep_latency", condition)
    return found if 2 * found.n >= len(condition.kept) else Estimate()


def _with_first_pulse(span: Span, condition: Condition) -> Span:
    if math.isfinite(condition.isi_ms) and BEFORE_MS - 8.0 < condition.isi_ms <= LONGEST_PAIR_MS:
        return -condition.isi_ms - 8.0, span[1]
    return span


def _title(place: MusclePlace, condition: Condition, *, several: bool) -> str:
    return f"{condition.name}, {place.apart or place.side or place.name}" if several else condition.name


def _note(condition: Condition) -> str:
    levels = condition.levels
    parts = [words.setting(levels[0]) if len(levels) == 1 else ""]
    if math.isfinite(condition.isi_ms):
        parts = [numbers.quantity(condition.isi_ms, "ms")]
    parts.append(f"{len(condition.kept)} of {len(condition.trials)} kept")
    return ", ".join(part for part in parts if part)


def _pairs(sides: Sides, recordings: Recordings) -> Block:
    rows, lines = [], []
    everything = [pair for place in sides for pair in _test_and_pairs(place)]
    if not everything:
        return Block("Paired pulses", "", sentence="none were given.")
    span = _shared_span([condition for _, condition in everything])
    panels = _panels(everything, recordings, span)
    for place in sides:
        own = [panel for panel, (owner, _) in zip(panels, everything, strict=True) if owner is place]
        rows += [own[start : start + 5] for start in range(0, len(own), 5)]
        lines += [_ratio_line(place, condition, several=len(sides) > 1) for condition in place.of_type("paired")]
    rows = [[_bar_at_end(panel, last=panel is row[-1]) for panel in row] for row in rows][:6]
    svg = to_svg(draw_panels(rows, WIDTH_MM, PAIRED_MM))
    alt = "Sweeps of the test pulse alone and of the paired conditions, all at one scale: " + "; ".join(
        f"{panel.title}, {panel.note}" for panel in panels
    )
    caption = "All panels share both scales, from the test pulse; the first pulse lies to its left."
    ratio_svg = to_svg(draw_ratios(lines[:MOST_PANELS], WIDTH_MM))
    ratio_alt = "Ratios to the test pulse alone: " + "; ".join(
        f"{line.name} {numbers.short(line.estimate.value, line.estimate.low, line.estimate.high, '')}" for line in lines
    )
    ratio_caption = (
        "Below: ratio to the test pulse alone in the same block, log scale, with its interval. Dots: single trials over the "
        "mean of the test alone; those beyond the scale are not drawn. An arrow: the interval goes on."
    )
    drawn = (Drawing(svg, alt, caption), Drawing(ratio_svg, ratio_alt, ratio_caption))
    return Block("Paired pulses", f"{len({c.name for _, c in everything})} conditions", drawn)


def _bar_at_end(panel: Panel, *, last: bool) -> Panel:
    return Panel(
        title=panel.title, note=panel.note, traces=panel.traces, span_ms=panel.span_ms, window_ms=panel.window_ms,
        limits_uv=panel.limits_uv, onset=panel.onset, bar=last,
    )  # fmt: skip


def _test_and_pairs(place: MusclePlace) -> list[tuple[MusclePlace, Condition]]:
    paired = place.of_type("paired")
    tests = place.tests
    alone = [condition for condition in place.of_type("single") if condition.name in tests and not has_curve(condition)]
    return [(place, condition) for condition in [*alone, *paired]] if paired else []


def _ratio_line(place: MusclePlace, condition: Condition, *, several: bool) -> RatioLine:
    kind = kind_of(condition.isi_ms)
    alone = sizes(unconditioned(condition, place.trials)).uv
    middle = mean(alone) if alone.size else math.nan
    name = f"{condition.name}, {numbers.quantity(condition.isi_ms, 'ms')}"
    if several:
        name += f", {place.apart or place.side}"
    own = sizes(condition.kept).uv
    singles = own / middle if middle > 0 else np.empty(0)
    return RatioLine(
        name=words.shortened(name, 28), kind=kind, estimate=place.estimate(f"{kind}_ratio", condition), singles=singles
    )
