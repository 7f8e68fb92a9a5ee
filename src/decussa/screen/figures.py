"""Figures of the Run page as SVG: the threshold's funnel, ratios, sizes by setting. Drawing only; numbers come ready."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from decussa.model.estimate import Estimate
from decussa.screen.marks import text
from decussa.screen.words import digits_of, interval, number, uv
from decussa.session.evidence import RatioSoFar, SizePoint, size_of
from decussa.session.live_view import Given

WIDTH = 480
_SERIES = (4, 2, 3, 1)


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
        parts += [line(x, 18, x, base, "next"), words(x, 13, f"next {next_mso:g} %", "tn")]
    for row, (one, level, estimate) in enumerate(zip(shown, levels, known, strict=True)):
        y = 32 + gap * row
        last = row == len(shown) - 1
        parts.append(_interval(scale, estimate, y, "ik3 grow" if last else "ax"))
        parts.append(dot(scale(level), y, full=size_of(one) >= criterion_uv, r=min(5.5, gap * 0.42)))
        if last or (row % 2 == 0 and gap > 9) or row % 5 == 4:
            parts.append(words(22, y + 5, str(row + 1), "ti" if last else "t", "end"))
    parts.append(_belief(scale, curve, known[-1], base))
    ticks = round_ticks(scale.low, scale.high)
    parts.append(axis(scale, base, ticks, "%", lambda tick: f"{tick:g}"))
    now = known[-1]
    label = (
        f"The threshold narrowing over {len(shown)} pulses: now {number(now.value, digits_of(now))}, most likely between "
        f"{number(now.low, 1)} and {number(now.high, 1)} % of maximum output"
    )
    return svg(base + 26, "".join(parts), label)


def _funnel_scale(levels: Sequence[float], known: Sequence[Estimate], next_mso: float) -> Scale:
    ends = [end for one in known for end in (one.low, one.high) if math.isfinite(end)]
    values = [*levels, *ends, *([next_mso] if math.isfinite(next_mso) else [])]
    low, high = max(min(values) - 2, 0), min(max(values) + 2, 102)
    return Scale(low, high, 34, 466)


def _interval(scale: Scale, estimate: Estimate, y: float, kind: str) -> str:
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
            f'<path class="nw" d="M{inside[0][0]:.1f} {base:.1f}{_through(inside)}L{inside[-1][0]:.1f} {base:.1f}Z"/>'
        )
    parts.append(f'<path class="ik" d="M{points[0][0]:.1f} {points[0][1]:.1f}{_through(points[1:])}"/>')
    if now.low > scale.low:
        parts.append(words(scale(now.low) - 8, base - 12, number(now.low, 1), "tb", "end"))
    if now.high < scale.high:
        parts.append(words(scale(now.high) + 8, base - 12, number(now.high, 1), "tb", "start"))
    return "".join(parts)


def _through(points: Sequence[tuple[float, float]]) -> str:
    return "".join(f"L{x:.1f} {y:.1f}" for x, y in points)


def ratios(shown: Sequence[RatioSoFar]) -> str:
    """Return ratios on a log scale with the line at 1; thin lines are the interval earlier in the block."""
    if not shown:
        return ""
    ends = [
        end for one in shown for end in (one.now.value, one.now.low, one.now.high) if math.isfinite(end) and end > 0
    ]
    low, high = min([*ends, 0.25]), max([*ends, 2.0])
    scale = Scale(math.log(max(low, 0.05) * 0.85), math.log(min(high, 16) * 1.15), 92, 366)
    base = 16 + 58 * len(shown)
    ticks = [tick for tick in (0.0625, 0.125, 0.25, 0.5, 1, 2, 4, 8, 16) if scale.low <= math.log(tick) <= scale.high]
    parts = [
        line(scale(math.log(tick)), 6, scale(math.log(tick)), base, "one" if tick == 1 else "gr") for tick in ticks
    ]
    for row, one in enumerate(shown):
        parts.append(_ratio_row(scale, one, 44 + 58 * row, _SERIES[row % 4]))
    for tick in ticks:
        parts.append(words(scale(math.log(tick)), base + 20, f"{tick:g}"))
    said = "; ".join(f"{one.name} {number(one.now.value, 2)} {interval(one.now, 2)}, {one.n} pairs" for one in shown)
    return svg(base + 28, "".join(parts), f"Ratio to test alone so far: {said}")


def _ratio_row(scale: Scale, one: RatioSoFar, y: float, series: int) -> str:
    parts = [words(0, y + 6, one.name, "tl", "start")]
    for place, earlier in enumerate(one.earlier):
        parts.append(_log_interval(scale, earlier, y - 18 + 8 * place, "ax"))
    parts.append(_log_interval(scale, one.now, y, f"c{series}"))
    if one.now.value > 0:
        parts.append(f'<circle class="k{series}" cx="{scale.inside(math.log(one.now.value)):.1f}" cy="{y:.1f}" r="6"/>')
    value = "—" if math.isnan(one.now.value) else number(one.now.value, 2)
    parts.append(
        words(380, y - 2, value, "tl", "start")
        + words(380, y + 17, interval(one.now, 2) or f"{one.n} pairs", "t", "start")
    )
    return "".join(parts)


def _log_interval(scale: Scale, estimate: Estimate, y: float, kind: str) -> str:
    if math.isnan(estimate.low) or math.isnan(estimate.high):
        return ""
    low = -math.inf if estimate.low <= 0 else math.log(estimate.low)
    logs = Estimate(value=0, low=low, high=math.log(estimate.high) if estimate.high > 0 else -math.inf)
    return _interval(scale, logs, y, kind)


def sizes_by_setting(points: Sequence[SizePoint], *, unit: str) -> str:
    """Return sizes against the setting, on a log scale, with the geometric mean at each."""
    usable = [point for point in points if point.size_uv > 0]
    if not usable:
        return ""
    across = [point.at for point in usable]
    width = max(max(across) - min(across), 4.0)
    scale = Scale(min(across) - 0.08 * width, max(across) + 0.08 * width, 60, 466)
    up = _log_up([point.size_uv for point in usable])
    parts = [_size_axis(up, scale)]
    for point in usable:
        parts.append(dot(scale(point.at), up(math.log10(point.size_uv)), full=point.kind == "accept", kind="thin", r=4))
    means = []
    for at in sorted(set(across)):
        logs = [math.log10(point.size_uv) for point in usable if point.at == at and point.kind != "reject"]
        if logs:
            mean = sum(logs) / len(logs)
            means.append((at, 10**mean))
            parts.append(line(scale(at) - 11, up(mean), scale(at) + 11, up(mean), "ik3"))
    ticks = round_ticks(scale.low, scale.high)
    parts.append(axis(scale, 236, ticks, unit, lambda tick: f"{tick:g}"))
    said = "; ".join(f"{at:g} {unit}: {uv(size)}" for at, size in means)
    return svg(262, "".join(parts), f"Sizes by setting, geometric means: {said}")


def sizes_in_order(points: Sequence[SizePoint]) -> str:
    """Return sizes in the order in which they came."""
    usable = [point for point in points if point.size_uv > 0]
    if not usable:
        return ""
    scale = Scale(0.5, max(len(usable), 10) + 0.5, 60, 466)
    up = _log_up([point.size_uv for point in usable])
    parts = [_size_axis(up, scale)]
    for place, point in enumerate(usable, start=1):
        parts.append(dot(scale(place), up(math.log10(point.size_uv)), full=point.kind == "accept", r=4.5))
    parts.append(axis(scale, 236, [1, *range(5, int(scale.high) + 1, 5)], "", lambda tick: f"{tick:g}"))
    said = ", ".join(uv(point.size_uv) for point in usable[-5:])
    return svg(262, "".join(parts), f"Sizes of {len(usable)} responses in order; the last: {said}")


def _log_up(values: Sequence[float]) -> Scale:
    low, high = math.log10(min(values)), math.log10(max(values))
    middle, half = (low + high) / 2, max((high - low) / 2 * 1.12, 0.5)
    return Scale(middle - half, middle + half, 226, 14)


def _size_axis(up: Scale, across: Scale) -> str:
    parts = []
    for power in range(math.floor(up.low), math.ceil(up.high) + 1):
        for factor in (1, 2, 5):
            at = power + math.log10(factor)
            if up.low <= at <= up.high:
                parts.append(line(across.left, up(at), across.right, up(at), "gr"))
                parts.append(words(across.left - 6, up(at) + 5, uv(10**at), "t", "end"))
    return "".join(parts)
