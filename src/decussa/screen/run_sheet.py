"""The bright sheet on the left of Run, to be read from two metres: what to do now, in each state of a session."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Literal

from decussa.model.dialogue import Ask, Deliver, Rest
from decussa.model.stimulus import Stimulus
from decussa.screen.marks import button, cap, say, text
from decussa.screen.running import LiveSession, is_plan_change
from decussa.screen.words import (
    THIN,
    gate_sentence,
    instruction,
    interval,
    number,
    site_words,
    spoken,
    step_title,
    target_words,
    uv,
)
from decussa.session.evidence import size_of, verdict_of
from decussa.session.limits import GATES
from decussa.session.live_view import LiveView

Mode = Literal[
    "idle", "error", "gates", "set", "question", "rest", "outcome", "held", "alarm", "finished", "working", "watched"
]


def mode_of(live: LiveSession) -> Mode:
    """Return which state of a session the page shows."""
    turn, view = live.turn, live.view
    if live.error is not None and not live.running:
        return "error"
    if not live.running:
        return "finished" if view.state == "finished" else "idle" if live.rehearsal else "watched"
    if turn.kind == "request":
        return "question" if isinstance(turn.request, Ask) else "rest" if isinstance(turn.request, Rest) else "set"
    if turn.kind == "held":
        return "alarm" if view.alarm else "held"
    return {"gate": "gates", "outcome": "outcome"}.get(turn.kind, "working")  # type: ignore[return-value]


def sheet_of(live: LiveSession, mode: Mode) -> str:
    """Return the sheet for a state; the wait below it is drawn apart."""
    return _SHEETS[mode](live)


def spoken_of(live: LiveSession, mode: Mode) -> str:
    """Return what a screen reader says when the sheet changes."""
    request = live.turn.request
    if mode == "set" and isinstance(request, Deliver):
        return spoken(request, live.view.stimuli + 1)
    if mode == "question" and isinstance(request, Ask):
        return request.text
    words: Mapping[Mode, str] = {
        "held": "On hold. No pulse is asked for.",
        "alarm": "Stop. Coil away.",
        "gates": gate_sentence(len(open_gates(live))),
        "finished": "The session is finished.",
        "rest": "A rest.",
    }
    return words.get(mode, "")


def open_gates(live: LiveSession) -> list[str]:
    """Return the gates that nobody has confirmed yet."""
    return [gate for gate in GATES if gate not in live.operator.gates and not live.view.gates.get(gate)]


def _set(live: LiveSession) -> str:
    request = live.turn.request
    assert isinstance(request, Deliver)
    view = live.view
    kick = (
        f'<p class="kick"><b>{text(step_title(request.step, request))}</b> · {text(target_words(request.muscle))}'
        f'<span class="wide"> · pulse {view.stimuli + 1}{" · step up" if request.condition == "climb" else ""}</span></p>'
    )
    moved = request.site_cm is not None and (view.last_request is None or view.last_request.site_cm != request.site_cm)
    searching = getattr(live.steps.get(request.step), "kind", "") == "hotspot"
    setting = _site(request) if searching else _setting(request.stimulus, view.last_request)
    do = f'<p class="do">{text(_move(request, view, moved) if searching else instruction(request))}</p>'
    where = "" if searching or request.site_cm is None else _where(live, request, moved)
    return kick + setting + do + where + _why(live, request)


def _setting(stimulus: Stimulus, before: Deliver | None) -> str:
    old = before.stimulus if before is not None else None
    if stimulus.stim_type == "paired":
        parts = (
            _third("Conditioning", stimulus.cond_intensity_mso, "%", old.cond_intensity_mso if old else math.nan),
            _third("Interval", stimulus.isi_ms, "ms", old.isi_ms if old else math.nan),
            _third("Test", stimulus.intensity_mso, "%", old.intensity_mso if old else math.nan),
        )
        return f'<div class="trio">{"".join(parts)}{_bars(stimulus)}</div>'
    nerve = stimulus.stim_type == "nerve"
    value, unit = (stimulus.current_ma, "mA") if nerve else (stimulus.intensity_mso, "%")
    was = (
        math.nan
        if old is None or (old.stim_type == "nerve") != nerve
        else (old.current_ma if nerve else old.intensity_mso)
    )
    changed = "new" if value != was else "same"
    note = _was(value, was, unit)
    if old is not None and old.stim_type == "paired":
        note += "<br><b>no conditioning pulse</b>"
    return (
        f'<div class="set {changed}"><span class="verb">Set</span><span class="num">{value:g}</span>'
        f'<span class="unit">{unit}</span><span class="was">{note}</span></div>'
    )


def _third(name: str, value: float, unit: str, was: float) -> str:
    changed = "new" if value != was else "same"
    return (
        f'<div class="third {changed}"><span class="of">{name}</span><span class="num">{value:g}<i>{unit}</i></span>'
        f'<span class="was">{_was(value, was, unit)}</span></div>'
    )


def _was(value: float, was: float, unit: str) -> str:
    if math.isnan(was):
        return "" if unit != "ms" else "was none"
    return "as before" if value == was else f"was {was:g}{THIN}{unit}"


def _bars(stimulus: Stimulus) -> str:
    """Return a pair as two bars, by intensity."""
    cond, test = (max(level, 2) * 1.3 for level in (stimulus.cond_intensity_mso, stimulus.intensity_mso))
    return (
        f'<svg class="pair" viewBox="0 0 90 140" width="90" height="140" aria-hidden="true"><rect x="16" y="{138 - cond:.0f}" '
        f'width="22" height="{cond:.0f}"/><rect x="54" y="{138 - test:.0f}" width="22" height="{test:.0f}"/>'
        '<path class="ik" d="M0 138H90"/></svg>'
    )


def _site(request: Deliver) -> str:
    right, front = request.site_cm or (0.0, 0.0)
    side = "right" if right > 0 else "left"
    lines = (
        (abs(right), f"cm out, {side} side" if right else "cm out: on the midline"),
        (abs(front), ("cm forward" if front > 0 else "cm back") if front else "cm forward: level with the vertex"),
    )
    rows = "".join(
        f'<p><span class="num">{value:g}</span><span class="unit">{said}</span></p>' for value, said in lines
    )
    return f'<div class="site">{rows}</div>'


def _move(request: Deliver, view: LiveView, moved: bool) -> str:
    before = view.last_request
    old = before.stimulus.intensity_mso if before is not None else math.nan
    level = request.stimulus.intensity_mso
    setting = f"Keep {level:g}{THIN}%." if level == old else f"Set {level:g}{THIN}%."
    if not moved:
        return f"Same site. {setting}"
    return f"Move the coil. {setting}"


def _where(live: LiveSession, request: Deliver, moved: bool) -> str:
    site = site_words(request.site_cm or (0.0, 0.0))
    coil = live.protocol.coil.orientation
    said = f"Coil {site}{f', {coil}' if coil else ''}."
    return f'<p class="where">{"<b>Moved.</b> " if moved else ""}{text(said)}</p>'


def _why(live: LiveSession, request: Deliver) -> str:
    said = [request.why] if request.why else []
    for name, estimate in live.view.running.items():
        if name in ("rmt", "amt") and math.isfinite(estimate.low) and request.condition == name:
            said.insert(
                0, f"The threshold lies most likely between {number(estimate.low, 1)} and {number(estimate.high, 1)} %."
            )
        elif name == "test_intensity" and math.isfinite(estimate.value):
            said.append(f"Now {number(estimate.value, 1)} {interval(estimate, 1)} %.")
    if not said:
        return ""
    head = "Why this site." if request.condition.endswith(" cm") else "Why."
    return f'<p class="why"><b>{head}</b> {text(" ".join(said))}</p>'


def last_of(live: LiveSession) -> str:
    """Return what became of the last stimulus: verdict, size, and the reason where it is not plain."""
    view = live.view
    if not view.last_reply:
        return ""
    if view.last_reply in ("lost", "refused") or not view.given:
        if view.last_reply not in ("lost", "refused"):
            return ""
        reason = f"<small>{text(view.refusal)}</small>" if view.refusal else ""
        words = "not given" if view.last_reply == "refused" else "lost"
        return f'<div class="seen"><span class="of">Last<br>pulse</span>{say(view.last_reply, words, 38)}{reason}</div>'
    given = view.given[-1]
    kind = verdict_of(given)
    reason = "by you" if given.said else given.trial.verdict.reason
    return (
        f'<div class="seen"><span class="of">Last<br>pulse</span>{say(kind, kind, 38)}<b>{uv(size_of(given))}</b>'
        f"{f'<small>{text(reason)}</small>' if reason else ''}</div>"
    )


def wait_of(live: LiveSession, mode: Mode) -> str:
    """Return the countdown: strokes that fill, one a second; nothing but the word where nothing is waited for."""
    turn = live.turn
    left = math.ceil(turn.left_s() - 1e-9)
    if mode == "rest" and isinstance(turn.request, Rest):
        minutes, seconds = divmod(left, 60)
        said = f"{minutes} min {seconds:02d} s" if minutes else f"{seconds} s"
        return f'<div class="wait"><span class="sec">{said}</span><span class="of">of a rest</span></div>'
    if mode != "set" or not isinstance(turn.request, Deliver):
        return ""
    if live.quick:
        return (
            '<div class="wait"><span class="sec">Ready</span><span class="of">give it when the muscle is quiet'
            "<br>quick rehearsal: intervals are written down, not waited for</span></div>"
        )
    total = max(math.ceil(turn.request.wait_s), 1) if live.view.stimuli else 0
    strokes = "".join(f'<i class="{"past" if place < total - left else ""}"></i>' for place in range(total))
    if left > 0:
        low, high = live.protocol.limits.interval_s
        return (
            f'<div class="wait"><span class="sec">{left} s</span><span class="strokes" aria-hidden="true">{strokes}</span>'
            f'<span class="of">to the earliest next pulse<br><span class="wide">{low:g}–{high:g} s apart, varied</span></span></div>'
        )
    quiet = "steady" if turn.request.contraction_pct else "quiet"
    return (
        f'<div class="wait"><span class="sec">Ready</span><span class="strokes" aria-hidden="true">{strokes}</span>'
        f'<span class="of">give it when the muscle is {quiet}</span></div>'
    )


def _gates(live: LiveSession) -> str:
    waiting = open_gates(live)
    rows = []
    for place, gate in enumerate(GATES, start=1):
        is_open = gate in waiting
        words = f"<b>{text(_sentence(gate))}</b>" if is_open else text(_sentence(gate))
        act = (
            f'<button type="button" class="btn small" data-act="gate {place}">Holds {cap(str(place))}</button>'
            if is_open
            else ""
        )
        rows.append(
            f"<li>{say('open' if is_open else 'done', 'open' if is_open else 'done')}<span>{words}</span>{act}</li>"
        )
    limits = live.protocol.limits
    return (
        f'<p class="lead">{gate_sentence(len(waiting))}</p>'
        f'<p class="under">Each is confirmed by the person entitled to; what was decided is written down with the time.</p>'
        f'<ul class="gates">{"".join(rows)}</ul>'
        f'<p class="under">Never exceed the limits given by the manufacturers of stimulator and coil, or those of your approval. '
        f"Where the protocol’s is higher, the lower limit holds. Today: {limits.ceiling_mso:g} % MSO, "
        f"{limits.least_interval_s:g} s, {limits.pulse_total} pulses.</p>"
    )


def _sentence(gate: str) -> str:
    return gate[:1].upper() + gate[1:]


def _question(live: LiveSession) -> str:
    request = live.turn.request
    assert isinstance(request, Ask)
    head = f'<p class="kick"><b>{text(step_title(request.step))}</b></p><p class="do">{text(request.text)}</p>'
    if request.kind == "confirm":
        answers = button("Yes", "answer yes", cap_="Enter", kind="go") + button("No", "answer no", cap_="0")
    elif request.kind == "choice":
        answers = "".join(
            button(choice, f"answer {place}", cap_=str(place)) for place, choice in enumerate(request.choices, start=1)
        )
    else:
        span = 'min="0" max="10" step="1"' if request.kind == "rating" else 'step="any"'
        answers = (
            f'<form data-act="answer" class="one"><label for="value" class="vh">{text(request.text)}</label>'
            f'<input id="value" name="value" type="number" {span} required data-focus autocomplete="off">'
            f'<span class="unit">{text(request.unit)}</span><button type="submit" class="btn go">Answer {cap("Enter")}</button></form>'
        )
    return f'{head}<div class="answers">{answers}</div>'


def _rest(live: LiveSession) -> str:
    request = live.turn.request
    assert isinstance(request, Rest)
    return (
        f'<p class="kick"><b>{text(step_title(request.step))}</b></p><p class="do">Rest.</p>'
        f'<p class="why">{text(request.why)} No pulse is asked for; it goes on by itself.</p>'
    )


def _held(live: LiveSession) -> str:
    reason = "" if live.view.hold in ("", "stop key") else f"<p class='why'>{text(live.view.hold)}</p>"
    return (
        f'<p class="do">On hold since {text(live.view.held_at[11:19])} UTC.</p>{reason}'
        '<p class="why">No pulse is asked for. Put the coil down, let the muscle rest. What was due comes when you go on.</p>'
        f'<div class="answers">{button("Go on", "go", cap_="Space", kind="go")}{button("Note", "sheet note", cap_="N")}'
        f"{button('Adverse event', 'sheet adverse', cap_='A')}{button('End session', 'sheet end', cap_='X')}</div>"
    )


def _alarm(live: LiveSession) -> str:  # noqa: ARG001 the words are the same for everybody
    return (
        '<div class="alarm"><p class="shout">Stop. Coil away.</p>'
        '<p class="lead">Care for the person first; log later. Call the emergency number when in doubt.</p>'
        f'<div class="answers">{button("Log what happened", "sheet adverse", cap_="L")}'
        f"{button('First aid', 'sheet aid', cap_='F')}{button('No event: hold', 'no event', cap_='H')}</div></div>"
    )


def _outcome(live: LiveSession) -> str:
    turn = live.turn
    request = turn.request
    setting = f" It was to be given at: {spoken(request, turn.stimulus)}" if isinstance(request, Deliver) else ""
    return (
        f'<p class="do">Was pulse {turn.stimulus} given?</p>'
        f'<p class="why">It was asked for, and nothing is stored of what came back. It will not be repeated by itself.'
        f"{text(setting)}</p>"
        f'<div class="answers column">{button("Given, and the size was seen", "outcome seen", cap_="1")}'
        f"{button('Given, the sweep is lost', 'outcome lost', cap_='2')}{button('Not given', 'outcome none', cap_='3')}</div>"
    )


def _idle(live: LiveSession) -> str:
    view = live.view
    begun = view.entry > 0
    words = "Go on" if begun else "Begin"
    said = (
        f"It stands at entry {view.entry}, step “{view.step}”, after {view.stimuli} stimuli. Everything is written."
        if begun
        else "Nothing has happened yet. Five things are confirmed first, then the plan begins."
    )
    pace = "Intervals are written down, not waited for." if live.quick else "Intervals are waited for."
    return (
        f'<p class="do">{text(live.protocol.study.name)}</p>'
        f'<p class="why">Rehearsal on a virtual participant, session {text(live.session)}. {text(said)} {pace}</p>'
        f'<div class="answers">{button(words, "begin", cap_="Enter", kind="go")}</div>'
    )


def _error(live: LiveSession) -> str:
    error = live.error
    assert error is not None
    head = "The plan changed since this session began." if is_plan_change(error) else f"Stopped: {error.what}."
    found = f"Found: {error.found}. " if error.found else ""
    do = f"{error.do[:1].upper()}{error.do[1:]}." if error.do else ""
    again = (
        button("Go on with a fresh plan", "begin fresh", cap_="Enter", kind="go")
        if is_plan_change(error)
        else button("Try again", "begin", cap_="Enter", kind="go")
    )
    return (
        f'<p class="do halt">{say("halt", head, 30)}</p>'
        f'<p class="why">{text(found)}All {live.view.entry} entries before this are written. {text(do)}</p>'
        f'<div class="answers">{again}</div>'
    )


def _watched(live: LiveSession) -> str:
    view = live.view
    setting = f" Asked for: {spoken(view.setting, view.stimuli + 1)}" if view.setting else ""
    return (
        f'<p class="do">Session {text(live.session)}: {text(view.state)}.</p>'
        f'<p class="why">It is run elsewhere, in the terminal; this page looks on.{text(setting)}</p>'
    )


def _working(live: LiveSession) -> str:  # noqa: ARG001 the words are the same for everybody
    return '<p class="do">Working.</p><p class="why">The next thing to do comes in a moment.</p>'


def _finished(live: LiveSession) -> str:
    return f'<p class="do">Finished.</p><p class="why">{live.view.stimuli} stimuli. Every step is written.</p>'


_SHEETS: Mapping[Mode, Callable[[LiveSession], str]] = {
    "idle": _idle,
    "error": _error,
    "gates": _gates,
    "set": _set,
    "question": _question,
    "rest": _rest,
    "outcome": _outcome,
    "held": _held,
    "alarm": _alarm,
    "finished": _finished,
    "working": _working,
    "watched": _watched,
}
