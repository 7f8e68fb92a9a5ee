"""The agreement page: how far two raters agree on verdicts and marks, with intervals."""

from __future__ import annotations

import math

from nicegui import run, ui

from decussa.compose.reviewed_trials import Agreement, MarkAgreement, agreement
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate
from decussa.model.trial import VERDICTS
from decussa.screen.hands import Hands, follow
from decussa.screen.language import phrase
from decussa.screen.marks import link, plate, text
from decussa.screen.places import READ, address, links_of
from decussa.screen.read_results import AGREEMENT
from decussa.screen.reading import Reading, Shelf, one_of
from decussa.screen.shell import PATIENCE_S, page_frame, who_words
from decussa.screen.words import interval, number, verdict_words

_MARKS = {
    "onset_ms": lambda: phrase("Onset"),
    "end_ms": lambda: phrase("End"),
    "silent_end_ms": lambda: phrase("Silence ends"),
}


def add_pages(shelf: Shelf) -> None:
    """Add the page on two raters."""

    @ui.page(AGREEMENT, response_timeout=PATIENCE_S)
    async def show(study: str, session: str, first: str = "", second: str = "") -> None:
        reading = await run.io_bound(shelf.session, study, session)
        if reading is None:
            return
        raters = tuple(reading.room.layers)
        if len(raters) < 2:
            raise UsageError("two raters are needed", found=f"{len(raters)}", do="let a second one review this session")
        one = one_of(first, raters, "rater")
        other = one_of(second, tuple(rater for rater in raters if rater != one), "rater")
        blind = [rater for rater in (one, other) if reading.room.layers[rater].blind]
        found = () if blind else await run.io_bound(_agreements, reading, one, other) or ()
        _show(reading, (one, other), blind, found)


def _agreements(reading: Reading, one: str, other: str) -> tuple[tuple[str, Agreement], ...]:
    room, layers = reading.room, reading.room.layers
    return tuple((muscle, agreement(room, layers[one], layers[other], muscle)) for muscle in room.muscles)


def _show(
    reading: Reading, raters: tuple[str, str], blind: list[str], found: tuple[tuple[str, Agreement], ...]
) -> None:
    places = links_of(reading.study, reading.session, rehearsal=reading.rehearsal)
    back = address(READ, reading.study, reading.session)
    with page_frame(phrase("Agreement"), "Read", places, rehearsal=reading.rehearsal) as head:
        head.set_content(who_words(reading.participant, reading.session, "", rehearsal=reading.rehearsal))
        lead = phrase("How far {one} and {other} agree", one=raters[0], other=raters[1])
        ways = link(phrase("Results"), back, "back", cap_="Esc")
        body = "".join(_muscle(muscle, one, several=len(found) > 1) for muscle, one in found)
        if blind:
            said = phrase("{who} reviews blind: the agreement is shown once they have looked.", who=", ".join(blind))
            body = f'<p class="why">{text(said)}</p>'
        note = phrase(
            "Both started from the same automatic marks, so they agree more than raters who mark from nothing would."
        )
        ui.html(
            f'<div class="topline"><div><p class="lead">{text(lead)}</p><p class="under">{text(note)}</p></div>'
            f'<div class="ways">{ways}</div></div>{body}',
            sanitize=False,
        ).classes("leaf")
        Hands(follow({"back": back})).hold({"Escape": "back"}, 0)


def _muscle(muscle: str, found: Agreement, *, several: bool) -> str:
    name = f", {muscle}" if several else ""
    seen = phrase(
        "{count} sweeps seen by both; blind: {one} {n}, {other} {m}",
        count=found.n,
        one=found.first,
        n=found.blind[0],
        other=found.second,
        m=found.blind[1],
    )
    if not found.n:
        return plate(
            phrase("Verdicts") + name, "", f'<p class="why">{text(phrase("No sweep was seen by both yet."))}</p>'
        )
    verdicts = plate(phrase("Verdicts") + name, text(seen), _cross(found) + _shares(found))
    marks = plate(phrase("Marks") + name, text(phrase("ms, 95 % intervals")), _marks(found))
    return f'<div class="halves"><div class="col">{marks}</div><div class="col">{verdicts}</div></div>'


def _cross(found: Agreement) -> str:
    head = "".join(f"<th scope='col'>{text(verdict_words(kind))}</th>" for kind in VERDICTS)
    rows = "".join(
        f"<tr><th scope='row'>{text(verdict_words(kind))}</th>"
        + "".join(f'<td class="{"same" if i == j else ""}">{count}</td>' for j, count in enumerate(found.verdicts[i]))
        + "</tr>"
        for i, kind in enumerate(VERDICTS)
    )
    corner = phrase("{one} down, {other} across", one=found.first, other=found.second)
    return f"<table class='cross'><thead><tr><th scope='col'>{text(corner)}</th>{head}</tr></thead><tbody>{rows}</tbody></table>"


def _shares(found: Agreement) -> str:
    rows = ((phrase("Same verdict"), found.share), (phrase("Kappa"), found.kappa))
    body = "".join(
        f"<tr><th scope='row'>{text(name)}</th><td class='v'>{_value(one, 2)}</td><td class='iv'>{interval(one, 2)}</td>"
        f"<td class='how'>{text(one.reason)}</td></tr>"
        for name, one in rows
    )
    return f"<table class='results'><tbody>{body}</tbody></table>"


def _marks(found: Agreement) -> str:
    if not found.marks:
        return f'<p class="why">{text(phrase("Neither has a mark on these sweeps."))}</p>'
    difference = phrase("Difference, {one} − {other}", one=found.first, other=found.second)
    heads = (phrase("Mark"), phrase("Both"), phrase("ICC(2,1)"), difference, phrase("95 % of differences lie between"))
    head = "".join(f"<th scope='col'>{text(one)}</th>" for one in heads)
    rows = "".join(_mark_row(mark, found) for mark in found.marks)
    return (
        f"<div class='scroll'><table class='results'><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>"
    )


def _mark_row(mark: MarkAgreement, found: Agreement) -> str:
    limits = mark.limits
    alone = [phrase("{count} moved", count=mark.moved)]
    alone += [
        phrase("{count} only by {rater}", count=count, rater=rater)
        for count, rater in ((mark.only_first, found.first), (mark.only_second, found.second))
        if count
    ]
    between = ""
    if math.isnan(limits.lower.low):
        between = f"<small>{text(limits.lower.reason)}</small>"
    else:
        between = (
            f"{number(limits.lower.value, 2)} <span class='iv'>{interval(limits.lower, 2)}</span> {text(phrase('and'))} "
            f"{number(limits.upper.value, 2)} <span class='iv'>{interval(limits.upper, 2)}</span>"
        )
    icc = f"<b>{_value(mark.icc, 3)}</b> <span class='iv'>{interval(mark.icc, 3)}</span>"
    icc += f"<br><small>{text(mark.icc.reason)}</small>" if mark.icc.reason else ""
    bias = f"<b>{_value(limits.bias, 2)}</b> <span class='iv'>{interval(limits.bias, 2)}</span>"
    return (
        f"<tr><th scope='row'>{text(_MARKS[mark.mark]())}</th><td>{mark.n}<br><small>{text(', '.join(alone))}</small></td>"
        f"<td>{icc}</td><td>{bias}</td><td>{between}</td></tr>"
    )


def _value(one: Estimate, digits: int) -> str:
    return "—" if math.isnan(one.value) else number(one.value, digits)
