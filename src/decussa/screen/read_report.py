"""The report page: its pages as they will be printed, the PDF, and the methods as text."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from fastapi import Response
from nicegui import app, run, ui

from decussa.compose.reviewed_trials import FIRST, choose_layer
from decussa.compose.study_reports import report_study, session_methods_text, session_report_pages
from decussa.model.errors import DecussaError, UsageError
from decussa.screen.hands import Hands, follow
from decussa.screen.language import phrase
from decussa.screen.marks import link, text
from decussa.screen.places import READ, REPORT, address, links_of
from decussa.screen.read_review import place_with
from decussa.screen.reading import Reading, Shelf
from decussa.screen.shell import PATIENCE_S, page_frame, who_words
from decussa.screen.words import error_words

REPORT_FILE = "/read/{study}/{session}/report.pdf"
PAGE_FILE = "/read/{study}/{session}/report-{number}.png"
METHODS_FILE = "/read/{study}/{session}/methods.txt"

Made = TypeVar("Made")


def add_pages(shelf: Shelf) -> None:
    """Add the report's page and its file."""
    pdf_of, pages_of = _keep_last(_pdf), _keep_last(_draw)

    @ui.page(REPORT, response_timeout=PATIENCE_S)
    async def show(study: str, session: str, rater: str = FIRST) -> None:
        reading = await run.io_bound(shelf.session, study, session)
        if reading is not None:
            choose_layer(reading.room.layers, rater)
            pages = _show(reading, rater)
            await ui.context.client.connected(timeout=PATIENCE_S)
            try:
                drawn = await run.io_bound(pages_of, reading, rater)
                pages.set_content(_pages(reading, rater, len(drawn or ())))
            except DecussaError as error:
                pages.set_content(f'<p class="mindbar" role="alert">{text(" ".join(error_words(error)))}</p>')

    @app.get(PAGE_FILE)
    def send_page(study: str, session: str, number: int, rater: str = FIRST) -> Response:
        try:
            pages = pages_of(shelf.session(study, session), rater)
        except DecussaError as error:
            return _no_such(error)
        if not 1 <= number <= len(pages):
            return _no_such(UsageError("report has no such page", expected=f"1 to {len(pages)}", found=str(number)))
        return Response(pages[number - 1], media_type="image/png", headers={"cache-control": "no-store"})

    @app.get(REPORT_FILE)
    def send(study: str, session: str, rater: str = FIRST, take: str = "") -> Response:
        try:
            reading = shelf.session(study, session)
            pdf = pdf_of(reading, rater)
        except DecussaError as error:
            return _no_such(error)
        way = "attachment" if take else "inline"
        headers = {"content-disposition": f'{way}; filename="{reading.session}.pdf"', "cache-control": "no-store"}
        return Response(pdf, media_type="application/pdf", headers=headers)

    @app.get(METHODS_FILE)
    def send_methods(study: str, session: str, rater: str = FIRST) -> Response:
        try:
            reading = shelf.session(study, session)
            words = session_methods_text(reading.room.folder, reading.session, rater=rater)
        except DecussaError as error:
            return _no_such(error)
        return Response(words, media_type="text/plain; charset=utf-8", headers={"cache-control": "no-store"})


def _no_such(error: DecussaError) -> Response:
    return Response(" ".join(error_words(error)), status_code=404, media_type="text/plain; charset=utf-8")


def _keep_last(make: Callable[[Reading, str], Made]) -> Callable[[Reading, str], Made]:
    """Return ``make`` so that it makes anew only what is not what it made last: another session, rater, or more entries."""
    kept: dict[tuple[str, str, str, int], Made] = {}

    def made(reading: Reading, rater: str) -> Made:
        key = (reading.study, reading.session, rater, len(reading.room.entries))
        if key not in kept:
            one = make(reading, rater)
            kept.clear()
            kept[key] = one
        return kept[key]

    return made


def _draw(reading: Reading, rater: str) -> tuple[bytes, ...]:
    return session_report_pages(reading.room.folder, reading.session, rater=rater)


def _pdf(reading: Reading, rater: str) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "report.pdf"
        report_study(reading.room.folder, session=reading.session, out=out, rater=rater)
        return out.read_bytes()


def _show(reading: Reading, rater: str) -> ui.html:
    """Fill the page; return what will hold the pages of the report."""
    places = links_of(reading.study, reading.session, rehearsal=reading.rehearsal)
    back = address(READ, reading.study, reading.session)
    taken = place_with(REPORT_FILE, reading, rater=rater, take="yes")
    methods = place_with(METHODS_FILE, reading, rater=rater)
    with page_frame(phrase("Report"), "Read", places, rehearsal=reading.rehearsal) as head:
        head.set_content(who_words(reading.participant, reading.session, "", rehearsal=reading.rehearsal))
        take = f'<a class="btn go" href="{text(taken)}" download>{text(phrase("Take the PDF"))}</a>'
        said = phrase("Made now from what is written. Unreviewed values are labelled as such.")
        with ui.element("div").classes("leaf"):
            ui.html(
                f'<div class="topline"><div><p class="lead">'
                f"{text(phrase('Report of session {name}', name=reading.session))}</p>"
                f'<p class="under">{text(said)}</p></div><div class="ways">{take}'
                f"{_copy_button(methods)}{link(phrase('Results'), back, 'back', cap_='Esc')}</div></div>",
                sanitize=False,
            )
            waiting = text(phrase("The pages are being drawn."))
            pages = ui.html(f'<p class="under" role="status">{waiting}</p>', sanitize=False)
        Hands(follow({"back": back})).hold({"Escape": "back"}, 0)
    return pages


def _pages(reading: Reading, rater: str, count: int) -> str:
    """Return the pages as pictures; their words are on the results page, in the PDF and in the methods to copy."""
    if not count:
        return f'<p class="under">{text(phrase("No stimulus was answered: there is nothing to report."))}</p>'
    pictures = "".join(
        f'<li><img src="{text(place_with(PAGE_FILE.replace("{number}", str(number)), reading, rater=rater))}" '
        f'alt="{text(phrase("Page {number} of {count} of the report", number=number, count=count))}"></li>'
        for number in range(1, count + 1)
    )
    said = phrase("The pages as pictures; results, PDF and methods hold their words as text.")
    return f'<p class="vh">{text(said)}</p><ol class="sheets">{pictures}</ol>'


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
