"""Figures of the results and debrief pages: an estimate on a scale of its own, the silence in the rectified mean."""

from __future__ import annotations

import math
from collections.abc import Mapping

from decussa.compose.results import Curve, Point, SilenceDrawn
from decussa.model.estimate import Estimate
from decussa.screen.figures import Scale, axis, line, round_ticks, svg, words
from decussa.screen.language import phrase
from decussa.screen.marks import text
from decussa.screen.size_figures import sizes_by_current, sizes_by_setting
from decussa.screen.words import interval, ms, number, uv
from decussa.session.evidence import CurveSoFar, SizePoint

STRIP = 110.0
#: Rectified means are drawn up to so many times the background before the pulse: the response itself is cut, and says so.
BACKGROUNDS_HIGH = 3.2


def strip(found: Estimate, earlier: Estimate | None, *, is_ratio: bool) -> str:
    """Return a small picture of an estimate: its interval and value, the session before as a ring, for a ratio the line at 1."""
    shown = [one for one in (found, earlier) if one is not None and math.isfinite(one.value)]
    ends = [v for one in shown for v in (one.value, one.low, one.high) if math.isfinite(v) and (v > 0 or not is_ratio)]
    if not ends:
        return ""
    place = math.log if is_ratio else float
    low, high = min([*ends, *([0.8] if is_ratio else [])]), max([*ends, *([1.25] if is_ratio else [])])
    pad = 0.16 * (place(high) - place(low)) or abs(place(low)) * 0.1 or 1.0
    scale = Scale(place(low) - pad, place(high) + pad, 2, STRIP - 2)
    parts = [line(2, 12, STRIP - 2, 12, "gr")]
    if is_ratio:
        parts.append(line(scale(0.0), 1, scale(0.0), 23, "tick"))
    for one in reversed(shown):
        now = one is found
        y = 15.0 if now and len(shown) > 1 else 12.0 if now else 8.0
        parts.append(_bar(one, scale, y, now=now, is_ratio=is_ratio))
    said = phrase("on a scale of its own") + (f"; {phrase('ring: the session before')}" if earlier is not None else "")
    return (
        f'<svg class="plot" viewBox="0 0 {STRIP:g} 24" width="{STRIP:g}" height="24" role="img" aria-label="{text(said)}">'
        f"{''.join(parts)}</svg>"
    )


def _bar(one: Estimate, scale: Scale, y: float, *, now: bool, is_ratio: bool) -> str:
    def at(value: float) -> float:
        if not is_ratio:
            return scale.inside(value)
        return scale.inside(math.log(value)) if value > 0 else scale.left

    known = not (math.isnan(one.low) or math.isnan(one.high))
    drawn = line(at(one.low), y, at(one.high), y, "ik3" if now else "old") if known else ""
    kind = "full" if now else "ring thin"
    return drawn + f'<circle class="{kind}" cx="{at(one.value):.1f}" cy="{y:.1f}" r="{4.5 if now else 3.5}"/>'


def truth_strip(places: Mapping[str, float | None], held: str) -> str:
    """Return an estimate with its interval, and the truth as a crossing; ``places`` are shares of the width."""
    width = 190.0

    def at(name: str) -> float | None:
        share = places.get(name)
        return None if share is None else 4 + share * (width - 8)

    low, high, value, truth = (at(name) for name in ("low", "high", "value", "truth"))
    parts = [line(2, 18, width - 2, 18, "gr")]
    if low is not None and high is not None:
        parts.append(line(low, 18, high, 18, "ik3"))
    if value is not None:
        parts.append(f'<circle class="full" cx="{value:.1f}" cy="18" r="5.5"/>')
    if truth is not None:
        parts.append(
            f'<path class="truthmark" d="M{truth - 6:.1f} 4C{truth - 6:.1f} 15 {truth + 6:.1f} 21 {truth + 6:.1f} 32'
            f"M{truth + 6:.1f} 4C{truth + 6:.1f} 9 {truth + 4:.1f} 13 {truth + 2:.1f} 15.6"
            f'M{truth - 2:.1f} 20.4C{truth - 4:.1f} 23 {truth - 6:.1f} 27 {truth - 6:.1f} 32"/>'
        )
    said = phrase("Truth and interval on one scale: {held}", held=held)
    return (
        f'<svg class="plot" viewBox="0 0 {width:g} 36" width="{width:g}" height="36" role="img" aria-label="{text(said)}">'
        f"{''.join(parts)}</svg>"
    )


def curve_figure(curve: Curve) -> str:
    """Return the recruitment curve with its points and band."""
    drawn = None
    if curve.at_mso:
        drawn = CurveSoFar(
            at_mso=curve.at_mso,
            size_uv=curve.size_uv,
            low_uv=curve.low_uv,
            high_uv=curve.high_uv,
            mep_max=Estimate(),
            s50=curve.s50,
        )
    return sizes_by_setting([_point(one) for one in curve.points], unit="% MSO", curve=drawn)


