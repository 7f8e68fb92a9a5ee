"""Figures of what a step came to by order: a contraction against its band, silent periods, maximal efforts."""

from __future__ import annotations

import math
from collections.abc import Sequence

from decussa.screen.figures import Scale, axis, dot, line, round_ticks, svg, words
from decussa.screen.language import phrase
from decussa.screen.words import ms, number
from decussa.session.evidence import Held, Silence

#: So many of the last contractions are drawn.
_SHOWN = 24


def contraction_band(held: Sequence[Held], *, asked_pct: float, band_pct: float) -> str:
    """Return the last contractions, in % of the maximal one, against the band that was asked for; nothing without one."""
    shown = [one for one in held if math.isfinite(one.level_pct)][-_SHOWN:]
    top = max([asked_pct + 2 * band_pct, *(one.level_pct for one in shown)]) * 1.12
    up = Scale(0.0, top, 132, 8)
    across = Scale(0.5, max(len(shown), 10) + 0.5, 46, 466)
    low, high = max(asked_pct - band_pct, 0.0), asked_pct + band_pct
    parts = [
        f'<rect class="nw" x="{across.left:.1f}" y="{up(high):.1f}" width="{across.right - across.left:.1f}" '
        f'height="{up(low) - up(high):.1f}"/>',
        line(across.left, up(asked_pct), across.right, up(asked_pct), "nl"),
        line(across.left, up(0), across.right, up(0), "ax"),
    ]
    parts += [words(across.left - 7, up(tick) + 5, f"{tick:g} %", "t", "end") for tick in round_ticks(0, top, 3)]
    for place, one in enumerate(shown, start=1):
        parts.append(dot(across(place), up(one.level_pct), full=low <= one.level_pct <= high, r=5))
    last = (
        phrase("the last at {level} %", level=number(shown[-1].level_pct, 0)) if shown else phrase("none was given yet")
    )
    said = phrase(
        "Contraction: asked for {asked} %, from {low} to {high} %;",
        asked=f"{asked_pct:g}",
        low=f"{low:g}",
        high=f"{high:g}",
    )
    return svg(142, "".join(parts), f"{said} {last}")


def silences(shown: Sequence[Silence]) -> str:
    """Return silent periods in order."""
    if not shown:
        return ""
    values = [one.duration_ms for one in shown]
    pad = max((max(values) - min(values)) * 0.2, 15)
    up = Scale(max(min(values) - pad, 0), max(values) + pad, 150, 10)
    across = Scale(0.5, max(len(shown), 10) + 0.5, 60, 466)
    parts = []
    for tick in round_ticks(up.low, up.high, 4):
        parts.append(line(across.left, up(tick), across.right, up(tick), "gr"))
        parts.append(words(across.left - 7, up(tick) + 5, ms(tick), "t", "end"))
    for place, one in enumerate(shown, start=1):
        parts.append(dot(across(place), up(one.duration_ms), full=one.kind == "accept", r=5))
    parts.append(axis(across, 160, [1, *range(5, int(across.high) + 1, 5)], "", lambda tick: f"{tick:g}"))
    said = phrase("Silent periods of {count} sweeps; the last: {last}", count=len(shown), last=ms(values[-1]))
    return svg(186, "".join(parts), said)


def efforts(values: Sequence[float]) -> str:
    """Return maximal efforts as bars, the best one full."""
    if not values:
        return ""
    best = max(values)
    across = Scale(0.0, best * 1.15, 40, 380)
    parts = []
    for place, value in enumerate(values):
        y = 12 + 40 * place
        kind = "bar best" if value == best else "bar"
        parts.append(words(0, y + 18, str(place + 1), "ti", "start"))
        parts.append(
            f'<rect class="{kind}" x="{across.left:.1f}" y="{y}" width="{max(across(value) - across.left, 1):.1f}" height="24"/>'
        )
        parts.append(
            words(across(value) + 8, y + 18, f"{number(value, 0)} µV", "tb" if value == best else "t", "start")
        )
    said = phrase("Efforts: {values} µV RMS", values=", ".join(number(value, 0) for value in values))
    return svg(16 + 40 * len(values), "".join(parts), said)
