"""The report page: the PDF as it will be handed on, and the file itself."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

from fastapi import Response
from nicegui import app, run, ui

from decussa.compose.reviewed_trials import FIRST, choose_layer
from decussa.compose.study_reports import report_study, session_methods_text
from decussa.model.errors import DecussaError
from decussa.screen.hands import Hands, follow
from decussa.screen.language import phrase
from decussa.screen.marks import link, text
from decussa.screen.places import READ, REPORT, address, links_of
from decussa.screen.read_review import place_with
from decussa.screen.reading import PATIENCE_S, Reading, Shelf
from decussa.screen.shell import page_frame, who_words
from decussa.screen.words import error_words

REPORT_FILE = "/read/{study}/{session}/report.pdf"
METHODS_FILE = "/read/{study}/{session}/methods.txt"


def add_pages(shelf: Shelf) -> None:
    """Add the report's page and its file."""
    made: dict[tuple[str, str, str, int], bytes] = {}

    @ui.page(REPORT, response_timeout=PATIENCE_S)
    async def show(study: str, session: str, rater: str = FIRST) -> None:
        reading = await run.io_bound(shelf.session, study, session)
        if reading is not None:
            choose_layer(reading.room.layers, rater)
            _show(reading, rater)

    @app.get(REPORT_FILE)
    def send(study: str, session: str, rater: str = FIRST, take: str = "") -> Response:
        try:
            reading = shelf.session(study, session)
            key = (study, session, rater, len(reading.room.entries))
            if key not in made:
                made.clear()
                made[key] = _pdf(reading, rater)
        except DecussaError as error:
            return Response(" ".join(error_words(error)), status_code=404, media_type="text/plain; charset=utf-8")
        way = "attachment" if take else "inline"
        headers = {"content-disposition": f'{way}; filename="{reading.session}.pdf"', "cache-control": "no-store"}
        return Response(made[key], media_type="application/pdf", headers=headers)

    @app.get(METHODS_FILE)
    def send_methods(study: str, session: str, rater: str = FIRST) -> Response:
        try:
            reading = shelf.session(study, session)
            words = session_methods_text(reading.room.folder, reading.session, rater=rater)
        except DecussaError as error:
            return Response(" ".join(error_words(error)), status_code=404, media_type="text/plain; charset=utf-8")
        return Response(words, media_type="text/plain; charset=utf-8", headers={"cache-control": "no-store"})


def _pdf(reading: Reading, rater: str) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "report.pdf"
        report_study(reading.room.folder, session=reading.session, out=out, rater=rater)
        return out.read_bytes()


def _show(reading: Reading, rater: str) -> None:
    places = links_of(reading.study, reading.session, rehearsal=reading.rehearsal)
    back = address(READ, reading.study, reading.session)
    shown, taken = (
        place_with(REPORT_FILE, reading, rater=rater),
        place_with(REPORT_FILE, reading, rater=rater, take="yes"),
    )
    methods = place_with(METHODS_FILE, reading, rater=rater)
    with page_frame(phrase("Report"), "Read", places, rehearsal=reading.rehearsal) as head:
        head.set_content(who_words(reading.participant, reading.session, "", rehearsal=reading.rehearsal))
        take = f'<a class="btn go" href="{text(taken)}" download>{text(phrase("Take the PDF"))}</a>'
        said = phrase("Made now from what is written. Unreviewed values are labelled as such.")
        ui.html(
            f'<div class="topline"><div><p class="lead">{text(phrase("Report of session {name}", name=reading.session))}</p>'
            f'<p class="under">{text(said)}</p></div><div class="ways">{take}'
            f"{_copy_button(methods)}{link(phrase('Results'), back, 'back', cap_='Esc')}</div></div>"
            f'<iframe class="frame" src="{text(shown)}" title="{text(phrase("The pages of the report"))}"></iframe>',
            sanitize=False,
        ).classes("leaf")
        Hands(follow({"back": back})).hold({"Escape": "back"}, 0)


def _copy_button(address_of_text: str) -> str:
    """Return a button that copies methods and checklist; where the browser cannot copy, the text opens to be copied by hand."""
    done = json.dumps(phrase("Copied"))
    act = (
        "const b=this; fetch(b.dataset.from).then(r=>r.text()).then(t=>navigator.clipboard.writeText(t))"
        f".then(()=>b.textContent={done}).catch(()=>window.open(b.dataset.from))"
    )
    return (
        f'<button type="button" class="btn" id="copy-methods" data-from="{text(address_of_text)}" '
        f'onclick="{text(act)}" aria-live="polite">{text(phrase("Copy methods and checklist"))}</button>'
    )