def m_wave_figure(points: tuple[Point, ...]) -> str:
    """Return M-waves by current."""
    return sizes_by_current([_point(one) for one in points])


def _point(one: Point) -> SizePoint:
    return SizePoint(one.at, one.size_uv, one.verdict, "")


def silence_figure(silence: SilenceDrawn) -> str:
    """Return the rectified mean with the silence washed, its end with interval, and the response cut where it is higher."""
    values = silence.mean_uv
    end_ms = silence.start_ms + silence.step_ms * (len(values) - 1)
    across = Scale(silence.start_ms, end_ms, 4, 476)
    quiet = [v for i, v in enumerate(values) if silence.start_ms + i * silence.step_ms < silence.blank_ms[0] - 2]
    level = sum(quiet) / len(quiet) if quiet else max(values)
    up = Scale(0.0, level * BACKGROUNDS_HIGH, 190, 34)
    parts = []
    if math.isfinite(silence.onset.value) and math.isfinite(silence.end.value):
        x0, x1 = across(silence.onset.value), across(silence.end.value)
        parts.append(f'<rect class="nw" x="{x0:.1f}" y="34" width="{max(x1 - x0, 0):.1f}" height="156"/>')
    parts += [_area(silence, across, up), _hatched(silence.blank_ms, across)]
    if not (math.isnan(silence.end.low) or math.isnan(silence.end.high)):
        low, high = across(silence.end.low), across(silence.end.high)
        parts.append(f'<rect class="w1" x="{low:.1f}" y="34" width="{max(high - low, 1):.1f}" height="156"/>')
    for mark in (silence.onset, silence.end):
        if math.isfinite(mark.value):
            parts.append(line(across(mark.value), 28, across(mark.value), 190, "nl"))
    if math.isfinite(silence.end.value):
        parts.append(words(min(max(across(silence.end.value), 150), 330), 18, _silent_words(silence), "tn"))
    peak = max(values)
    if peak > up.high:
        cut = across(silence.start_ms + silence.step_ms * values.index(peak))
        parts.append(words(cut - 10, 46, f"{uv(peak)} ↑", "t", "end"))
    bar = round_bar(up.high / 3)
    parts += [
        line(462, 40, 462, 40 + (up(0) - up(bar)), "ik3"),
        words(454, 46 + (up(0) - up(bar)) / 2, uv(bar), "t", "end"),
    ]
    parts.append(axis(across, 190, round_ticks(silence.start_ms, end_ms, 6), "ms", lambda tick: number(tick, 0)))
    label = phrase(
        "Rectified mean of {count} sweeps during contraction: {said}", count=silence.n, said=_silent_words(silence)
    )
    return svg(218, "".join(parts), label)


def _silent_words(silence: SilenceDrawn) -> str:
    if math.isnan(silence.end.low):
        return phrase("silent {long}, end {end}", long=ms(silence.duration.value), end=ms(silence.end.value))
    return phrase(
        "silent {long}, end {end} {interval}",
        long=ms(silence.duration.value),
        end=ms(silence.end.value),
        interval=interval(silence.end, 1),
    )


def _area(silence: SilenceDrawn, across: Scale, up: Scale) -> str:
    """Return the mean as a filled line, point by point of the drawing; what is higher than the plot is cut at its edge."""
    step = max(1, round(len(silence.mean_uv) / (across.right - across.left)))
    pieces: list[list[tuple[float, float]]] = [[]]
    for i in range(0, len(silence.mean_uv), step):
        at = silence.start_ms + i * silence.step_ms
        if silence.blank_ms[0] <= at <= silence.blank_ms[1]:
            if pieces[-1]:
                pieces.append([])
            continue
        pieces[-1].append((across(at), up.inside(silence.mean_uv[i])))
    drawn = []
    for piece in pieces:
        if len(piece) > 1:
            path = "L".join(f"{x:.1f} {y:.1f}" for x, y in piece)
            drawn.append(f'<path class="band" d="M{piece[0][0]:.1f} 190L{path}L{piece[-1][0]:.1f} 190Z"/>')
            drawn.append(f'<path class="one" d="M{path}"/>')
    return "".join(drawn)


def _hatched(blank_ms: tuple[float, float], across: Scale) -> str:
    x0, x1 = across(blank_ms[0]), across(blank_ms[1])
    return f'<rect class="hat" x="{x0:.1f}" y="34" width="{max(x1 - x0, 3):.1f}" height="156"/>'


def round_bar(size: float) -> float:
    """Return a round length at or below ``size``, for a scale bar."""
    power = 10.0 ** math.floor(math.log10(size))
    return max(step * power for step in (1, 2, 5) if step * power <= size * (1 + 1e-9))
