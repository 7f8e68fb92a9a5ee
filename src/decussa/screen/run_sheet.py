"""The bright sheet on the left of Run, to be read from two metres: what to do now, in each state of a session."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Literal

from decussa.model.dialogue import Ask, Deliver, Rest
from decussa.screen.language import phrase
from decussa.screen.marks import button, cap, say, text
from decussa.screen.run_ends import finished, idle, stopped, watched
from decussa.screen.run_setting import setting_of
from decussa.screen.running import LiveSession
from decussa.screen.words import (
    body_part,
    gate_sentence,
    gate_words,
    spoken,
    step_title,
    target_words,
)
from decussa.session.clock import from_text
from decussa.session.limits import GATES

Mode = Literal[
    "idle",
    "error",
    "gates",
    "set",
    "pulse",
    "question",
    "rest",
    "outcome",
    "size",
    "held",
    "alarm",
    "finished",
    "working",
    "watched",
]


def mode_of(live: LiveSession) -> Mode:
    """Return which state of a session the page shows."""
    turn, view = live.turn, live.view
    if not live.running:
        if live.error is not None:
            return "error"
        return "finished" if view.state == "finished" else "idle" if live.can_run_here else "watched"
    if live.operator.alarmed or (turn.kind == "held" and view.alarm):
        return "alarm"
    if turn.kind == "request":
        return "question" if isinstance(turn.request, Ask) else "rest" if isinstance(turn.request, Rest) else "set"
    kinds: Mapping[str, Mode] = {
        "pulse": "pulse",
        "held": "held",
        "gate": "gates",
        "outcome": "outcome",
        "size": "size",
    }
    return kinds.get(turn.kind, "working")


def sheet_of(live: LiveSession, mode: Mode) -> str:
    """Return the sheet for a state; the wait below it is drawn apart."""
    return _SHEETS[mode](live)


def spoken_of(live: LiveSession, mode: Mode) -> str:
    """Return what a screen reader says when the sheet changes."""
    request = live.turn.request
    if mode in ("set", "pulse") and isinstance(request, Deliver):
        return spoken(request, live.view.stimuli + 1)
    if mode == "question" and isinstance(request, Ask):
        return request.text
    if mode == "size":
        return phrase("Which size was read?")
    words: Mapping[Mode, str] = {
        "held": phrase("On hold. No pulse is asked for."),
        "alarm": phrase("Stop. Coil away."),
        "gates": gate_sentence(len(open_gates(live))),
        "finished": phrase("The session is finished."),
        "rest": phrase("A rest. No pulse is asked for."),
        "outcome": phrase("Was pulse {number} given?", number=live.turn.stimulus),
    }
    return words.get(mode, "")


def open_gates(live: LiveSession) -> list[str]:
    """Return the gates that nobody has confirmed yet."""
    return [gate for gate in GATES if gate not in live.operator.gates and not live.view.gates.get(gate)]


def _gates(live: LiveSession) -> str:
    waiting = open_gates(live)
    rows = "".join(_gate(place, gate, gate in waiting) for place, gate in enumerate(GATES, start=1))
    limits = live.protocol.limits
    ceiling = phrase(
        "Never exceed the limits given by the manufacturers of stimulator and coil, or those of your approval. Where the "
        "protocol’s is higher, the lower limit holds. Today: {ceiling} % MSO, {interval} s apart, {pulses} pulses.",
        ceiling=f"{limits.ceiling_mso:g}",
        interval=f"{limits.least_interval_s:g}",
        pulses=limits.pulse_total,
    )
    said = (
        phrase("In a rehearsal you confirm them yourself, as a habit; nobody is stimulated.")
        if live.rehearsal
        else phrase("Each is confirmed by the person entitled to; what was decided is written down with the time.")
    )
    return (
        f'<p class="kick"><b>{phrase("Before the first pulse")}</b></p><p class="do">{gate_sentence(len(waiting))}</p>'
        f'<p class="why">{text(said)}</p><ul class="gates">{rows}</ul><p class="under">{text(ceiling)}</p>'
    )


def _gate(place: int, gate: str, is_open: bool) -> str:
    words = text(gate_words(gate))
    if not is_open:
        return f"<li>{say('done', phrase('done'))}<span>{words}</span></li>"
    act = (
        f'<button type="button" class="btn small" data-act="gate {place}">{phrase("Holds")} {cap(str(place))}</button>'
    )
    return f"<li>{say('open', phrase('open'))}<span><b>{words}</b></span>{act}</li>"


def _question(live: LiveSession) -> str:
    request = live.turn.request
    assert isinstance(request, Ask)
    head = f'<p class="kick"><b>{text(step_title(request.step))}</b></p><p class="do">{text(request.text)}</p>'
    if request.kind == "confirm":
        answers = button(phrase("Yes"), "answer yes", cap_="Enter", kind="go") + button(
            phrase("No"), "answer no", cap_="0"
        )
    elif request.kind == "choice":
        answers = "".join(
            button(choice, f"answer {place}", cap_=str(place)) for place, choice in enumerate(request.choices, start=1)
        )
    else:
        span = 'min="0" max="10" step="1"' if request.kind == "rating" else 'step="any"'
        answers = field(
            "answer", request.text, unit=request.unit, span=span, answer=phrase("Answer"), key=live.turn.number
        )
    return f'{head}<div class="answers">{answers}</div>'


def field(act: str, label: str, *, unit: str, span: str, answer: str, key: int) -> str:
    """Return a form of one number; ``key`` tells one question from the next."""
    return (
        f'<form data-act="{act}" class="one"><label for="value-{key}" class="vh">{text(label)}</label>'
        f'<input id="value-{key}" name="value" type="number" {span} required data-focus autocomplete="off">'
        f'<span class="unit">{text(unit)}</span><button type="submit" class="btn go">{text(answer)} {cap("Enter")}</button>'
        "</form>"
    )


def _size(live: LiveSession) -> str:
    turn = live.turn
    part = body_part(turn.about)
    head = phrase("{part}: which peak-to-peak?", part=part[:1].upper() + part[1:])
    why = phrase("Read it where the response is shown. Nothing to be seen above the noise is 0.")
    answers = field("size", head, unit="µV", span='min="0" step="any"', answer=phrase("Write"), key=turn.number)
    lost = button(phrase("Pulse lost"), "size lost", cap_="L")
    return (
        f'<p class="kick"><b>{text(step_title(live.view.step))}</b> · {text(target_words(turn.about))}</p>'
        f'<p class="do">{text(head)}</p><p class="why">{text(why)}</p><div class="answers">{answers}{lost}</div>'
    )


def _rest(live: LiveSession) -> str:
    request = live.turn.request
    assert isinstance(request, Rest)
    said = phrase("No pulse is asked for; it goes on by itself.")
    return (
        f'<p class="kick"><b>{text(step_title(request.step))}</b></p><p class="do">{phrase("Rest.")}</p>'
        f'<p class="why">{text(request.why)} {said}</p>'
    )


def _held(live: LiveSession) -> str:
    reason = "" if live.view.hold in ("", "stop key") else f'<p class="why"><b>{text(live.view.hold)}</b></p>'
    time = from_text(live.view.held_at).astimezone().strftime("%H:%M:%S") if live.view.held_at else "—"
    since = (
        phrase("On hold since {time} on the rehearsal’s clock.", time=time)
        if live.quick
        else phrase("On hold since {time}.", time=time)
    )
    said = phrase("No pulse is asked for. Put the coil down, let the muscle rest. What was due comes when you go on.")
    return (
        f'<p class="do">{since}</p>{reason}<p class="why">{said}</p>'
        f'<div class="answers">{button(phrase("Go on"), "go", cap_="Space", kind="go")}'
        f"{button(phrase('Note'), 'sheet note', cap_='N')}{button(phrase('Adverse event'), 'sheet adverse', cap_='A')}"
        f"{button(phrase('End session'), 'sheet end', cap_='X')}</div>"
    )


def _alarm(live: LiveSession) -> str:  # noqa: ARG001 the words are the same for everybody
    said = phrase("Care for the person first; log later. Call the emergency number when in doubt.")
    return (
        f'<div class="alarm"><p class="shout">{phrase("Stop. Coil away.")}</p><p class="lead">{said}</p>'
        f'<div class="answers">{button(phrase("Log what happened"), "sheet adverse", cap_="L")}'
        f"{button(phrase('First aid'), 'sheet aid', cap_='F')}{button(phrase('No event: hold'), 'no event', cap_='H')}"
        "</div></div>"
    )


def _outcome(live: LiveSession) -> str:
    turn, request = live.turn, live.turn.request
    setting = spoken(request, turn.stimulus) if isinstance(request, Deliver) else ""
    head = phrase("Was pulse {number} given?", number=turn.stimulus)
    why = phrase("It was asked for, and nothing is stored of what came back. It will not be repeated by itself.")
    return (
        f'<p class="do">{head}</p><p class="why">{why}</p><p class="why">{text(setting)}</p>'
        f'<div class="answers column">{button(phrase("Given, and the size was seen"), "sheet seen", cap_="1")}'
        f"{button(phrase('Given, the sweep is lost'), 'outcome lost', cap_='2')}"
        f"{button(phrase('Not given'), 'outcome none', cap_='3')}</div>"
    )


def _working(live: LiveSession) -> str:  # noqa: ARG001 the words are the same for everybody
    return (
        f'<p class="do">{phrase("Working.")}</p><p class="why">{phrase("The next thing to do comes in a moment.")}</p>'
    )


_SHEETS: Mapping[Mode, Callable[[LiveSession], str]] = {
    "idle": idle,
    "error": stopped,
    "gates": _gates,
    "set": setting_of,
    "pulse": setting_of,
    "question": _question,
    "rest": _rest,
    "outcome": _outcome,
    "size": _size,
    "held": _held,
    "alarm": _alarm,
    "finished": finished,
    "working": _working,
    "watched": watched,
}
