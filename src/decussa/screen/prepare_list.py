"""The list of what comes before the first pulse: a shape and a word for each item, what was found, and whose code did it."""

from __future__ import annotations

from collections.abc import Mapping

from decussa.compose.preparing import PreparedSession
from decussa.screen.language import phrase
from decussa.screen.marks import cap, say, text
from decussa.screen.places import RUN, address
from decussa.session.preparation import NOT_VERIFIED, Item, ItemState
from decussa.store.operators import Identity

_SIGNS: Mapping[ItemState, str] = {
    "done": "done",
    "open": "open",
    "to be signed": "doubtful",
    "refused": "halt",
    "passed": "doubtful",
}


def lead(prepared: PreparedSession) -> str:
    """Return how many things are open, as a sentence that can be read from afar."""
    waiting, items = prepared.preparation.open_items, prepared.preparation.items
    needed = [item for item in items if not item.optional]
    refused = [item for item in waiting if item.state == "refused"]
    if refused:
        first = phrase("No pulse today: {what}.", what=refused[0].title.lower())
    elif not waiting:
        first = phrase("Nothing is open before the first pulse.")
    elif len(waiting) == 1:
        first = phrase("One thing is open before the first pulse.")
    else:
        first = phrase("{count} things are open before the first pulse.", count=_count(len(waiting)))
    more = phrase(
        "{done} of {all} are done. No step with pulses opens until all are; what was decided is written down with code and time.",
        done=len(needed) - len(waiting),
        all=len(needed),
    )
    return f'<p class="lead">{text(first)}</p><p class="under">{text(more)}</p>'


def _count(number: int) -> str:
    words = ("No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten", "Eleven", "Twelve")
    return phrase(words[number]) if number < len(words) else str(number)


def item_list(prepared: PreparedSession, who: Identity | None, *, changing: bool, focus: bool) -> str:
    """Return all groups with their items; while ``changing`` what is done can be opened again, too.

    ``focus``: the next open item takes the keyboard.
    """
    groups: dict[str, list[str]] = {}
    waiting = [item.key for item in prepared.preparation.open_items]
    first = waiting[0] if waiting else ""
    if prepared.operators:
        groups[phrase("At the desk")] = [_who_row(prepared, who, focus=focus)]
        first = first if who is not None else ""
    for item in prepared.preparation.items:
        groups.setdefault(item.group, []).append(_row(item, is_first=focus and item.key == first, changing=changing))
    return "".join(
        f'<section class="grp"><h2>{text(phrase(group))}</h2><ul>{"".join(rows)}</ul></section>'
        for group, rows in groups.items()
    )


def _who_row(prepared: PreparedSession, who: Identity | None, *, focus: bool) -> str:
    if who is None:
        return _line(
            "open", phrase("open"), phrase("Who prepares"), phrase("code and PIN"), act="form who", focus=focus
        )
    name = next((one.name for one in prepared.operators if one.code == who.code), who.code)
    note = name if who.verified else f"{name}; {phrase(NOT_VERIFIED)}"
    return _line("done", phrase("done"), phrase("Who prepares"), f"{who.code}, {note}", act="form who")


def _row(item: Item, *, is_first: bool, changing: bool) -> str:
    settled = item.state in ("done", "passed")
    by = ""
    if settled and item.by:
        by = item.by if item.verified else f"{item.by}, {phrase(NOT_VERIFIED)}"
    elif settled:
        by = phrase(NOT_VERIFIED)
    word = phrase("wanted") if item.optional and item.state == "open" else phrase(item.state)
    act = "" if settled and not changing else f"item {item.key}"
    return _line(
        _SIGNS[item.state], word, phrase(item.title), item.note, by=by, act=act, focus=is_first and not changing
    )


def _line(sign: str, word: str, title: str, note: str, *, by: str = "", act: str = "", focus: bool = False) -> str:
    waits = sign in ("open", "doubtful", "halt") and act
    inner = (
        f"{say(sign, word)}<span class='w'><b>{text(title)}</b> <small>{text(note)}</small>"
        f"{f'<small class=by>{text(by)}</small>' if by else ''}</span>"
    )
    if not act:
        return f'<li class="g {sign}">{inner}</li>'
    return (
        f'<li class="g {sign}{" waits" if waits else ""}"><button type="button" data-act="{text(act)}"'
        f"{' data-focus' if focus else ''}>{inner}</button></li>"
    )


def limits(prepared: PreparedSession) -> str:
    """Return what is never exceeded today, and whose limits come first."""
    rule = prepared.protocol.limits
    said = phrase(
        "Never exceed the limits given by the manufacturers of stimulator and coil, or those of your approval. Where this "
        "program’s default is higher, the lower limit holds. Today: {ceiling} % MSO, {interval} s, {pulses} pulses.",
        ceiling=f"{rule.ceiling_mso:g}",
        interval=f"{rule.least_interval_s:g}",
        pulses=rule.pulse_total,
    )
    more = [
        phrase(
            "Intervals shorter than the approved minimum turn single pulses into repetitive stimulation, "
            "which needs a different approval."
        )
    ]
    if any(step.kind == "mmax" for step in prepared.protocol.steps):
        more.append(
            phrase(
                "Nerve stimulation: not with implanted electronic devices or across the chest. Raise current slowly. "
                "Stop on request."
            )
        )
    if prepared.protocol.people.group == "patients":
        more.append(phrase("Use in patients only under supervision of licensed professionals."))
    return f'<p class="lim">{text(said)}</p>' + "".join(f'<p class="under">{text(one)}</p>' for one in more)


def first_pulse(prepared: PreparedSession) -> str:
    """Return the way to Run, or why it is closed."""
    waiting = prepared.preparation.open_items
    if waiting:
        said = (
            phrase("closed: 1 item open")
            if len(waiting) == 1
            else phrase("closed: {count} items open", count=len(waiting))
        )
        return f'<span class="small">{said}</span><span class="btn off" aria-disabled="true">{phrase("First pulse")}</span>'
    to = address(RUN, prepared.folder.name, prepared.session)
    return f'<a class="btn go" href="{text(to)}">{phrase("First pulse")} {cap("G")}</a>'
