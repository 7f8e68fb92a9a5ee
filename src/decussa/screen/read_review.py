"""The review page: begin under a code, then look, judge and mark."""

from __future__ import annotations

from urllib.parse import quote, urlencode

from fastapi import Response
from nicegui import app, run, ui

from decussa.compose.review_view import packed
from decussa.model.errors import DecussaError
from decussa.screen.hands import Act, Hands
from decussa.screen.language import phrase
from decussa.screen.marks import key, text
from decussa.screen.places import READ, REPORT, address, links_of
from decussa.screen.read_view import ReadView, window_facts
from decussa.screen.read_words import view_words
from decussa.screen.reading import Reading, Shelf, one_of
from decussa.screen.shell import PATIENCE_S, page_frame, who_words
from decussa.screen.words import error_words
from decussa.session.review import Layer

REVIEW = "/read/{study}/{session}/review"
SWEEPS = "/read/{study}/{session}/sweeps"
#: What the window's script is made of.
SCRIPTS = ("read_text", "read_draw", "read_panel", "read_marks", "read_said")
TABLE = "/read/{study}/{session}/table"


def add_pages(shelf: Shelf) -> None:
    """Add the review page and what it asks for."""

    @ui.page(REVIEW, response_timeout=PATIENCE_S)
    async def show(study: str, session: str, rater: str = "", muscle: str = "", token: str = "") -> None:
        reading = await run.io_bound(shelf.session, study, session)
        if reading is None:
            return
        if reading.may_review(rater, token):
            muscle = one_of(muscle, reading.room.muscles, "muscle")
            await run.io_bound(reading.view, rater, muscle)
            _show_review(reading, rater, muscle, token)
        else:
            BeginPage(reading, rater if rater in reading.room.layers else "")

    @app.get(SWEEPS)
    def send(study: str, session: str, rater: str = "", muscle: str = "") -> Response:
        try:
            reading = shelf.session(study, session)
            layer = reading.room.layers[one_of(rater, tuple(reading.room.layers), "rater")]
            view = reading.view(layer.rater, muscle)
        except DecussaError as error:
            return Response(" ".join(error_words(error)), status_code=404, media_type="text/plain; charset=utf-8")
        facts = [window_facts(reading, view, layer, place) for place in range(len(view.traces))]
        # Samples hardly shrink: packing them would take longer than sending them within the machine.
        headers = {"cache-control": "no-store", "content-encoding": "identity"}
        return Response(packed(view, facts), media_type="application/octet-stream", headers=headers)


def review_address(reading: Reading, **asked: str) -> str:
    """Return the address of a session's review, of a rater and muscle where they are named."""
    return place_with(REVIEW, reading, **asked)


def place_with(place: str, reading: Reading, **asked: str) -> str:
    """Return the address of a page about a session, with what is asked of it."""
    query = urlencode({name: value for name, value in asked.items() if value}, quote_via=quote)
    return address(place, reading.study, reading.session) + (f"?{query}" if query else "")


def _show_review(reading: Reading, rater: str, muscle: str, token: str) -> None:
    room = reading.room
    layer = room.layers[rater]
    links = {
        "back": address(READ, reading.study, reading.session),
        "table": place_with(TABLE, reading, rater=rater, muscle=muscle),
        "report": address(REPORT, reading.study, reading.session),
        "muscles": {name: review_address(reading, rater=rater, muscle=name, token=token) for name in room.muscles},
    }
    places = links_of(reading.study, reading.session, rehearsal=reading.rehearsal)
    others = [other for other in room.layers if other != rater]
    sweeps = place_with(SWEEPS, reading, rater=rater, muscle=muscle)
    # The sweeps are on their way while the page is still being put together.
    for part in SCRIPTS:
        ui.add_head_html(f'<link rel="modulepreload" href="/assets/{part}.js">')
    ui.add_head_html(f'<link rel="preload" as="fetch" crossorigin="anonymous" href="{text(sweeps)}">')
    with page_frame(phrase("Review"), "Read", places, rehearsal=reading.rehearsal) as head:
        view = ReadView(
            reading,
            rater,
            muscle,
            url=sweeps,
            words=view_words(muscle, room.muscles, others),
            links=links,
        )
        ui.html(_foot(layer), sanitize=False, tag="footer").classes("foot read")

    def say_written() -> None:
        head.set_content(_who(reading, room.layers[rater]))

    def hear(*_: object) -> None:
        with view.client:
            say_written()

    say_written()
    reading.windows.append(hear)
    view.client.on_delete(lambda: reading.windows.remove(hear))
    Hands(lambda act: _unblind(reading, rater, act)).hold({}, 0)


def _unblind(reading: Reading, rater: str, act: Act) -> None:
    if act.name == "unblind":
        reading.room.unblind(rater, phrase("asked for on the page"))
        ui.navigate.reload()


def _who(reading: Reading, layer: Layer) -> str:
    written = phrase("entry {number} written", number=reading.room.entries[-1].number)
    if layer.blind:
        hidden = f'<span class="blind" role="img" aria-label="{text(phrase("participant hidden"))}"></span>'
        return f'<span>{text(phrase("Blind review"))}</span>{hidden}<small class="jr">{text(written)}</small>'
    return who_words(reading.participant, reading.session, written, rehearsal=reading.rehearsal)


