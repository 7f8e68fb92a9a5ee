"""Rising intensities: the sweeps stacked, and the recruitment curve beside them."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from decussa.batch.summary import RESPONSE_P, fit_curve
from decussa.report import numbers, words
from decussa.report.block import AFTER_WINDOW_MS, WIDTH_MM, Block, Recordings, Sides, window_of
from decussa.report.content import Condition, MusclePlace, has_curve
from decussa.report.curve import draw_curve
from decussa.report.stack import Level, draw_stack, row_height
from decussa.report.style import Drawing, to_svg
from decussa.report.traces import Span, cut_traces

NAME = "Rising intensity"
MOST_LEVELS = 12
STACK_SHARE = 0.47
LEAST_CURVE_MM = 45.0


def rising_block(sides: Sides, recordings: Recordings) -> Block:
    """Return the part on conditions of several intensities; a sentence where there is none."""
    found = [
        (place, condition) for place in sides for condition in place.of_type("single") if len(condition.levels) > 1
    ]
    if not found:
        return Block(NAME, "", sentence="single pulses were given at one intensity only.")
    drawings: list[Drawing] = []
    for place, condition in found[:2]:
        drawings += _rising_drawings(place, condition, recordings)
    names = ", ".join(dict.fromkeys(condition.name for _, condition in found))
    skipped = len(found) - 2
    under = f"{words.shortened(names, 40)}" + (f"; {skipped} more are not drawn" if skipped > 0 else "")
    if not drawings:
        return Block(NAME, "", sentence="no samples are at hand.")
    return Block(NAME, under, tuple(drawings))


def _rising_drawings(place: MusclePlace, condition: Condition, recordings: Recordings) -> Iterator[Drawing]:
    span = (-10.0, window_of(condition)[1] + AFTER_WINDOW_MS)
    levels = list(_levels(condition, recordings, span))
    height = row_height(len(levels)) * len(levels) + 7.0
    if levels:
        yield _stack(place, condition, levels, span, height)
    if has_curve(condition):
        yield _curve(place, condition, max(height, LEAST_CURVE_MM))


def _stack(place: MusclePlace, condition: Condition, levels: list[Level], span: Span, height_mm: float) -> Drawing:
    from_mso = _responds_from(place)
    svg = to_svg(draw_stack(levels, from_mso, span, window_of(condition), WIDTH_MM * STACK_SHARE, height_mm))
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
