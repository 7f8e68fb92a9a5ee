"""What keys, buttons and forms of Prepare do, each under its word; what cannot be right is raised and said on the page."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from decussa.compose import preparing, signing
from decussa.model.errors import UsageError
from decussa.protocol.screening import TOPICS
from decussa.screen.language import phrase
from decussa.screen.prepare_forms import ALLOWS
from decussa.screen.prepare_signals import act_on_signals
from decussa.session.preparation import EARS, SECOND
from decussa.store.preparing import Decision

if TYPE_CHECKING:
    from decussa.screen.prepare_page import PreparePage

_DECISIONS: tuple[Decision, ...] = ("may take part", "may not take part")


def nothing(page: PreparePage, rest: str, fields: Mapping[str, str]) -> None:
    """An act that no page of ours sends is dropped."""


def _form(page: PreparePage, name: str, _: Mapping[str, str]) -> None:
    page.open_form(name)


def _close(page: PreparePage, _: str, __: Mapping[str, str]) -> None:
    page.open_form("")
    page.changing = False


def _change(page: PreparePage, _: str, __: Mapping[str, str]) -> None:
    page.changing = not page.changing


def _open_item(page: PreparePage, name: str, _: Mapping[str, str]) -> None:
    """Settle an item at once where nothing has to be typed, else open its form."""
    item = next((item for item in page.prepared.preparation.items if item.key == name), None)
    if item is None:
        return
    page.acting()
    if item.form == "signals":
        page.open_form("signals")
    elif item.form == "screening":
        page.open_form("sign" if item.state == "to be signed" and not page.changing else "screening")
    elif item.form == "confirm" and item.key not in (EARS, SECOND) and not item.may_pass and not page.changing:
        preparing.confirm(page.prepared.folder, page.prepared.session, page.acting(), name)
    else:
        page.open_form("item", name)


def _done(page: PreparePage) -> None:
    page.open_form("")
    page.changing = False


def _who(page: PreparePage, _: str, fields: Mapping[str, str]) -> None:
    page.know(preparing.who_acts(page.prepared.folder, fields.get("code", ""), fields.get("pin", "")))
    _done(page)


def _note(page: PreparePage, _: str, fields: Mapping[str, str]) -> None:
    preparing.write_note(page.prepared.folder, page.prepared.session, page.acting(), fields.get("text", ""))
    _done(page)


def _consent(page: PreparePage, _: str, fields: Mapping[str, str]) -> None:
    allows = tuple(name for place, name in enumerate(ALLOWS) if fields.get(f"allow {place}") == "yes")
    given = (fields.get("form", ""), fields.get("day", ""), allows)
    preparing.sign_consent(page.prepared.folder, page.prepared.session, page.acting(), *given)
    _done(page)


def _screening(page: PreparePage, _: str, fields: Mapping[str, str]) -> None:
    answers = {topic.key: fields.get(f"is {topic.key}", "") for topic in TOPICS}
    words = {topic.key: said for topic in TOPICS if (said := fields.get(f"say {topic.key}", "").strip()[:400])}
    signing.keep_answers(page.prepared.folder, page.prepared.session, page.acting(), answers, words)
    _done(page)


def _sign(page: PreparePage, _: str, fields: Mapping[str, str]) -> None:
    decision = next((one for one in _DECISIONS if one == fields.get("decision")), None)
    if decision is None:
        raise UsageError("nothing is decided", expected=" or ".join(_DECISIONS))
    signer = (fields.get("code", ""), fields.get("pin", ""))
    signing.sign_decision(page.prepared.folder, page.prepared.session, *signer, decision, fields.get("reason", ""))
    _done(page)


def _electrodes(page: PreparePage, muscle: str, fields: Mapping[str, str]) -> None:
    words = (fields.get("placement", ""), fields.get("skin", ""))
    numbers = (_number(fields, "distance"), _number(fields, "impedance"))
    preparing.note_electrodes(page.prepared.folder, page.prepared.session, page.acting(), muscle, *words, *numbers)
    _done(page)


def _head(page: PreparePage, _: str, fields: Mapping[str, str]) -> None:
    arcs = (_number(fields, "nasion"), _number(fields, "ears"))
    preparing.measure_head(page.prepared.folder, page.prepared.session, page.acting(), *arcs)
    _done(page)


def _person(page: PreparePage, _: str, fields: Mapping[str, str]) -> None:
    described = (_number(fields, "height"), fields.get("hand", ""))
    preparing.describe_person(page.prepared.folder, page.prepared.session, page.acting(), *described)
    _done(page)


def _confirm(page: PreparePage, item: str, fields: Mapping[str, str]) -> None:
    note = fields.get("note", "")
    if item == EARS:
        note = phrase(
            "participant: {one}; operator: {two}", one=fields.get("participant", ""), two=fields.get("operator", "")
        )
    preparing.confirm(page.prepared.folder, page.prepared.session, page.acting(), item, note)
    _done(page)


def _pass(page: PreparePage, item: str, fields: Mapping[str, str]) -> None:
    signer = (fields.get("code", ""), fields.get("pin", ""))
    signing.waive(page.prepared.folder, page.prepared.session, *signer, item, fields.get("reason", ""))
    _done(page)


def _back(page: PreparePage, item: str, _: Mapping[str, str]) -> None:
    preparing.take_back(page.prepared.folder, page.prepared.session, page.acting(), item)
    _done(page)


def _first_pulse(page: PreparePage, _: str, __: Mapping[str, str]) -> None:
    page.go_to_run()


def _number(fields: Mapping[str, str], name: str) -> float:
    """Return a typed number; NaN where nothing was typed."""
    typed = fields.get(name, "").strip().replace(",", ".")
    if not typed:
        return math.nan
    try:
        return float(typed)
    except ValueError as error:
        raise UsageError("number cannot be read", where=name, expected="such as 36.5", found=repr(typed)) from error


_Do = Callable[["PreparePage", str, Mapping[str, str]], None]
ACTS: Mapping[str, _Do] = {
    "form": _form,
    "close": _close,
    "change": _change,
    "item": _open_item,
    "who": _who,
    "note": _note,
    "consent": _consent,
    "screening": _screening,
    "sign": _sign,
    "electrodes": _electrodes,
    "head": _head,
    "person": _person,
    "confirm": _confirm,
    "pass": _pass,
    "back": _back,
    "first": _first_pulse,
    "signals": act_on_signals,
}
