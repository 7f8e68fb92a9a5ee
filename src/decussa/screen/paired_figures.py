"""Figures of a paired block: ratios narrowing, mean sweeps by condition, the order in which stimuli came."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from decussa.compose.looking import MeanSweep
from decussa.model.estimate import Estimate
from decussa.screen.figures import WIDTH, Scale, draw_interval, line, svg, words
from decussa.screen.language import phrase
from decussa.screen.words import interval, number, uv
from decussa.session.evidence import RatioSoFar, verdict_of
from decussa.session.live_view import Given

_SERIES = (4, 2, 3, 1)


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
    parts += [words(scale(math.log(tick)), base + 20, f"{tick:g}") for tick in ticks]
    return svg(
        base + 28, "".join(parts), f"{phrase('Ratio to test alone so far:')} {'; '.join(map(_ratio_words, shown))}"
    )


def _ratio_words(one: RatioSoFar) -> str:
    value = "—" if math.isnan(one.now.value) else number(one.now.value, 2)
    return f"{one.name} {value} {interval(one.now, 2)}, {_pairs(one.n)}"


def _pairs(count: int) -> str:
    return phrase("1 pair") if count == 1 else phrase("{count} pairs", count=count)


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
        + words(380, y + 17, interval(one.now, 2) or _pairs(one.n), "t", "start")
    )
    return "".join(parts)


def _log_interval(scale: Scale, estimate: Estimate, y: float, kind: str) -> str:
    if math.isnan(estimate.low) or math.isnan(estimate.high):
        return ""
    low = -math.inf if estimate.low <= 0 else math.log(estimate.low)
    logs = Estimate(value=0, low=low, high=math.log(estimate.high) if estimate.high > 0 else -math.inf)
    return draw_interval(scale, logs, y, kind)


def series_of(shown: Sequence[RatioSoFar]) -> Mapping[str, int]:
    """Return the colour's number of each paired condition, the same in every figure of the block."""
    return {one.name: _SERIES[place % len(_SERIES)] for place, one in enumerate(shown)}


def mean_sweeps(means: Sequence[MeanSweep], series: Mapping[str, int]) -> str:
    """Return the mean sweep of each condition beside the others, on one scale; the first, test alone, is dashed in each."""
    if not means:
        return ""
    width = WIDTH / len(means)
    kept = [(mean, [value for value, at in _samples(mean) if at > mean.cut_ms + 1]) for mean in means]
    low, high = min(min(values) for _, values in kept), max(max(values) for _, values in kept)
    pad = max((high - low) * 0.08, 15)
    up = Scale(low - pad, high + pad, 150, 8)
    parts = []
    for place, mean in enumerate(means):
        across = Scale(
            mean.start_ms,
            mean.start_ms + mean.step_ms * len(mean.samples_uv),
            width * place + 4,
            width * (place + 1) - 8,
        )
        if place:
            parts.append(_trace(means[0], across, up, "dash"))
        end = max(mean.cut_ms, 1.0)
        parts.append(
            f'<rect class="hat" x="{across(0):.1f}" y="20" width="{across(end) - across(0):.1f}" height="118"/>'
        )
        parts.append(_trace(mean, across, up, f"c{series[mean.condition]}" if mean.condition in series else "tr"))
        name = mean.condition[:1].upper() + mean.condition[1:]
        parts.append(words(across.left, 176, name[: round(width / 9)], "tb", "start"))
        parts.append(words(across.left, 194, f"n {mean.n}", "t", "start"))
    bar = _round_bar((up.high - up.low) / 3)
    parts.append(line(2, up(up.high - pad / 2), 2, up(up.high - pad / 2 - bar), "ik3"))
    parts.append(words(9, up(up.high - pad / 2 - bar / 2) + 5, uv(bar), "t", "start"))
    said = "; ".join(f"{mean.condition}: {mean.n}" for mean in means)
    return svg(
        200, "".join(parts), phrase("Mean sweeps by condition, with the number in each: {conditions}", conditions=said)
    )


def _samples(mean: MeanSweep) -> list[tuple[float, float]]:
    return [(value, mean.start_ms + place * mean.step_ms) for place, value in enumerate(mean.samples_uv)]


def _trace(mean: MeanSweep, across: Scale, up: Scale, kind: str) -> str:
    """Return a trace before the pulse and after the artifact; between them is no data."""
    pieces = ([], [])  # type: tuple[list[str], list[str]]
    for value, at in _samples(mean):
        if at < -0.5 or at > mean.cut_ms:
            pieces[at > 0].append(f"{across(at):.1f} {min(max(up(value), 0), 158):.1f}")
    return "".join(f'<path class="{kind}" d="M{"L".join(piece)}"/>' for piece in pieces if piece)


def _round_bar(size: float) -> float:
    power: float = 10.0 ** math.floor(math.log10(size))
    return max(power * factor for factor in (1, 2, 5) if power * factor <= size)


def order_tape(given: Sequence[Given], planned: int) -> str:
    """Return the block's stimuli in the order in which they came, as bars by intensity; outlined: still to come."""
    block = [one for one in given if one.request.condition != "climb"]
    total = max(planned, len(block) + 1)
    gap = 1360 / total
    bar = max(min(gap / 4, 5.0), 1.5)
    parts = ['<path class="ax" d="M0 52H1360"/>']
    for place in range(total):
        x = gap * place + gap / 4
        if place < len(block):
            stimulus = block[place].request.stimulus
            if stimulus.stim_type == "paired":
                parts.append(_bar(x - bar * 0.7, stimulus.cond_intensity_mso, bar, "f0"))
            parts.append(_bar(x + bar * 0.7, stimulus.intensity_mso, bar, "f0"))
            if verdict_of(block[place]) == "reject":
                parts.append(
                    f'<g class="so" transform="translate({x - 4:.1f} 58)"><path d="M0 0h10v10h-10zM0 10L10 0"/></g>'
                )
        else:
            parts.append(_bar(x + bar * 0.7, 40, bar, "to"))
    x = gap * len(block) + gap / 4
    parts.append(words(min(max(x, 16), 1344), 68, phrase("now"), "tn"))
    said = phrase("Order: {done} of {total} given", done=len(block), total=total)
    drawn = "".join(parts)
    return (
        f'<svg class="plot" viewBox="0 0 1360 74" width="1360" height="74" role="img" aria-label="{said}">{drawn}</svg>'
    )


def _bar(x: float, level: float, width: float, kind: str) -> str:
    height = max(level, 3) * 0.5
    return f'<rect class="{kind}" x="{x - width / 2:.1f}" y="{52 - height:.1f}" width="{width:.1f}" height="{height:.1f}"/>'
