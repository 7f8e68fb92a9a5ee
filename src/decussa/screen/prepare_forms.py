"""The forms of Prepare: consent, screening, signature, electrodes, head, height, what is confirmed, and passing what is open."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime

from decussa.compose.preparing import PreparedSession
from decussa.protocol.head import EAR_TO_EAR_CM, NASION_INION_CM
from decussa.screen.language import phrase
from decussa.screen.marks import text
from decussa.screen.prepare_figures import electrode_figure, head_figure, view_of_sketch
from decussa.screen.prepare_screening import signer
from decussa.screen.study_forms import choice, field, form_plate, identity, picks, submit
from decussa.session.preparation import EARS, SECOND, Item

#: What consent may allow besides taking part.
ALLOWS = ("sharing of data", "photographs and video", "being told of chance findings", "being asked again")
_EARS = ("foam plugs", "ear muffs", "plugs and muffs")


def who_form(prepared: PreparedSession, problem: str) -> str:
    """Return the form for who prepares."""
    return form_plate(
        phrase("Who prepares"),
        f'<form data-act="who">{identity(prepared.operators, focus=True)}{submit(phrase("That is me"))}</form>',
        problem,
    )


def note_form(problem: str) -> str:
    """Return the form for a note."""
    note = phrase("No names. It is written into the journal with the time.")
    seen = field("text", phrase("What happened or was seen"), most=400, more="required", focus=True, note=note)
    inner = f'<form data-act="note">{seen}'
    return form_plate(phrase("Note"), f"{inner}{submit(phrase('Write'))}</form>", problem)


def item_form(prepared: PreparedSession, item: Item, problem: str) -> str:
    """Return the form that settles an item, with the way to pass it or take it back where there is one."""
    made: Mapping[str, Callable[[PreparedSession, Item], str]] = {
        "consent": _consent,
        "electrodes": _electrodes,
        "head": _head,
        "person": _person,
        "confirm": _confirm,
    }
    inner = made[item.form](prepared, item)
    if item.state in ("done", "passed"):
        gone = phrase("It no longer holds")
        inner += f'<button type="button" class="btn small" data-act="back {text(item.key)}">{gone}</button>'
    elif item.may_pass:
        inner += _pass(prepared, item)
    return form_plate(phrase(item.title), inner, problem)


def _consent(prepared: PreparedSession, _: Item) -> str:
    today = datetime.now().astimezone().date().isoformat()
    earlier = prepared.earlier_consent
    form, day = (earlier.form, earlier.signed_on) if earlier else ("", today)
    allowed = earlier.allows if earlier else ()
    said = (
        phrase("Proposed from an earlier session of this participant: check that it still holds.")
        if earlier
        else phrase("The signed form stays with you; its version and day are written down.")
    )
    ticks = "".join(
        f'<label class="pick"><input type="checkbox" name="allow {place}" value="yes"{" checked" if name in allowed else ""}> '
        f"{text(phrase(name))}</label>"
        for place, name in enumerate(ALLOWS)
    )
    version = field("form", phrase("Version of the form"), most=20, more=f'required value="{text(form)}"', focus=True)
    signed = field("day", phrase("Signed on"), kind="date", more=f'required max="{today}" value="{text(day)}"')
    return (
        f'<p class="under">{said}</p><form data-act="consent">{version}{signed}'
        f"<fieldset><legend>{phrase('It also allows')}</legend>{ticks}</fieldset>{submit(phrase('Signed'))}</form>"
    )


def _electrodes(prepared: PreparedSession, item: Item) -> str:
    muscle = next(one for one in prepared.protocol.muscles if one.label == item.key)
    rule = phrase("Shave, clean with alcohol and let it evaporate; no abrasion on damaged skin; fix the cables.")
    spots = field(
        "placement",
        phrase("Placement"),
        most=400,
        more=f'required value="{text(muscle.electrodes)}"',
        focus=True,
        note=rule,
    )
    skin = field("skin", phrase("Skin"), most=200, more=f'value="{phrase("shaved, cleaned with alcohol")}"')
    number = 'min="0" step="any"'
    apart = field("distance", phrase("Distance, mm"), kind="number", more=number)
    contact = field("impedance", phrase("Impedance, kΩ"), kind="number", more=number)
    figure = electrode_figure(item.key)
    drawn = (
        f'<figure class="drawn"><figcaption>{text(view_of_sketch(item.key))}</figcaption>{figure}</figure>'
        if figure
        else ""
    )
    return (
        f'{drawn}<form data-act="electrodes {text(item.key)}">{spots}{skin}<div class="pair2"><div>{apart}</div>'
        f"<div>{contact}</div></div>{submit(phrase('On'))}</form>"
    )


def _head(prepared: PreparedSession, _: Item) -> str:
    head = prepared.preparation.head
    rule = phrase("By tape over the skin. The vertex is half of both arcs: mark it, then measure once more.")
    fields = []
    for name, label, (low, high), value in (
        ("nasion", phrase("Nasion to inion, cm"), NASION_INION_CM, head.nasion_inion_cm if head else None),
        (
            "ears",
            phrase("Left to right tragus over the vertex, cm"),
            EAR_TO_EAR_CM,
            head.ear_to_ear_cm if head else None,
        ),
    ):
        shown = f' value="{value:g}"' if value is not None else ""
        span = f'min="{low:g}" max="{high:g}" step="0.1" required{shown}'
        fields.append(field(name, label, kind="number", more=span, focus=name == "nasion"))
    figure = head_figure(prepared.protocol, head, site_is_open=False)
    return (
        f'<p class="under">{rule}</p><form data-act="head">{"".join(fields)}{submit(phrase("Measured and marked"))}</form>'
        f'<figure class="drawn">{figure}</figure>'
    )


def _person(_: PreparedSession, __: Item) -> str:
    hands = [("", phrase("not known")), *((one, phrase(one)) for one in ("right", "left", "both"))]
    span = 'min="100" max="230" step="0.5"'
    height = field("height", phrase("Height, cm"), kind="number", more=span, focus=True)
    return f'<form data-act="person">{height}{choice("hand", phrase("Preferred hand"), hands)}{submit(phrase("Write"))}</form>'


def _confirm(prepared: PreparedSession, item: Item) -> str:
    if item.key == EARS:
        kinds = [(one, phrase(one)) for one in _EARS]
        inner = picks("participant", phrase("Participant"), kinds, focus=True)
        inner += picks("operator", phrase("Operator and second person"), kinds)
    elif item.key == SECOND and len(prepared.operators) > 1:
        known = [(one.code, f"{one.code}, {one.name}") for one in prepared.operators]
        inner = picks("note", phrase("Second trained person, not yourself"), known, focus=True)
    elif item.key == SECOND:
        note = phrase("Their code, not yours. A participant is never left alone.")
        inner = field("note", phrase("Second trained person"), most=12, more="required", focus=True, note=note)
    else:
        inner = field("note", phrase("Note, where needed"), most=400, focus=True)
    form = f'<form data-act="confirm {text(item.key)}">{inner}{submit(phrase("It holds"))}</form>'
    return f'<p class="under">{text(item.note)}</p>{form}'


def _pass(prepared: PreparedSession, item: Item) -> str:
    """Return the way to pass an item that does not hold: who may, by name, PIN and reason."""
    roles = ", ".join(phrase(role) for role in item.may_pass)
    entitled = [one for one in prepared.operators if one.role in item.may_pass]
    if not entitled:
        said = phrase("May be passed by: {roles}. Nobody with this role was added on the study page.", roles=roles)
        return f'<details><summary>{phrase("It does not hold")}</summary><p class="under">{text(said)}</p></details>'
    reason = field("reason", phrase("Why it is passed"), most=400, more="required")
    said = phrase("May be passed by: {roles}. It is written down and said in the report.", roles=roles)
    return (
        f'<details><summary>{phrase("It does not hold")}</summary><form data-act="pass {text(item.key)}">'
        f'<p class="under">{text(said)}</p>'
        f'{signer(entitled)}{reason}<button type="submit" class="btn">{phrase("Pass")}</button></form></details>'
    )
