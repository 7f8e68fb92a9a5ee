"""What a key, button or form of Run does: each becomes a word to the engine's operator, or a form that opens."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from decussa.compose.preparing import who_acts
from decussa.model.dialogue import Ask, Deliver, Lost
from decussa.model.errors import DecussaError, UsageError
from decussa.model.trial import VERDICTS
from decussa.screen.hands import Act
from decussa.screen.language import phrase
from decussa.screen.operator import GO, seen_elsewhere
from decussa.screen.run_sheet import open_gates
from decussa.screen.running import LiveSession
from decussa.screen.words import without_paths
from decussa.session.limits import GATES
from decussa.session.operator import ALARM, NO_EVENT, Hold, LeaveStep, Stop, Write, verdict_said
from decussa.session.preparation import NOT_VERIFIED
from decussa.store.operators import Identity
from decussa.store.records import AdverseEvent, Correction, Remark, Tolerance

#: What may be done whatever turn the page showed: it belongs to the session, not to one stimulus.
_ANY_TURN = {"stop", "note", "tolerance", "adverse", "no event", "begin", "gate", "operator"}


def carry_out(live: LiveSession, act: Act) -> str:
    """Do what was meant; return what was wrong with it, empty where nothing was.

    What was meant for a turn that is over is dropped: a second window, or a second press, has been there before.
    """
    name = next((name for name in _LONGEST_FIRST if act.name == name or act.name.startswith(f"{name} ")), "")
    if not name:
        return ""
    if name not in _ANY_TURN and act.turn != live.turn.number:
        return _moved_on()
    return _ACTS[name](live, act, act.name.removeprefix(name).strip())


def act_as(live: LiveSession, who: Identity) -> None:
    """Have what is written from now on stand under the code of ``who``; that somebody else goes on is itself written down.

    A session begins under the code of whoever prepared it. In a rehearsal nobody is stimulated, and no note is made.
    """
    if not live.running or not who.code or who.code == live.operator.acting:
        return
    live.operator.acting = who.code
    if not live.rehearsal:
        said = f"goes on as operator ({'PIN given' if who.verified else NOT_VERIFIED})"
        live.operator.want(Write(Remark(text=said, operator=who.code)))


def _operator(live: LiveSession, act: Act, rest: str) -> str:  # noqa: ARG001
    try:
        who = who_acts(live.folder, act.fields.get("code", ""), act.fields.get("pin", ""))
    except DecussaError as error:
        return without_paths(error.sentence())
    act_as(live, who)
    return "" if who.code else phrase("Nobody who works here was added: identity not verified.")


def _moved_on() -> str:
    return phrase("The session has moved on meanwhile; nothing was done.")


def _begin(live: LiveSession, act: Act, rest: str) -> str:
    if "way" in act.fields:
        try:
            live.choose(act.fields["way"], act.fields.get("folder", ""))
        except UsageError as error:
            return error.sentence()
    live.go_on(fresh=rest == "fresh")
    return ""


def _gate(live: LiveSession, act: Act, rest: str) -> str:
    waiting = open_gates(live)
    if rest == "next":
        if act.turn != live.turn.number or not waiting:
            return _moved_on()
        live.operator.pass_gate(waiting[0])
    elif rest.isdigit() and 1 <= int(rest) <= len(GATES):
        live.operator.pass_gate(GATES[int(rest) - 1])
    return ""


def _leave(live: LiveSession, act: Act, rest: str) -> str:  # noqa: ARG001
    live.operator.want(Stop("left before the first pulse"))
    return ""


def _go(live: LiveSession, act: Act, rest: str) -> str:  # noqa: ARG001
    if not live.operator.say(act.turn, GO):
        return phrase("Not due yet: wait for the word Ready.")
    return ""


def _hold(live: LiveSession, act: Act, rest: str) -> str:  # noqa: ARG001
    live.operator.want(Hold())
    return ""


def _stop(live: LiveSession, act: Act, rest: str) -> str:  # noqa: ARG001
    if live.running and not live.operator.alarmed and not live.view.alarm:
        live.operator.want(Hold(ALARM))
    return ""


def _no_event(live: LiveSession, act: Act, rest: str) -> str:  # noqa: ARG001
    live.operator.want(Write(Remark(text=NO_EVENT, operator=live.operator.acting)))
    return ""


def _verdict(live: LiveSession, act: Act, rest: str) -> str:  # noqa: ARG001
    if rest not in VERDICTS or not live.view.given:
        return phrase("There is no sweep of this step to judge yet.")
    entry = live.view.given[-1].entry
    live.operator.want(Write(Correction(entry=entry, text=verdict_said(rest), operator=live.operator.acting)))
    return ""


def _note(live: LiveSession, act: Act, rest: str) -> str:  # noqa: ARG001
    words = act.fields.get("text", "").strip()
    if not words:
        return phrase("Nothing was written: the note is empty.")
    live.operator.want(Write(Remark(text=words, operator=live.operator.acting)))
    return ""


def _tolerance(live: LiveSession, act: Act, rest: str) -> str:  # noqa: ARG001
    rating = read_number(act.fields.get("value", ""))
    if not 0 <= rating <= 10:
        return phrase("A rating is a number from 0 to 10.")
    last = live.view.last_request
    level = last.stimulus.intensity_mso if last is not None else math.nan
    live.operator.want(Write(Tolerance(rating=rating, intensity_mso=level, text="said unasked")))
    stop = live.protocol.limits.discomfort_stop
    if rating >= stop:
        live.operator.want(Hold(f"discomfort {rating:g} of 10, the protocol holds from {stop} on"))
    return ""


def _adverse(live: LiveSession, act: Act, rest: str) -> str:  # noqa: ARG001
    event, severity, action = (act.fields.get(name, "").strip() for name in ("event", "severity", "action"))
    grades = {"mild": "mild", "moderate": "moderate", "severe": "severe"}
    if not event or not action or severity not in grades:
        return phrase("Three things are needed: what happened, how bad, what was done.")
    record = AdverseEvent(event=event, severity=severity, action=action, operator=live.operator.acting)  # type: ignore[arg-type]
    live.operator.want(Write(record))
    return ""


def hold_for_event(live: LiveSession) -> None:
    """Ask for nothing while an adverse event is written down."""
    if live.turn.kind == "request" and not live.operator.alarmed:
        live.operator.want(Hold("adverse event"))


def _leave_step(live: LiveSession, act: Act, rest: str) -> str:
    if rest == "skip":
        live.operator.want(LeaveStep("skip", act.fields.get("reason", "").strip()))
    elif rest == "redo":
        live.operator.want(LeaveStep("redo", act.fields.get("reason", "").strip()))
    return ""


def _end(live: LiveSession, act: Act, rest: str) -> str:  # noqa: ARG001
    live.operator.want(Stop(act.fields.get("reason", "").strip() or "ended by the operator"))
    return ""


def _answer(live: LiveSession, act: Act, rest: str) -> str:
    request = live.turn.request
    if not isinstance(request, Ask):
        return ""
    said: str | float
    if request.kind == "confirm":
        said = rest
        if said not in ("yes", "no"):
            return phrase("The answer is yes or no.")
    elif request.kind == "choice":
        place = int(rest) if rest.isdigit() else 0
        if not 1 <= place <= len(request.choices):
            return phrase("Choose one of the answers.")
        said = request.choices[place - 1]
    else:
        said = read_number(act.fields.get("value", ""))
        if math.isnan(said) or (request.kind == "rating" and not 0 <= said <= 10):
            return phrase("The answer is a number.")
    live.operator.say(act.turn, said)
    return ""


def _size(live: LiveSession, act: Act, rest: str) -> str:
    if rest == "lost":
        live.operator.say(act.turn, math.nan)
        return ""
    size = read_number(act.fields.get("value", ""))
    if not size >= 0:
        return phrase("A size is a number of microvolt, 0 where nothing was seen.")
    live.operator.say(act.turn, size)
    return ""


def _no_pulse(live: LiveSession, act: Act, rest: str) -> str:  # noqa: ARG001
    live.operator.give_up()
    return ""


def _outcome(live: LiveSession, act: Act, rest: str) -> str:
    turn = live.turn
    if not isinstance(turn.request, Deliver):
        return ""
    if rest == "seen":
        size = read_number(act.fields.get("value", ""))
        if not size >= 0:
            return phrase("A size is a number of microvolt, 0 where nothing was seen.")
        live.operator.say(act.turn, seen_elsewhere(turn.request, turn.stimulus, size))
    elif rest == "lost":
        live.operator.say(act.turn, Lost(given="given and lost", reason="said by the operator"))
    elif rest == "none":
        live.operator.say(act.turn, Lost(given="not given", reason="said by the operator"))
    return ""


def read_number(words: str) -> float:
    """Return a typed number, with a point or a comma; NaN where it is none."""
    try:
        value = float(words.strip().replace(",", "."))
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan


_ACTS: Mapping[str, Callable[[LiveSession, Act, str], str]] = {
    "begin": _begin,
    "gate": _gate,
    "leave": _leave,
    "go": _go,
    "hold": _hold,
    "stop": _stop,
    "no event": _no_event,
    "verdict": _verdict,
    "note": _note,
    "tolerance": _tolerance,
    "adverse": _adverse,
    "leave step": _leave_step,
    "end": _end,
    "answer": _answer,
    "size": _size,
    "outcome": _outcome,
    "no pulse": _no_pulse,
    "operator": _operator,
}
_LONGEST_FIRST = sorted(_ACTS, key=len, reverse=True)
