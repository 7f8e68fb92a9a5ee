"""The table page: every trial with its marks, as text; and the tables to take along."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from io import StringIO
from typing import Any

import pandas as pd
from fastapi import Response
from nicegui import app, run, ui

from decussa.compose.reviewed_trials import FIRST, choose_layer
from decussa.compose.study_reports import session_tables
from decussa.model.errors import DecussaError
from decussa.screen.hands import Hands, follow
from decussa.screen.language import phrase
from decussa.screen.marks import link, plate, say, text
from decussa.screen.places import READ, address, links_of
from decussa.screen.read_review import TABLE, place_with
from decussa.screen.reading import Reading, Shelf
from decussa.screen.shell import PATIENCE_S, page_frame, who_words
from decussa.screen.words import error_words, ms, number, uv, verdict_words

TABLE_FILE = "/read/{study}/{session}/trials.tsv"
SUMMARY_FILE = "/read/{study}/{session}/summary.tsv"


def add_pages(shelf: Shelf) -> None:
    """Add the page with every trial, and the files of both tables."""

    @ui.page(TABLE, response_timeout=PATIENCE_S)
    async def show(study: str, session: str, rater: str = FIRST, muscle: str = "") -> None:
        reading = await run.io_bound(shelf.session, study, session)
        if reading is None:
            return
        layer = choose_layer(reading.room.layers, rater)
        if layer is not None and layer.blind:
            _refuse_blind(reading, layer.rater)
            return
        tables = await run.io_bound(session_tables, reading.room, layer)
        if tables is not None:
            _show(reading, tables[0], rater, muscle)

    @app.get(TABLE_FILE)
    def send_trials(study: str, session: str, rater: str = FIRST) -> Response:
        return _file(shelf, study, session, rater, place=0)

    @app.get(SUMMARY_FILE)
    def send_summary(study: str, session: str, rater: str = FIRST) -> Response:
        return _file(shelf, study, session, rater, place=1)


def _file(shelf: Shelf, study: str, session: str, rater: str, *, place: int) -> Response:
    try:
        reading = shelf.session(study, session)
        table = session_tables(reading.room, choose_layer(reading.room.layers, rater))[place]
    except DecussaError as error:
        return Response(" ".join(error_words(error)), status_code=404, media_type="text/plain; charset=utf-8")
    out = StringIO()
    table.to_csv(out, sep="\t", index=False)
    name = f"{reading.session}_{('trials', 'summary')[place]}.tsv"
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(out.getvalue(), media_type="text/tab-separated-values; charset=utf-8", headers=headers)


def _refuse_blind(reading: Reading, rater: str) -> None:
    """A table names conditions: not for who reviews blind."""
    places = links_of(reading.study, reading.session, rehearsal=reading.rehearsal)
    with page_frame(phrase("Table"), "Read", places, rehearsal=reading.rehearsal):
        ui.html(
            f'<p class="lead">{text(phrase("The table stays closed while {rater} reviews blind.", rater=rater))}</p>'
            f'<p class="under">{text(phrase("It names conditions, intensities and order."))}</p>',
            sanitize=False,
        ).classes("leaf")


def _show(reading: Reading, trials: pd.DataFrame, rater: str, muscle: str) -> None:
    places = links_of(reading.study, reading.session, rehearsal=reading.rehearsal)
    to = {
        "trials": place_with(TABLE_FILE, reading, rater=rater),
        "summary": place_with(SUMMARY_FILE, reading, rater=rater),
        "back": address(READ, reading.study, reading.session),
    }
    chosen = trials[(trials["muscle"] + " " + trials["side"]).str.strip() == muscle] if muscle else trials
    with page_frame(phrase("Table"), "Read", places, rehearsal=reading.rehearsal) as head:
        head.set_content(who_words(reading.participant, reading.session, "", rehearsal=reading.rehearsal))
        downloads = (
            f'<a class="btn" href="{text(to["trials"])}" download>{text(phrase("Trials as TSV"))}</a>'
            f'<a class="btn" href="{text(to["summary"])}" download>{text(phrase("Summary as TSV"))}</a>'
            + link(phrase("Results"), to["back"], "back", cap_="Esc")
        )
        count = phrase("{count} trials", count=len(chosen))
        ui.html(
            f'<div class="topline"><p class="lead">{text(phrase("Every trial of session {name}", name=reading.session))}</p>'
            f'<div class="ways">{downloads}</div></div>' + plate(phrase("Trials"), text(count), _table(chosen)),
            sanitize=False,
        ).classes("leaf")
        Hands(follow({"back": to["back"]})).hold({"Escape": "back"}, 0)


def _table(trials: pd.DataFrame) -> str:
    heads = (
        phrase("Sweep"), phrase("Muscle"), phrase("Condition"), phrase("% MSO"), phrase("Interval"), phrase("Size"),
        phrase("Onset"), phrase("Silence ends"), phrase("Background"), phrase("Verdict"), phrase("Why"), phrase("Reviewed by"),
    )  # fmt: skip
    head = "".join(f"<th>{text(one)}</th>" for one in heads)
    rows = "".join(_row(row) for row in trials.to_dict("records"))
    label = text(phrase("Trials"))
    return (
        f'<div class="scroll" role="region" tabindex="0" aria-label="{label}"><table class="rawtable">'
        f"<thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>"
    )


def _row(row: Mapping[Hashable, Any]) -> str:
    def value(name: str) -> float:
        found = row[name]
        return float(found) if isinstance(found, int | float) else math.nan

    level = value("intensity_mso")
    cells = [
        text(row["sweep"]),
        text(f"{row['muscle']} {row['side']}".strip()),
        text(row["condition"] or row["block"]),
        "—" if math.isnan(level) else number(level, 0),
        "—" if math.isnan(value("isi_ms")) else ms(value("isi_ms")),
        uv(value("amplitude_uv")),
        ms(value("latency_ms")),
        ms(value("silent_end_ms")),
        uv(value("background_rms_uv")),
        say(str(row["verdict"]), verdict_words(str(row["verdict"])), 14),
        text(row["reason"]),
        text(row["reviewed_by"] or phrase("unreviewed")),
    ]
    return f"<tr>{''.join(f'<td>{cell}</td>' for cell in cells)}</tr>"
