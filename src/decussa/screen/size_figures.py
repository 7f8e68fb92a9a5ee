"""Figures of sizes: by setting, in order, and a recruitment curve through them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from decussa.screen.figures import Scale, axis, dot, line, round_ticks, svg, words
from decussa.screen.language import phrase
from decussa.screen.words import uv
from decussa.session.evidence import CurveSoFar, SizePoint

#: Nothing below is told apart on a scale of sizes: a size freed of noise may come to any tiny value. Drawn as a ring at the foot.
LEAST_UV = 1.0
#: From this many decades on only whole powers of ten are named.
_MANY_DECADES = 2.5


def sizes_by_setting(
    points: Sequence[SizePoint],
    *,
    unit: str,
    curve: CurveSoFar | None = None,
    aim_uv: tuple[float, float] | None = None,
) -> str:
    """Return sizes against the setting, on a log scale, with the geometric mean at each; the curve so far, the sizes aimed at."""
    usable = [point for point in points if point.size_uv > 0]
    if not usable:
        return ""
    across = [point.at for point in usable]
    middle, half = (min(across) + max(across)) / 2, max((max(across) - min(across)) * 0.58, 5.0)
    scale = Scale(middle - half, middle + half, 60, 466)
    up = _log_up([point.size_uv for point in usable])
    parts = [_aim(aim_uv, up, scale), _size_axis(up, scale), _fit(curve, scale, up)]
    parts += [dot(scale(point.at), _place(point, up), full=_counts(point), kind="thin", r=4) for point in usable]
    means = []
    for at in sorted(set(across)):
        logs = [math.log10(point.size_uv) for point in usable if point.at == at and point.kind != "reject"]
        if logs:
            mean = sum(logs) / len(logs)
            means.append((at, 10**mean))
            parts.append(line(scale(at) - 11, up.inside(mean), scale(at) + 11, up.inside(mean), "ik3"))
    ticks = round_ticks(scale.low, scale.high)
    parts.append(axis(scale, 236, ticks, unit, lambda tick: f"{tick:g}"))
    said = "; ".join(f"{at:g} {unit}: {uv(size)}" for at, size in means)
    return svg(262, "".join(parts), phrase("Sizes by setting, geometric means: {sizes}", sizes=said))


def sizes_by_current(points: Sequence[SizePoint]) -> str:
    """Return M-waves against the current of the nerve pulse, on a plain scale from 0."""
    if not points:
        return ""
    currents = [point.at for point in points]
    across = Scale(0.0, max(currents) * 1.1, 60, 466)
    up = Scale(0.0, max(point.size_uv for point in points) * 1.1, 226, 14)
    parts = []
    for tick in round_ticks(0.0, up.high, 4):
        parts.append(line(across.left, up(tick), across.right, up(tick), "gr"))
        parts.append(words(across.left - 6, up(tick) + 5, uv(tick) if tick else "0", "t", "end"))
    parts += [dot(across(point.at), up(point.size_uv), full=point.kind == "accept", r=5) for point in points]
    parts.append(axis(across, 236, round_ticks(0.0, across.high), "mA", lambda tick: f"{tick:g}"))
    said = "; ".join(f"{point.at:g} mA: {uv(point.size_uv)}" for point in points)
    return svg(262, "".join(parts), phrase("M-waves by current: {sizes}", sizes=said))


def sizes_in_order(points: Sequence[SizePoint]) -> str:
    """Return sizes in the order in which they came."""
    usable = [point for point in points if point.size_uv > 0]
    if not usable:
        return ""
    scale = Scale(0.5, max(len(usable), 10) + 0.5, 60, 466)
    up = _log_up([point.size_uv for point in usable])
    parts = [_size_axis(up, scale)]
    for place, point in enumerate(usable, start=1):
        parts.append(dot(scale(place), _place(point, up), full=_counts(point), r=4.5))
    parts.append(axis(scale, 236, [1, *range(5, int(scale.high) + 1, 5)], "", lambda tick: f"{tick:g}"))
    said = ", ".join(uv(point.size_uv) for point in usable[-5:])
    label = phrase("Sizes of {count} responses in order; the last: {sizes}", count=len(usable), sizes=said)
    return svg(262, "".join(parts), label)


def _counts(point: SizePoint) -> bool:
    return point.kind == "accept" and point.size_uv >= LEAST_UV


def _place(point: SizePoint, up: Scale) -> float:
    return up.inside(math.log10(point.size_uv))


def _log_up(values: Sequence[float]) -> Scale:
    low, high = (math.log10(max(end, LEAST_UV)) for end in (min(values), max(values)))
    middle, half = (low + high) / 2, max((high - low) / 2 * 1.12, 0.5)
    return Scale(middle - half, middle + half, 226, 14)


def _size_axis(up: Scale, across: Scale) -> str:
    parts = []
    named = (1,) if up.high - up.low > _MANY_DECADES else (1, 2, 5)
    for power in range(math.floor(up.low), math.ceil(up.high) + 1):
        for factor in named:
            at = power + math.log10(factor)
            if up.low <= at <= up.high:
                parts.append(line(across.left, up(at), across.right, up(at), "gr"))
                parts.append(words(across.left - 6, up(at) + 5, uv(10**at), "t", "end"))
    return "".join(parts)


def _aim(aim_uv: tuple[float, float] | None, up: Scale, across: Scale) -> str:
    """Return the sizes that are aimed at as a band."""
    if aim_uv is None:
        return ""
    top, foot = (up.inside(math.log10(size)) for size in (aim_uv[1], aim_uv[0]))
    width = across.right - across.left
    return f'<rect class="nw" x="{across.left:.1f}" y="{top:.1f}" width="{width:.1f}" height="{foot - top:.1f}"/>'


def _fit(curve: CurveSoFar | None, across: Scale, up: Scale) -> str:
    """Return the curve with its interval washed."""
    if curve is None:
        return ""

    def points(sizes: Sequence[float]) -> list[str]:
        pairs = zip(curve.at_mso, sizes, strict=True)
        return [f"{across(at):.1f} {up.inside(math.log10(size)):.1f}" for at, size in pairs if size > 0]

    ring = points(curve.low_uv) + points(curve.high_uv)[::-1]
    return f'<path class="w1" d="M{"L".join(ring)}Z"/><path class="c1" d="M{"L".join(points(curve.size_uv))}"/>'
