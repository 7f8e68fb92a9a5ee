"""Which figures a muscle gets, and what is said in place of one that cannot be drawn."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from decussa.batch.ratios import kind_of
from decussa.batch.summary import RESPONSE_P, fit_curve
from decussa.batch.trials import sizes
from decussa.estimate.average import mean, median
from decussa.model.estimate import Estimate
from decussa.model.recording import Recording
from decussa.report import numbers, words
from decussa.report.content import Condition, MusclePlace, has_curve, unconditioned
from decussa.report.curve import draw_curve
from decussa.report.panels import Panel, draw_panels, limits_of
from decussa.report.ratios import RatioLine, draw_ratios
from decussa.report.silence import Silence, draw_silences
from decussa.report.stack import Level, draw_stack, row_height
from decussa.report.style import Drawing, drawing_style, to_svg
from decussa.report.traces import MOST_DRAWN, Span, cut_traces

WIDTH_MM = 136.0
BEFORE_MS = 20.0
AFTER_WINDOW_MS = 15.0
#: Pairs further apart than this show their test response only.
LONGEST_PAIR_MS = 200.0
PANEL_MM, PAIRED_MM, SILENCE_MM = 36.0, 31.0, 35.0
MOST_IN_ROW = 4
MOST_PANELS = 12
MOST_LEVELS = 12
MOST_SILENCES = 2
SILENCE_SPAN_MS = (-60.0, 300.0)
STACK_SHARE = 0.47
LEAST_CURVE_MM = 45.0

Sides = Sequence[MusclePlace]
Recordings = Mapping[str, Recording]


@dataclass(frozen=True, slots=True)
class Block:
    """One part of a muscle's section: its name, facts below it, and a drawing per column, or a sentence in its place."""

    name: str
    under: str
    drawings: tuple[Drawing, ...] = ()
    sentence: str = ""


def blocks_of(sides: Sides, recordings: Recordings) -> list[Block]:
    """Return the parts of one muscle's section, for all its sides together."""
    with drawing_style():
        parts: tuple[Callable[[Sides, Recordings], Block], ...] = (_singles, _rising, _pairs, _silences)
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
    ends = [_window(condition)[1] for condition in conditions]
    return -BEFORE_MS, max(ends, default=50.0) + AFTER_WINDOW_MS


def _window(condition: Condition) -> Span:
    start, end = condition.trials["window_start_ms"].median(), condition.trials["window_end_ms"].median()
    return (float(start), float(end)) if math.isfinite(start) and math.isfinite(end) else (10.0, 50.0)


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
            window_ms=_window(condition),
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


def _rising(sides: Sides, recordings: Recordings) -> Block:
    found = [
        (place, condition) for place in sides for condition in place.of_type("single") if len(condition.levels) > 1
    ]
    if not found:
        return Block("Rising intensity", "", sentence="single pulses were given at one intensity only.")
    drawings: list[Drawing] = []
    for place, condition in found[:2]:
        drawings += _rising_drawings(place, condition, recordings)
    names = ", ".join(dict.fromkeys(condition.name for _, condition in found))
    skipped = len(found) - 2
    under = f"{words.shortened(names, 40)}" + (f"; {skipped} more are not drawn" if skipped > 0 else "")
    if not drawings:
        return Block("Rising intensity", "", sentence="no samples are at hand.")
    return Block("Rising intensity", under, tuple(drawings))


def _rising_drawings(place: MusclePlace, condition: Condition, recordings: Recordings) -> Iterator[Drawing]:
    span = (-10.0, _window(condition)[1] + AFTER_WINDOW_MS)
    levels = list(_levels(condition, recordings, span))
    height = row_height(len(levels)) * len(levels) + 7.0
    if levels:
        yield _stack(place, condition, levels, span, height)
    if has_curve(condition):
        yield _curve(place, condition, max(height, LEAST_CURVE_MM))


