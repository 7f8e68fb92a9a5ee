"""What to set now: the far part of the Run page for one stimulus, what became of the last one, and the wait."""

from __future__ import annotations

import math

from decussa.model.dialogue import Deliver, Rest
from decussa.model.stimulus import Stimulus
from decussa.screen.language import phrase
from decussa.screen.marks import say, text
from decussa.screen.running import LiveSession
from decussa.screen.words import (
    THIN,
    instruction,
    interval,
    number,
    site_words,
    step_title,
    target_words,
    uv,
    verdict_words,
)
from decussa.session.evidence import size_of, verdict_of
from decussa.session.live_view import LiveView


def setting_of(live: LiveSession) -> str:
    """Return the setting, the instruction and the reason for the stimulus that is asked for."""
    request = live.turn.request
    assert isinstance(request, Deliver)
    view = live.view
    moved = request.site_cm is not None and (view.last_request is None or view.last_request.site_cm != request.site_cm)
    searching = is_search(live, request.step)
    setting = _site(request, moved=moved) if searching else _setting(request.stimulus, view.last_request)
    kind = "do long" if request.contraction_pct and not searching else "do"
    do = f'<p class="{kind}">{text(_move(request, view, moved=moved) if searching else instruction(request))}</p>'
    where = "" if searching or request.site_cm is None else _where(live, request, moved=moved)
    return _kick(request, view) + setting + do + where + _why(live, request)


def is_search(live: LiveSession, step: str) -> bool:
    """Whether a step moves the coil rather than the setting."""
    return getattr(live.steps.get(step), "kind", "") == "hotspot"


def _kick(request: Deliver, view: LiveView) -> str:
    more = phrase("pulse {number}", number=view.stimuli + 1)
    if request.condition == "climb":
        more += f" · {phrase('step up')}"
    return (
        f'<p class="kick"><b>{text(step_title(request.step, request))}</b> · {text(target_words(request.muscle))}'
        f'<span class="wide"> · {text(more)}</span></p>'
    )


def _setting(stimulus: Stimulus, before: Deliver | None) -> str:
    old = before.stimulus if before is not None else None
    if stimulus.stim_type == "paired":
        parts = (
            _third(
                phrase("Conditioning"), stimulus.cond_intensity_mso, "%", old.cond_intensity_mso if old else math.nan
            ),
            _third(phrase("Interval"), stimulus.isi_ms, "ms", old.isi_ms if old else math.nan),
            _third(phrase("Test"), stimulus.intensity_mso, "%", old.intensity_mso if old else math.nan),
        )
        return f'<div class="trio"><div class="thirds">{"".join(parts)}</div>{_bars(stimulus)}</div>'
    nerve = stimulus.stim_type == "nerve"
    value, unit = (stimulus.current_ma, "mA") if nerve else (stimulus.intensity_mso, "%")
    was = math.nan
    if old is not None and (old.stim_type == "nerve") == nerve:
        was = old.current_ma if nerve else old.intensity_mso
    note = _was(value, was, unit)
    size = "num long" if len(f"{value:g}") > 3 else "num"
    if old is not None and old.stim_type == "paired":
        note += f"<br><b>{phrase('no conditioning pulse')}</b>"
    return (
        f'<div class="set {_news(value, was)}"><span class="verb">{phrase("Set")}</span>'
        f'<span class="{size}">{value:g}</span><span class="unit">{unit}</span><span class="was">{note}</span></div>'
    )


def _third(name: str, value: float, unit: str, was: float) -> str:
    note = phrase("was none") if math.isnan(was) else _was(value, was, unit)
    return (
        f'<div class="third {_news(value, was)}"><span class="of">{text(name)}</span>'
        f'<span class="num">{value:g}<i>{unit}</i></span><span class="was">{note}</span></div>'
    )


def _news(value: float, was: float) -> str:
    return "same" if value == was else "new"


def _was(value: float, was: float, unit: str) -> str:
    if math.isnan(was):
        return ""
    return phrase("as before") if value == was else phrase("was {level}", level=f"{was:g}{THIN}{unit}")


def _bars(stimulus: Stimulus) -> str:
    """Return a pair as two bars, by intensity."""
    cond, test = (max(level, 2) * 1.3 for level in (stimulus.cond_intensity_mso, stimulus.intensity_mso))
    return (
        f'<svg class="pair" viewBox="0 0 90 140" width="90" height="140" aria-hidden="true"><rect x="16" y="{138 - cond:.0f}" '
        f'width="22" height="{cond:.0f}"/><rect x="54" y="{138 - test:.0f}" width="22" height="{test:.0f}"/>'
        '<path class="ik" d="M0 138H90"/></svg>'
    )


def _site(request: Deliver, *, moved: bool) -> str:
    right, front = request.site_cm or (0.0, 0.0)
    out = (
        phrase("cm out: the midline")
        if not right
        else phrase("cm out, right side")
        if right > 0
        else phrase("cm out, left side")
    )
    along = (
        phrase("cm: level with the vertex") if not front else phrase("cm forward") if front > 0 else phrase("cm back")
    )
    rows = "".join(
        f'<p><span class="num">{value:g}</span><span class="unit">{text(said)}</span></p>'
        for value, said in ((abs(right), out), (abs(front), along))
    )
    return f'<div class="site {"new" if moved else "same"}">{rows}</div>'


def _move(request: Deliver, view: LiveView, *, moved: bool) -> str:
    before = view.last_request
    old = before.stimulus.intensity_mso if before is not None else math.nan
    level = request.stimulus.intensity_mso
    said = f"{level:g}{THIN}%"
    setting = phrase("Keep {level}.", level=said) if level == old else phrase("Set {level}.", level=said)
    if not moved:
        return f"{phrase('Same site.')} {setting}"
    return f"{_way(request.site_cm, before.site_cm if before is not None else None)} {setting}"


