"""What Run draws of a live signal: the contraction against its band, words about the stream, and the choice of a way."""

from __future__ import annotations

import math
from collections.abc import Mapping

from decussa.model.dialogue import Deliver
from decussa.screen.figures import Scale, dot, line, round_ticks, svg, words
from decussa.screen.language import phrase
from decussa.screen.marks import cap, text
from decussa.screen.running import WAYS, LiveSession, Way
from decussa.screen.study_forms import field
from decussa.screen.words import number, uv
from decussa.session.effort import Effort
from decussa.session.holding import HOLD_S, Holding


def band_of(live: LiveSession) -> str:
    """Return where the contraction stands now against what is asked for; empty where none is asked for or can be seen."""
    request, bench = live.bench.wanted(), live.bench
    if request is None and bench.effort_wanted() is not None:
        return _effort(bench.effort)
    if request is None or math.isnan(bench.level_uv):
        return ""
    holding, torque = bench.holding, bench.torque_of(request.muscle)
    if holding is None or (math.isnan(holding.level_pct) and torque is None):
        said = phrase("Now {level} RMS. No maximal contraction is known to compare with.", level=uv(bench.level_uv))
        return f'<p class="holdwords">{text(said)}</p>'
    by = phrase("by torque") if torque is not None else phrase("by EMG")
    if torque is None and bench.has_torque:
        by = phrase("by EMG: no torque of a maximal effort is known")
    return f'<p class="holdwords"><b>{text(_said(holding))}</b> {text(by)}</p>{_strip(holding, request)}'


def _effort(effort: Effort) -> str:
    """Return what a maximal effort has shown so far; empty before anything was seen."""
    if math.isnan(effort.most_uv):
        return ""
    said = phrase("Best half second so far: {level} RMS.", level=uv(effort.most_uv))
    torque = phrase("Torque seen, too.") if effort.has_torque else ""
    return f'<p class="holdwords">{text(said)} {text(torque)}</p>'


def _said(holding: Holding) -> str:
    said: Mapping[str, str] = {
        "below": phrase("More."),
        "above": phrase("Less."),
        "holding": phrase("Hold it: {left} s.", left=f"{max(HOLD_S - holding.held_s, 0):.1f}"),
        "steady": phrase("Steady."),
        "unknown": phrase("The level is not known."),
    }
    return said[holding.state]


def _strip(holding: Holding, request: Deliver) -> str:
    """Return a strip from rest to twice the band, with the level as a dot: full within the band, a ring outside."""
    band = holding.band
    across = Scale(0.0, max(2 * band.high_pct, 10.0), 20, 460)
    inside = band.low_pct <= holding.level_pct <= band.high_pct
    low, high = across(band.low_pct), across(band.high_pct)
    parts = [
        f'<rect class="nw" x="{low:.1f}" y="6" width="{high - low:.1f}" height="30"/>',
        line(across(request.contraction_pct), 6, across(request.contraction_pct), 36, "nl"),
        line(across.left, 21, across.right, 21, "ax"),
        dot(across.inside(holding.level_pct), 21, full=inside, kind="" if inside else "far", r=9),
    ]
    parts += [words(across(tick), 54, f"{tick:g} %", "t") for tick in round_ticks(0, across.high, 5)]
    said = phrase(
        "Contraction now {level} % of maximum; asked for {low} to {high} %.",
        level=number(holding.level_pct, 0), low=f"{band.low_pct:g}", high=f"{band.high_pct:g}",
    )  # fmt: skip
    return svg(60, "".join(parts), said)


def stream_words(live: LiveSession) -> str:
    """Return what is wrong with the stream, as quiet bars; empty where all is well."""
    if live.rehearsal:
        return ""
    return "".join(f'<p class="mindbar">{text(words)}</p>' for words in live.bench.words())


def ways_form(live: LiveSession) -> str:
    """Return the choice of how sweeps come, for a session with a person before it begins or goes on."""
    said: Mapping[Way, tuple[str, str]] = {
        "hand": (phrase("By hand"), phrase("you read the size elsewhere and type it")),
        "folder": (phrase("Watched folder"), phrase("your recorder saves a file after each pulse")),
        "stream": (
            phrase("Live stream"),
            phrase("the signal comes while it is recorded; pulses are seen by themselves"),
        ),
    }
    picks = "".join(
        f'<label class="pick way"><input type="radio" name="way" value="{way}"{" checked" if way == live.way else ""}> '
        f"<span><b>{text(said[way][0])}</b> {text(said[way][1])}</span></label>"
        for way in WAYS
    )
    path = text(live.watched) if live.watched is not None else ""
    folder = field("folder", phrase("Folder to watch"), most=400, more=f'value="{path}"')
    go = phrase("Go on") if live.view.step else phrase("Begin")
    return (
        f'<form data-act="begin" class="ways"><fieldset><legend>{phrase("How do sweeps come?")}</legend>{picks}</fieldset>'
        f'<div class="whichfolder">{folder}</div><button type="submit" class="btn go">{text(go)} {cap("Enter")}</button></form>'
    )