def _foot(layer: Layer) -> str:
    nth = {1: phrase("first rater"), 2: phrase("second rater")}.get(layer.number, phrase("further rater"))
    if layer.blind:
        said = phrase(
            "Condition, intensity, order, size and other raters stay hidden until you look. The old value is kept beside yours."
        )
        name = phrase("Blind, {nth} ({rater}).", nth=nth, rater=layer.rater)
        look = text(phrase("Look, and be blind no more"))
        more = f' <button type="button" class="btn small" data-act="unblind">{look}</button>'
    else:
        said = phrase("The arrow keeps a sweep as it is. The old value is kept beside yours.")
        name, more = phrase("Not blind, {nth} ({rater}).", nth=nth, rater=layer.rater), ""
    keys = (
        ("→", phrase("next"), "next"),
        ("←", phrase("back"), "back"),
        ("F", phrase("next doubtful"), "doubtful"),
        ("U", phrase("undo by a new entry"), "undo"),
        ("V", phrase("whole sweep"), "whole"),
        ("+", phrase("larger"), "larger"),
        ("?", phrase("all keys"), "keys"),
        ("Esc", phrase("close"), "close"),
    )
    caps = "".join(key(cap, words, act).replace("data-act", "data-read") for cap, words, act in keys)
    return (
        f'<div class="words"><b>{text(name)}</b> <small>{text(said)}</small>{more}</div><div class="keys">{caps}</div>'
    )


class BeginPage:
    """Asks who reviews, and whether blind; or goes on with a review that was begun."""

    def __init__(self, reading: Reading, rater: str) -> None:
        self.reading, self.rater = reading, rater
        places = links_of(reading.study, reading.session, rehearsal=reading.rehearsal)
        with page_frame(phrase("Review"), "Read", places, rehearsal=reading.rehearsal) as head:
            head.set_content(who_words(reading.participant, reading.session, "", rehearsal=reading.rehearsal))
            self._page = ui.html(self._words(""), sanitize=False).classes("leaf")
            Hands(self._act).hold({}, 0)

    def _words(self, problem: str) -> str:
        room = self.reading.room
        said = f'<p class="mindbar" role="alert">{text(problem)}</p>' if problem else ""
        begun = "".join(
            f'<li><a class="btn" href="{text(review_address(self.reading, rater=layer.rater))}">{text(layer.rater)}</a> '
            f'<span class="small">{text(_so_far(layer, len([t for t in room.traces if t.has_sweep])))}</span></li>'
            for layer in room.layers.values()
        )
        going = (
            f"<ul class='answers column'>{begun}</ul>"
            if begun
            else f"<p>{text(phrase('Nobody has reviewed this session yet.'))}</p>"
        )
        blind = phrase("Blind: condition, intensity, order, size and other raters are hidden; sweeps come shuffled")
        if not room.muscles:
            none = phrase("There is no sweep to review: nothing was given yet, or sizes were typed by hand.")
            return f'<p class="lead">{text(none)}</p>'
        head, under = (
            phrase("Who reviews this session?"),
            phrase("Each rater has marks of their own. The automatic ones stay, and every change is kept."),
        )
        return (
            f'<p class="lead">{text(head)}</p>'
            f'<p class="under">{text(under)}</p>'
            f'<div class="begin"><section class="plate"><div class="head"><h2>{text(phrase("Begin"))}</h2></div>{said}'
            f'<form data-act="begin"><label for="code">{text(phrase("Your code"))}</label>'
            f'<input id="code" name="rater" maxlength="20" required autocomplete="off" data-focus '
            f'aria-describedby="codehelp" value="{text(self.rater)}">'
            f'<p class="under" id="codehelp">{text(phrase("Such as R-2; not a name."))}</p>'
            f'<label for="pin">{text(phrase("Your PIN, where you have one"))}</label>'
            f'<input id="pin" name="pin" type="password" maxlength="64" autocomplete="off">'
            f'<label class="pick"><input type="checkbox" name="blind" value="yes">{text(blind)}</label>'
            f'<button class="btn go" type="submit">{text(phrase("Begin"))}</button></form></section>'
            f'<section class="plate"><div class="head"><h2>{text(phrase("Go on"))}</h2></div>{going}</section></div>'
        )

    def _act(self, act: Act) -> None:
        if act.name != "begin":
            return
        rater = self.rater = act.fields.get("rater", "").strip()
        try:
            layer = self.reading.room.begin(
                rater, blind=act.fields.get("blind") == "yes", pin=act.fields.get("pin", "")
            )
        except DecussaError as error:
            self._page.set_content(self._words(" ".join(error_words(error))))
            return
        token = self.reading.admit(rater) if layer.verified else ""
        ui.navigate.to(review_address(self.reading, rater=rater, token=token))


def _so_far(layer: Layer, everything: int) -> str:
    eyes = phrase("blind") if layer.blind else phrase("not blind")
    return phrase("{eyes}, {seen} of {all} seen", eyes=eyes, seen=len(layer.seen), all=everything)