def _stack(place: MusclePlace, condition: Condition, levels: list[Level], span: Span, height_mm: float) -> Drawing:
    from_mso = _responds_from(place)
    svg = to_svg(draw_stack(levels, from_mso, span, _window(condition), WIDTH_MM * STACK_SHARE, height_mm))
    said = f"responses from {from_mso:g} % MSO on" if math.isfinite(from_mso) else "no response obtained"
    reach = f"{levels[0].intensity_mso:g} to {levels[-1].intensity_mso:g} % MSO"
    caption = (
        f"{place.name}, left: each intensity at its own scale; below it, in how many trials a response is at least "
        f"{100 * RESPONSE_P:g} % probable."
    )
    if any(level.intensity_mso == from_mso for level in levels):
        caption += " Dashed line: from here on responses are obtained."
    return Drawing(svg, f"{place.name}: sweeps stacked by rising intensity, {reach}; {said}", caption)


def _curve(place: MusclePlace, condition: Condition, height_mm: float) -> Drawing:
    curve = fit_curve(condition.kept)
    noise = float(condition.kept["noise_uv"].median())
    svg = to_svg(draw_curve(condition.kept, curve, noise, WIDTH_MM * (1 - STACK_SHARE) - 3.0, height_mm))
    half = numbers.short(curve.s50.value, curve.s50.low, curve.s50.high, "% MSO")
    fitted = "Line and band: fit and its 95 % band. Bar: interval of the half."
    if not math.isfinite(curve.s50.value):
        fitted = f"No curve: {curve.reason}."
    alt = f"{place.name}: size by intensity on a log scale with a sigmoid fit; half of the maximum at {half}"
    return Drawing(svg, alt, f"Right: rings are single trials, triangles lie below the picture. {fitted}")


def _levels(condition: Condition, recordings: Recordings, span: Span) -> Iterator[Level]:
    values = condition.levels
    if len(values) > MOST_LEVELS:
        values = [values[place] for place in np.linspace(0, len(values) - 1, MOST_LEVELS).round().astype(int)]
    for value in values:
        trials = condition.trials[condition.trials["intensity_mso"] == value]
        traces = cut_traces(recordings, trials, span)
        if traces is not None:
            kept = trials[trials["kept"]]
            responses = int(kept["response_p"].ge(RESPONSE_P).sum())
            yield Level(intensity_mso=value, traces=traces, responses=responses, trials=len(kept))


def _responds_from(place: MusclePlace) -> float:
    found = [row for row in place.rows("mep_status") if row.estimate.value == 1]
    at_rest = [row for row in found if not row.estimate.method.startswith("during contraction")]
    return at_rest[0].intensity_mso if at_rest else math.nan


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


def _silences(sides: Sides, recordings: Recordings) -> Block:
    active = [(place, c) for place in sides for c in place.of_type("single") if c.active and len(c.kept)]
    if not active:
        return Block("Silent period", "", sentence="no pulses were given during contraction.")
    found = [(place, c) for place, c in active if c.kept["silent_end_ms"].notna().any()]
    if not found:
        return Block("Silent period", "", sentence="none was found during contraction.")
    span = SILENCE_SPAN_MS
    drawn = []
    chosen = sorted(found, key=lambda pair: -int(pair[1].kept["silent_end_ms"].notna().sum()))[:MOST_SILENCES]
    for place, condition in sorted(chosen, key=found.index):
        traces = cut_traces(recordings, condition.kept, span)
        if traces is not None:
            drawn.append(_silence(place, condition, traces))
    if not drawn:
        return Block("Silent period", "", sentence="no samples are at hand.")
    svg = to_svg(draw_silences(drawn, span, WIDTH_MM, SILENCE_MM))
    alt = "Rectified mean during contraction: " + "; ".join(
        f"{one.title}, silent period {numbers.short(one.duration.value, one.duration.low, one.duration.high, 'ms')}"
        for one in drawn
    )
    caption = (
        "Rectified mean of the kept sweeps. Blue lines: medians of the end of the response and of the return of activity; "
        "darker band: interval of the return. The period itself counts from the response onset."
    )
    return Block("Silent period", "during contraction", (Drawing(svg, alt, caption),))


def _silence(place: MusclePlace, condition: Condition, traces) -> Silence:  # type: ignore[no-untyped-def]
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