def _way(to_cm: tuple[float, float] | None, from_cm: tuple[float, float] | None) -> str:
    """Return which way the coil moves, in cm; without a place to come from, only that it does."""
    if to_cm is None or from_cm is None:
        return phrase("Move the coil.")
    right, front = (round(there - here, 1) for there, here in zip(to_cm, from_cm, strict=True))
    ways = []
    if front:
        along = phrase("{cm} cm forward", cm=f"{front:g}") if front > 0 else phrase("{cm} cm back", cm=f"{-front:g}")
        ways.append(along)
    if right:
        across = phrase("{cm} cm to the right", cm=f"{right:g}")
        ways.append(across if right > 0 else phrase("{cm} cm to the left", cm=f"{-right:g}"))
    return phrase("Move the coil {way}.", way=phrase(" and ").join(ways)) if ways else phrase("Move the coil.")


def _where(live: LiveSession, request: Deliver, *, moved: bool) -> str:
    coil = live.protocol.coil.orientation
    site = site_words(request.site_cm or (0.0, 0.0))
    said = phrase("Coil {where}.", where=f"{site}{f'; {coil}' if coil else ''}")
    head = f"<b>{phrase('Moved.')}</b> " if moved else ""
    return f'<p class="where">{head}{text(said)}</p>'


def _why(live: LiveSession, request: Deliver) -> str:
    said = [request.why] if request.why else []
    for name, estimate in live.view.running.items():
        if name in ("rmt", "amt") and math.isfinite(estimate.low) and request.condition == name:
            low, high = number(estimate.low, 1), number(estimate.high, 1)
            said.insert(0, phrase("The threshold lies most likely between {low} and {high} %.", low=low, high=high))
        elif name == "test_intensity" and math.isfinite(estimate.value):
            known = f"{number(estimate.value, 1)} {interval(estimate, 1)}".strip()
            said.append(phrase("Now {level} %.", level=known))
    if not said:
        return ""
    head = phrase("Why this site.") if is_search(live, request.step) else phrase("Why.")
    return f'<p class="why"><b>{head}</b> {text(" ".join(said))}</p>'


def last_of(live: LiveSession) -> str:
    """Return what became of the last stimulus: verdict, size, and the reason where it is not plain."""
    view = live.view
    label = f'<span class="lbl">{phrase("Last<br>pulse")}</span>'
    if view.last_reply in ("lost", "refused"):
        reason = f"<small>{text(view.refusal)}</small>" if view.refusal else ""
        return f'<div class="seen">{label}{say(view.last_reply, verdict_words(view.last_reply), 38)}{reason}</div>'
    if not view.given:
        return ""
    given = view.given[-1]
    kind = verdict_of(given)
    reason = phrase("by you; the rules said {verdict}", verdict=verdict_words(given.trial.verdict.kind))
    reason = reason if given.said else given.trial.verdict.reason
    return (
        f'<div class="seen">{label}{say(kind, verdict_words(kind), 38)}<b>{uv(size_of(given))}</b>'
        f"{f'<small>{text(reason)}</small>' if reason else ''}</div>"
    )


def wait_of(live: LiveSession, mode: str) -> str:
    """Return the countdown: strokes that fill, one a second; nothing but the word where nothing is waited for."""
    turn = live.turn
    left = math.ceil(turn.left_s() - 1e-9)
    if mode == "rest" and isinstance(turn.request, Rest):
        minutes, seconds = divmod(left, 60)
        said = f"{minutes}{THIN}min {seconds:02d}{THIN}s" if minutes else f"{seconds}{THIN}s"
        return f'<div class="wait"><span class="sec">{said}</span><span class="cap">{phrase("left of the rest")}</span></div>'
    if mode == "pulse":
        return _wait(phrase("Ready"), "", _waited_for(live))
    if mode != "set" or not isinstance(turn.request, Deliver):
        return ""
    steady = turn.request.contraction_pct > 0
    quiet = phrase("give it when the contraction is steady") if steady else phrase("give it when the muscle is quiet")
    if live.quick:
        more = phrase("quick rehearsal: intervals are written down, not waited for")
        return _wait(phrase("Ready"), "", f'{quiet}<br><span class="wide">{more}</span>')
    total = max(math.ceil(turn.request.wait_s), 1) if live.view.stimuli else 0
    strokes = "".join(f'<i class="{"past" if place < total - left else ""}"></i>' for place in range(total))
    if left <= 0 and live.operator.may_ask is not None:
        return _wait(
            phrase("Hold"), strokes, phrase("it goes on when the contraction is steady; Enter asks all the same")
        )
    if left <= 0:
        return _wait(phrase("Ready"), strokes, quiet)
    low, high = live.protocol.limits.interval_s
    apart = phrase("{low}–{high} s apart, varied", low=f"{low:g}", high=f"{high:g}")
    return _wait(
        f"{left}{THIN}s", strokes, f'{phrase("to the earliest next pulse")}<br><span class="wide">{apart}</span>'
    )


def _waited_for(live: LiveSession) -> str:
    if live.way == "folder":
        return phrase("give the pulse; its file is waited for")
    return phrase("give the pulse; it is seen by itself")


def _wait(head: str, strokes: str, caption: str) -> str:
    drawn = f'<span class="strokes" aria-hidden="true">{strokes}</span>' if strokes else ""
    return f'<div class="wait"><span class="sec">{head}</span>{drawn}<span class="cap">{caption}</span></div>'
