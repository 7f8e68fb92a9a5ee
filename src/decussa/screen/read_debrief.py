"""The debrief of a rehearsal: what was found beside what was true, and what to mind next time."""

from __future__ import annotations

from typing import Any

from nicegui import run, ui

from decussa.compose.looking import read_debrief
from decussa.model.errors import UsageError
from decussa.report.debriefing import debrief_texts
from decussa.screen.hands import Hands, follow
from decussa.screen.language import phrase
from decussa.screen.marks import crossing, link, plate, say, text
from decussa.screen.places import DEBRIEF, READ, RUN, address, links_of
from decussa.screen.read_figures import truth_strip
from decussa.screen.read_review import review_address
from decussa.screen.reading import Reading, Shelf
from decussa.screen.shell import PATIENCE_S, page_frame, who_words
from decussa.session.debrief import Debrief

_HELD = {"inside": "accept", "outside": "doubtful", "not judged": "open"}


def add_pages(shelf: Shelf) -> None:
    """Add the debrief page of rehearsals."""

    @ui.page(DEBRIEF, response_timeout=PATIENCE_S)
    async def show(study: str, session: str) -> None:
        reading = await run.io_bound(shelf.session, study, session)
        if reading is None:
            return
        if not reading.rehearsal:
            raise UsageError("only a rehearsal has a truth to be held against", found=session)
        found = await run.io_bound(read_debrief, reading.room.folder, session)
        if found is not None:
            _show(reading, found)


def _show(reading: Reading, debrief: Debrief) -> None:
    places = links_of(reading.study, reading.session, rehearsal=True)
    to = {
        "read": address(READ, reading.study, reading.session),
        "review": review_address(reading),
        "run": address(RUN, reading.study, reading.session),
    }
    texts = debrief_texts(debrief)
    with page_frame(phrase("Debrief"), "Read", places, rehearsal=True) as head:
        apart = phrase("kept apart from the study")
        head.set_content(who_words(reading.participant, phrase("virtual"), apart, rehearsal=True))
        title = reading.room.protocol.study.name
        under = phrase(
            "Rehearsal of “{protocol}” on virtual participant {person}", protocol=title, person=reading.participant
        )
        ways = link(phrase("Results"), to["read"], "read", cap_="P", kind="go") + link(
            phrase("Review"), to["review"], "review", cap_="R"
        )
        told = "".join(f"<li>{text(remark)}</li>" for remark in texts["remarks"])
        ui.html(
            f'<div class="topline"><div><p class="lead">{text(texts["lead"])}</p><p class="under">{text(under)}</p></div></div>'
            f'<div class="halves"><div class="col">{_table(texts["rows"])}</div><div class="col">'
            + plate(phrase("How it was run"), "", f'<ol class="told">{told}</ol><p class="answers">{ways}</p>')
            + "</div></div>",
            sanitize=False,
        ).classes("leaf")
        Hands(follow(to)).hold({"P": "read", "R": "review", "Escape": "run"}, 0)


def _table(rows: list[dict[str, Any]]) -> str:
    heads = (
        (phrase("Quantity"), ""), (phrase("Estimate"), "v"), (phrase("Truth"), "r"), (phrase("On one scale"), "scale"),
        (phrase("Interval"), ""),
    )  # fmt: skip
    head = "".join(f'<th scope="col" class="{kind}">{text(name)}</th>' for name, kind in heads)
    note = f'<span class="say">{crossing(14)}<span>{text(phrase("truth, known only now"))}</span></span>'
    body = "".join(_row(row) for row in rows)
    return plate(
        phrase("Your estimates and the truth"),
        note,
        f'<div class="scroll"><table class="results"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>',
    )


def _row(row: dict[str, Any]) -> str:
    held = str(row["held"])
    words = {"inside": phrase("inside"), "outside": phrase("outside"), "not judged": phrase("not judged")}[held]
    note = f"<br><small>{text(row['note'])}</small>" if row["note"] else ""
    return (
        f'<tr><th scope="row"><b>{text(row["name"])}</b><br><small>{text(row["unit"])}</small></th>'
        f'<td class="v">{text(row["value"])}<br><small class="iv">{text(row["interval"])}</small>{note}</td>'
        f'<td class="truth">{text(row["truth"])}</td><td class="scale">{truth_strip(row["scale"], words)}</td>'
        f"<td>{say(_HELD[held], words)}</td></tr>"
    )
