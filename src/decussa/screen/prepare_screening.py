"""The screening on the page: every topic, what it flagged, and the signature of who is entitled to judge it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from decussa.compose.preparing import PreparedSession
from decussa.compose.signing import SIGNERS
from decussa.protocol.screening import FORM_VERSION, TOPICS, ScreeningResult, Topic
from decussa.screen.language import phrase
from decussa.screen.marks import cap, text
from decussa.screen.study_forms import choice, field, form_plate, submit
from decussa.session.preparation import NOT_VERIFIED
from decussa.store.operators import KnownOperator

#: The result of a screening, and what it is not.
REMINDER = (
    "The result is a reminder built from answers, not a clearance. Any flagged answer must be judged and signed by the "
    "responsible physician or principal investigator before stimulation."
)

#: What a screening flagged, with the words to it; None where nothing is to be judged.
Flagged = tuple[ScreeningResult, Mapping[str, str]] | None


def signer(people: Sequence[KnownOperator]) -> str:
    """Return the fields for a signature: the name, and the personal PIN."""
    options = [
        (one.code, f"{one.name}, {phrase(one.role)}" + ("" if one.has_pin else f" ({phrase(NOT_VERIFIED)})"))
        for one in people
    ]
    pin = field("pin", phrase("Personal PIN"), kind="password", most=64, note=phrase("Empty where none is set up."))
    return choice("code", phrase("Name"), options) + pin


def screening_form(problem: str) -> str:
    """Return the whole screening, by topic; what is flagged asks for a few words."""
    groups: dict[str, list[str]] = {}
    for topic in TOPICS:
        groups.setdefault(topic.group, []).append(_topic(topic, first=topic is TOPICS[0]))
    inner = "".join(
        f'<fieldset class="topics"><legend>{text(phrase(group))}</legend>{"".join(rows)}</fieldset>'
        for group, rows in groups.items()
    )
    said = phrase(
        "Ask every question, every visit. Answers stay in the private file of this computer; the study keeps the outcome."
    )
    title = phrase("Screening, form {version}", version=FORM_VERSION)
    count = phrase("{count} questions", count=len(TOPICS))
    form = f'<form data-act="screening" class="screening">{inner}{submit(phrase("All asked"))}</form>'
    return form_plate(title, f'<p class="under">{said} {count}.</p>{form}', problem)


def _topic(topic: Topic, *, first: bool) -> str:
    picks = "".join(
        f'<label class="pick"><input type="radio" name="is {text(topic.key)}" value="{answer}" required'
        f"{' data-flags' if topic.class_of(answer, 'volunteers') != 'go' or topic.class_of(answer, 'patients') != 'go' else ''}"
        f"{' data-focus' if first and answer == 'no' else ''}> {text(words)}</label>"
        for answer, words in (("no", phrase("no")), ("yes", phrase("yes")), ("not known", phrase("not known")))
    )
    name = f"say {topic.key}"
    asked = phrase("What, when, how often")
    words = f'<label class="words">{asked}<input name="{text(name)}" maxlength="400" autocomplete="off"></label>'
    return (
        f'<div class="topic" role="radiogroup" aria-label="{text(phrase(topic.name))}"><p><b>{text(phrase(topic.name))}</b> '
        f'<span>{text(phrase(topic.question))}</span></p><div class="picks">{picks}</div>{words}</div>'
    )


def signature_plate(prepared: PreparedSession, flagged: Flagged) -> str:
    """Return what needs a signature, to be seen beside the list; empty where nothing does."""
    item = next(one for one in prepared.preparation.items if one.key == "screening")
    if item.state not in ("to be signed", "refused"):
        return ""
    names = _flag_lines(flagged)
    if item.state == "refused":
        head, act = phrase("No stimulation today"), ""
        said = phrase("This program opens no step with pulses. Thank the participant; nobody has to say why.")
    else:
        head, said = phrase("Needs a signature"), phrase(REMINDER)
        act = f'<button type="button" class="btn" data-act="form sign">{phrase("Sign")} {cap("I")}</button>'
    return (
        f'<div class="plate"><div class="head"><h2>{head}</h2></div><div class="ask {"halt" if not act else ""}">'
        f"<div>{names}<p>{text(said)}</p></div>{act}</div></div>"
    )


def _flag_lines(flagged: Flagged) -> str:
    if flagged is None:
        return ""
    result, words = flagged
    return "".join(
        f"<p><b>{text(phrase(flag.topic.name))}: {text(phrase(flag.answer))}.</b> {text(words.get(flag.topic.key, ''))}</p>"
        for flag in result.flags
    )


def sign_form(prepared: PreparedSession, flagged: Flagged, problem: str) -> str:
    """Return the form by which somebody entitled judges flagged answers and signs."""
    roles = SIGNERS[prepared.protocol.people.group]
    entitled = [one for one in prepared.operators if one.role in roles]
    said = f'<p class="under">{text(phrase(REMINDER))}</p>{_flag_lines(flagged)}'
    if not entitled:
        missing = phrase("Nobody with the role {roles} was added on the study page.", roles=" / ".join(roles))
        return form_plate(phrase("Sign"), f'{said}<p class="mindbar">{text(missing)}</p>', problem)
    picks = "".join(
        f'<label class="pick"><input type="radio" name="decision" value="{value}" required{first}> {words}</label>'
        for value, words, first in (
            ("may take part", phrase("may take part today"), " data-focus"),
            ("may not take part", phrase("may not take part"), ""),
        )
    )
    why_note = phrase("Stays in the private file.")
    reason = field("reason", phrase("What was weighed"), most=400, more="required", note=why_note)
    inner = (
        f'{said}<form data-act="sign"><fieldset><legend>{phrase("Decision")}</legend>{picks}</fieldset>{reason}'
        f"{signer(entitled)}{submit(phrase('Sign'))}</form>"
    )
    return form_plate(phrase("Sign"), inner, problem)
