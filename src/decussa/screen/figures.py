"""What every figure of the Run page is drawn with, and the threshold's funnel. SVG; drawing only, numbers come ready."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from decussa.model.estimate import Estimate
from decussa.screen.language import phrase
from decussa.screen.marks import text
from decussa.screen.words import digits_of, number
from decussa.session.evidence import size_of
from decussa.session.live_view import Given

WIDTH = 480


@dataclass(frozen=True, slots=True)
class Scale:
    """A linear scale from values to pixels."""

    low: float
    high: float
    left: float
    right: float

    def __call__(self, value: float) -> float:
        """Return the pixel of a value."""
        return self.left + (value - self.low) / (self.high - self.low) * (self.right - self.left)

    def inside(self, value: float) -> float:
        """Return the pixel of a value, held within the plot."""
        return self(min(max(value, self.low), self.high))


def svg(height: float, inner: str, label: str) -> str:
    """Return a drawing with its text equivalent."""
    return (
        f'<svg class="plot" viewBox="0 0 {WIDTH} {height:g}" width="{WIDTH}" height="{height:g}" role="img" '
        f'aria-label="{text(label)}">{inner}</svg>'
    )


def line(x0: float, y0: float, x1: float, y1: float, kind: str) -> str:
    """Return a straight line."""
    return f'<path class="{kind}" d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}"/>'


def words(x: float, y: float, said: str, kind: str = "t", anchor: str = "middle") -> str:
    """Return words in a drawing."""
    return f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{text(said)}</text>'


def dot(x: float, y: float, *, full: bool, kind: str = "", r: float = 5.5) -> str:
    """Return a dot, or a ring."""
    return f'<circle class="{"full" if full else "ring"} {kind}" cx="{x:.1f}" cy="{y:.1f}" r="{r:g}"/>'


def axis(scale: Scale, y: float, ticks: Sequence[float], unit: str, name: Callable[[float], str]) -> str:
    """Return a horizontal axis; the last tick carries the unit."""
    parts = [line(scale.left, y, scale.right, y, "ax")]
    for place, tick in enumerate(ticks):
        said = name(tick) + (f" {unit}" if place == len(ticks) - 1 and unit else "")
        parts.append(line(scale(tick), y, scale(tick), y + 5, "ax") + words(scale(tick), y + 20, said))
    return "".join(parts)


def round_ticks(low: float, high: float, count: int = 6) -> list[float]:
    """Return about ``count`` round values within a range."""
    raw = (high - low) / count
    size = 10.0 ** math.floor(math.log10(raw))
    step = next(size * factor for factor in (1, 2, 5, 10) if size * factor >= raw)
    first = math.ceil(low / step - 1e-9)
    return [step * index for index in range(first, math.floor(high / step + 1e-9) + 1)]


def funnel(
    given: Sequence[Given],
    quantity: str,
    curve: Mapping[str, tuple[float, ...]],
    *,
    criterion_uv: float,
    next_mso: float,
) -> str:
    """Return the threshold narrowing: a line for each pulse's interval with a dot where it was given, the belief below."""
    shown = [one for one in given if quantity in one.known]
    if not shown:
        return ""
    levels = [one.request.stimulus.intensity_mso for one in shown]
    known = [one.known[quantity] for one in shown]
    scale = _funnel_scale(levels, known[len(known) // 3 :], next_mso)
    gap = min(14.0, 210.0 / len(shown))
    base = 40 + gap * len(shown) + 86
    parts = []
    if math.isfinite(next_mso):
        x = scale(next_mso)
        parts += [line(x, 18, x, base, "next"), words(x, 13, phrase("next {level} %", level=f"{next_mso:g}"), "tn")]
    for row, (one, level, estimate) in enumerate(zip(shown, levels, known, strict=True)):
        y = 32 + gap * row
        last = row == len(shown) - 1
        parts.append(draw_interval(scale, estimate, y, "ik3 grow" if last else "ax"))
        parts.append(dot(scale(level), y, full=size_of(one) >= criterion_uv, r=min(5.5, gap * 0.42)))
        if last or (row % (2 if gap > 9 else 5) == 0 and row < len(shown) - 2):
            parts.append(words(22, y + 5, str(row + 1), "ti" if last else "t", "end"))
    parts.append(_belief(scale, curve, known[-1], base))
    ticks = round_ticks(scale.low, scale.high)
    parts.append(axis(scale, base, ticks, "%", lambda tick: f"{tick:g}"))
    now = known[-1]
    label = phrase(
        "The threshold narrowing over {count} pulses: now {value}, most likely between {low} and {high} % of maximum output",
        count=len(shown),
        value=number(now.value, digits_of(now)),
        low=number(now.low, 1),
        high=number(now.high, 1),
    )
    return svg(base + 26, "".join(parts), label)


def _funnel_scale(levels: Sequence[float], known: Sequence[Estimate], next_mso: float) -> Scale:
    ends = [end for one in known for end in (one.low, one.high) if math.isfinite(end)]
    values = [*levels, *ends, *([next_mso] if math.isfinite(next_mso) else [])]
    low, high = max(min(values) - 2, 0), min(max(values) + 2, 102)
    return Scale(low, high, 34, 466)


def draw_interval(scale: Scale, estimate: Estimate, y: float, kind: str) -> str:
    """Return an interval; where it leaves the plot, an arrow head says so."""
    if math.isnan(estimate.low) or math.isnan(estimate.high):
        return ""
    parts = [line(scale.inside(estimate.low), y, scale.inside(estimate.high), y, kind)]
    if estimate.low < scale.low:
        parts.append(f'<path class="{kind}" d="M{scale.left + 6:.1f} {y - 4:.1f}L{scale.left:.1f} {y:.1f}l6 4"/>')
    if estimate.high > scale.high:
        parts.append(f'<path class="{kind}" d="M{scale.right - 6:.1f} {y - 4:.1f}L{scale.right:.1f} {y:.1f}l-6 4"/>')
    return "".join(parts)


def _belief(scale: Scale, curve: Mapping[str, tuple[float, ...]], now: Estimate, base: float) -> str:
    """Return the belief as a curve with its interval washed; nothing where the method has none."""
    at, density = curve.get("at_mso", ()), curve.get("per_mso", ())
    if len(at) < 2 or not max(density):
        return ""
    top = 62 / max(density)
    points = [(scale(x), base - top * y) for x, y in zip(at, density, strict=True) if scale.low <= x <= scale.high]
    inside = [
        (scale(x), base - top * y)
        for x, y in zip(at, density, strict=True)
        if max(now.low, scale.low) <= x <= min(now.high, scale.high)
    ]
    parts = []
    if len(inside) > 1:
        parts.append(
            f'<path class="nw" d="M{inside[0][0]:.1f} {base:.1f}{through(inside)}L{inside[-1][0]:.1f} {base:.1f}Z"/>'
        )
    parts.append(f'<path class="ik" d="M{points[0][0]:.1f} {points[0][1]:.1f}{through(points[1:])}"/>')
    if now.low > scale.low:
        parts.append(words(scale(now.low) - 8, base - 12, number(now.low, 1), "tb", "end"))
    if now.high < scale.high:
        x = min(scale(now.high) + 8, WIDTH - 36)
        parts.append(words(x, base - 12, number(now.high, 1), "tb", "start"))
    return "".join(parts)


def through(points: Sequence[tuple[float, float]]) -> str:
    """Return the rest of a path through points."""
    return "".join(f"L{x:.1f} {y:.1f}" for x, y in points)
