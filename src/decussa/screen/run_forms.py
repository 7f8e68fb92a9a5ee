"""The forms of Run that lie over the paper on the right; what to do now stays in sight beside them."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from decussa.compose.preparing import known_operators
from decussa.screen.language import phrase
from decussa.screen.marks import button, cap, plate, text
from decussa.screen.run_keys import all_keys
from decussa.screen.run_sheet import field
from decussa.screen.running import LiveSession
from decussa.screen.study_forms import identity, submit
from decussa.screen.words import step_title


def form_of(live: LiveSession, sheet: str, problem: str) -> str:
    """Return the form of that name, with what was wrong with its last answer; empty where none is open."""
    return _FORMS[sheet](live, problem) if sheet in _FORMS else ""


def is_form(sheet: str) -> bool:
    """Whether there is a form of that name."""
    return sheet in _FORMS


def _plate(title: str, inner: str, problem: str) -> str:
    said = f'<p class="mindbar" role="alert">{text(problem)}</p>' if problem else ""
    return plate(title, button(phrase("Close"), "close", cap_="Esc", kind="small"), said + inner, kind="form")


def _note(live: LiveSession, problem: str) -> str:  # noqa: ARG001 the words are the same for everybody
    inner = (
        f'<form data-act="note"><label for="note">{phrase("What happened or was seen")}</label>'
        f'<input id="note" name="text" maxlength="500" required data-focus autocomplete="off">'
        f'<p class="under">{phrase("No names. It is written into the journal with the time.")}</p>'
        f'<button type="submit" class="btn go">{phrase("Write")} {cap("Enter")}</button></form>'
    )
    return _plate(phrase("Note"), inner, problem)


def _tolerance(live: LiveSession, problem: str) -> str:
    stop = live.protocol.limits.discomfort_stop
    said = phrase("How uncomfortable was the last pulse? 0 not at all, 10 unbearable.")
    rule = phrase("From {stop} on the session is held and you decide.", stop=stop)
    span = 'min="0" max="10" step="1"'
    inner = (
        f'<p class="lead">{said}</p><p class="under">{rule}</p>'
        f"{field('tolerance', said, unit=phrase('of 10'), span=span, answer=phrase('Write'), key=live.view.entry)}"
    )
    return _plate(phrase("Tolerance"), inner, problem)


def _adverse(live: LiveSession, problem: str) -> str:  # noqa: ARG001 the words are the same for everybody
    grades = (
        ("mild", phrase("mild: noticed, no care needed")),
        ("moderate", phrase("moderate: care needed, session ends")),
        ("severe", phrase("severe: medical help")),
    )
    radios = "".join(
        f'<label class="pick"><input type="radio" name="severity" value="{name}" required> {words}</label>'
        for name, words in grades
    )
    first = phrase("Care for the person first; log later. The session is held: nothing is asked for until you go on.")
    inner = (
        f'<p class="under">{first}</p><form data-act="adverse"><label for="event">{phrase("What happened")}</label>'
        '<input id="event" name="event" maxlength="500" required data-focus autocomplete="off">'
        f"<fieldset><legend>{phrase('How bad')}</legend>{radios}</fieldset>"
        f'<label for="action">{phrase("What was done")}</label>'
        '<input id="action" name="action" maxlength="500" required autocomplete="off">'
        f'<button type="submit" class="btn go">{phrase("Write")} {cap("Enter")}</button></form>'
    )
    return _plate(phrase("Adverse event"), inner, problem)


def _aid(live: LiveSession, problem: str) -> str:  # noqa: ARG001 the words are the same for everybody
    cases = (
        (
            phrase("Pale, warm, sick, vision narrows, slumps"),
            phrase(
                "A faint. Coil away. Lay the person flat, raise the legs, check breathing and pulse, stay. Short jerks can be "
                "part of a faint. No further pulse today; a physician sees the person before any return."
            ),
        ),
        (
            phrase("Stiffens, then jerks; eyes or head turn; no answer"),
            phrase(
                "A seizure. Coil away. Call the emergency number. Protect from injury, nothing in the mouth, note the time. "
                "When it ends, recovery position, stay until help is there. The person does not go home alone."
            ),
        ),
        (
            phrase("Headache, neck pain, ringing ears, anything else"),
            phrase(
                "Coil away. Ask, look, write it down. Ringing or dull hearing: no further pulse today. When in doubt, end the "
                "session."
            ),
        ),
    )
    rows = "".join(f"<dt>{sign}</dt><dd>{act}</dd>" for sign, act in cases)
    rule = phrase("A reminder for trained people; the rules of your site and of first aid where you are come first.")
    return _plate(phrase("First aid"), f'<dl class="aid">{rows}</dl><p class="under">{rule}</p>', problem)


def _operator(live: LiveSession, problem: str) -> str:
    said = phrase(
        "What is written from now on stands under this code. That another operator goes on is written down, too."
    )
    who = identity(known_operators(live.folder), focus=True)
    inner = f'<p class="under">{said}</p><form data-act="operator">{who}{submit(phrase("That is me"))}</form>'
    return _plate(phrase("Another operator"), inner, problem)


def _keys(live: LiveSession, problem: str) -> str:  # noqa: ARG001 the words are the same for everybody
    return _plate(phrase("All keys"), all_keys(), problem)


def _skip(live: LiveSession, problem: str) -> str:
    said = phrase(
        "“{step}” ends here without a result; later steps that need it will say so.", step=step_title(live.view.step)
    )
    return _plate(phrase("Skip this step"), _reason("leave step skip", said, phrase("Skip")), problem)


def _redo(live: LiveSession, problem: str) -> str:
    said = phrase(
        "“{step}” begins again. What was given so far stays written and counts for the limits.", step=live.view.step
    )
    return _plate(phrase("Do this step again"), _reason("leave step redo", said, phrase("Do again")), problem)


def _end(live: LiveSession, problem: str) -> str:  # noqa: ARG001 the words are the same for everybody
    said = phrase("The session ends here. Everything is written; it can be opened again at the same place.")
    return _plate(phrase("End session"), _reason("end", said, phrase("End session")), problem)


def _reason(act: str, said: str, words: str) -> str:
    return (
        f'<form data-act="{act}"><p class="under">{text(said)}</p><label for="reason">{phrase("Why")}</label>'
        '<input id="reason" name="reason" maxlength="500" data-focus autocomplete="off">'
        f'<button type="submit" class="btn go">{text(words)} {cap("Enter")}</button></form>'
    )


def _seen(live: LiveSession, problem: str) -> str:
    said = phrase("Which peak-to-peak was seen for pulse {number}?", number=live.turn.stimulus)
    span = 'min="0" step="any"'
    inner = field("outcome seen", said, unit="µV", span=span, answer=phrase("Write"), key=live.turn.number)
    return _plate(said, inner, problem)


_FORMS: Mapping[str, Callable[[LiveSession, str], str]] = {
    "note": _note,
    "tolerance": _tolerance,
    "adverse": _adverse,
    "aid": _aid,
    "operator": _operator,
    "keys": _keys,
    "skip": _skip,
    "redo": _redo,
    "end": _end,
    "seen": _seen,
}
