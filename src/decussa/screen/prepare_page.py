"""The Prepare page: what is open before the first pulse of one session, and the forms that settle it, by whom."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping

from nicegui import background_tasks, run, ui

from decussa.compose import signing
from decussa.compose.preparing import NOBODY, PreparedSession, read_preparation
from decussa.model.errors import DecussaError, UsageError
from decussa.screen import prepare_forms as forms
from decussa.screen import prepare_screening as asked
from decussa.screen.desk import Desk
from decussa.screen.hands import Act, Hands
from decussa.screen.language import phrase
from decussa.screen.marks import key, plate, text
from decussa.screen.places import PREPARE, RUN, address, links_of
from decussa.screen.prepare_acts import ACTS, nothing
from decussa.screen.prepare_figures import head_figure
from decussa.screen.prepare_list import first_pulse, item_list, lead, limits
from decussa.screen.prepare_signals import accepted_words, keys_of_signals, levels_of, signal_form
from decussa.screen.shell import PATIENCE_S, page_frame, who_words
from decussa.screen.signal_desk import SIGNALS
from decussa.screen.study_forms import keys
from decussa.screen.study_page import folder_of
from decussa.screen.words import without_paths
from decussa.session.preparation import START_SITE, Item
from decussa.store.operators import Identity

#: How often a window looks whether another one has written, in s; how long a PIN holds in a window without an act, in s.
LOOK_S, KNOWN_S = 3.0, 30 * 60.0
#: How often the levels of live signals are drawn, in s.
GLANCE_S = 0.5


def add_pages(desk: Desk) -> None:
    """Add the page of each session's preparation."""

    @ui.page(PREPARE, response_timeout=PATIENCE_S)
    async def show(study: str, session: str) -> None:
        folder = folder_of(desk, study)
        prepared = await run.io_bound(read_preparation, folder, session)
        if prepared is not None:
            PreparePage(prepared)


class PreparePage:
    """One window on a preparation. What it shows follows from the journal, but for the open form and who is at the desk."""

    def __init__(self, prepared: PreparedSession) -> None:
        self.prepared = prepared
        self.form, self.about, self.problem = "", "", ""
        self.changing = self.busy = False
        self._who: Identity | None = None if prepared.operators else NOBODY
        self._known_until = 0.0
        self._client = ui.context.client
        links = links_of(prepared.folder.name, prepared.session)
        title = phrase("Prepare: {session}", session=prepared.session)
        with page_frame(title, "Prepare", links) as self._right:
            self._build()
        self._draw()
        ui.timer(LOOK_S, self._look)
        ui.timer(GLANCE_S, self._glance)

    def _build(self) -> None:
        self._spoken = ui.html("", sanitize=False).classes("vh").props('role="status" aria-live="polite"')
        with ui.element("div").classes("pad prepare"):
            self._lead = ui.html("", sanitize=False)
            self._wide = ui.html("", sanitize=False)
            with ui.element("div").classes("prep") as self._grid:
                with ui.element("section").props(f'aria-label="{phrase("What comes before the first pulse")}"'):
                    self._list = ui.html("", sanitize=False)
                    self._limits = ui.html(limits(self.prepared), sanitize=False)
                with ui.element("section").props(f'aria-label="{phrase("Now")}"'):
                    self._levels = ui.html("", sanitize=False).classes("levelbox")
                    self._form = ui.html("", sanitize=False).classes("formbox")
                    self._signature = ui.html("", sanitize=False).classes("formbox")
                    self._head = ui.html("", sanitize=False).classes("headbox")
        self._foot = ui.html("", sanitize=False, tag="footer").classes("deskfoot gatebar")
        self._hands = Hands(self._act)

    def _draw(self) -> None:
        prepared = self.prepared
        written = (
            phrase("entry {number} written", number=prepared.entries)
            if prepared.entries
            else phrase("nothing written yet")
        )
        self._right.set_content(who_words(prepared.participant, prepared.session, written, rehearsal=False))
        self._lead.set_content(lead(prepared))
        self._list.set_content(item_list(prepared, self.who(), changing=self.changing, focus=not self.form))
        keys = (("Esc", phrase("close"), "close"),) if self.form else _foot_keys()
        self._foot.set_content("".join(key(*one) for one in keys) + f'<div class="go">{first_pulse(prepared)}</div>')
        self._draw_form()

    def _draw_form(self) -> None:
        prepared = self.prepared
        wide = self.form == "screening"
        shown = self._form_html()
        self._wide.set_content(shown if wide else "")
        self._grid.set_visibility(not wide)
        self._form.set_content("" if wide else shown)
        self._signature.set_content("" if self.form else self._signature_html())
        self._head.set_content("" if self.form else self._head_html())
        self._spoken.set_content(text(self.problem))
        meant = {"Escape": "close"} if self.form else dict(_KEYS)
        if self.form == "signals":
            meant |= keys_of_signals(SIGNALS.bench(prepared.folder))
        else:
            self._levels.set_content("")
        if not self.form and not self.prepared.preparation.open_items:
            meant["G"] = "first pulse"
        self._hands.hold(meant, 0)

    def _form_html(self) -> str:
        prepared, item = self.prepared, self._item(self.about)
        if self.form == "item" and item is not None:
            return forms.item_form(prepared, item, self.problem)
        shown: Mapping[str, Callable[[], str]] = {
            "who": lambda: forms.who_form(prepared, self.problem),
            "note": lambda: forms.note_form(self.problem),
            "screening": lambda: asked.screening_form(self.problem),
            "sign": lambda: asked.sign_form(prepared, self._flagged(), self.problem),
            "signals": lambda: signal_form(
                SIGNALS.bench(prepared.folder), self.problem, accepted_words(prepared.folder), busy=self.busy
            ),
            "keys": lambda: keys(_all_keys()),
        }
        return shown[self.form]() if self.form in shown else ""

    def _signature_html(self) -> str:
        """Return what was wrong with an act that has no form, and what needs a signature."""
        said = f'<p class="mindbar" role="alert">{text(self.problem)}</p>' if self.problem else ""
        return said + asked.signature_plate(self.prepared, self._flagged())

    def _head_html(self) -> str:
        """Return the head from above, with the start site where it has yet to be marked."""
        site = self._item(START_SITE)
        waits = site is not None and site.state == "open"
        title = phrase("Mark the start site") if waits else phrase("Head")
        figure = head_figure(self.prepared.protocol, self.prepared.preparation.head, site_is_open=waits)
        return plate(title, phrase("seen from above"), f'<figure class="drawn">{figure}</figure>')

    def _flagged(self) -> asked.Flagged:
        screened = self.prepared.preparation.screened
        if screened is None or screened.outcome == "go":
            return None
        return signing.flagged_answers(self.prepared.folder, self.prepared.session)

    def _item(self, name: str) -> Item | None:
        return next((item for item in self.prepared.preparation.items if item.key == name), None)

    def _act(self, act: Act) -> None:
        """Do what was meant; what was wrong with it stands over the form that asked."""
        self.problem = ""
        verb, _, rest = act.name.partition(" ")
        try:
            ACTS.get(verb, nothing)(self, rest, act.fields)
        except DecussaError as error:
            self.problem = without_paths(error.sentence())
            self._show_problem()
            return
        self.prepared = read_preparation(self.prepared.folder, self.prepared.session)
        self._draw()

    def in_background(self, work: Callable[[], object]) -> None:
        """Do work that takes a while; the page stays free, and says what was wrong with it."""
        self.busy = True
        background_tasks.create(self._work(work))

    async def _work(self, work: Callable[[], object]) -> None:
        self.problem = ""
        try:
            await run.io_bound(work)
        except DecussaError as error:
            self.problem = without_paths(error.sentence())
        finally:
            self.busy = False
            self._draw_form()

    def _show_problem(self) -> None:
        """Say what was wrong without touching a long form that is being filled in."""
        if self.form == "screening":
            self._lead.set_content(lead(self.prepared) + f'<p class="mindbar" role="alert">{text(self.problem)}</p>')
            self._spoken.set_content(text(self.problem))
        else:
            self._draw_form()

    def who(self) -> Identity | None:
        """Return who is at the desk; nobody when the PIN was typed too long ago."""
        if self._who is not None and self._who.code and time.monotonic() > self._known_until:
            self._who = None
        return self._who

    def acting(self) -> Identity:
        """Return who acts; UsageError where nobody has said so."""
        who = self.who()
        if who is None:
            self.open_form("who")
            raise UsageError("nobody said who prepares", do="choose your code and type your PIN")
        self._known_until = time.monotonic() + KNOWN_S
        return who

    def know(self, who: Identity) -> None:
        """Take somebody as being at the desk."""
        self._who, self._known_until = who, time.monotonic() + KNOWN_S

    def open_form(self, form: str, about: str = "") -> None:
        """Open a form of this window, or none."""
        self.form, self.about = form, about

    def go_to_run(self) -> None:
        """Leave for Run, once nothing is open."""
        if not self.prepared.preparation.open_items:
            self._client.open(address(RUN, self.prepared.folder.name, self.prepared.session))

    async def _glance(self) -> None:
        """Draw the levels of the live signals while their card is open."""
        bench = SIGNALS.bench(self.prepared.folder) if self.form == "signals" else None
        if bench is None:
            return
        try:
            shown = await run.io_bound(levels_of, bench)
        except DecussaError as error:
            shown = f'<p class="mindbar">{text(without_paths(error.sentence()))}</p>'
        if shown is not None and self.form == "signals":
            self._levels.set_content(shown)

    async def _look(self) -> None:
        prepared = await run.io_bound(read_preparation, self.prepared.folder, self.prepared.session)
        if prepared is not None and prepared != self.prepared and not self.form:
            self.prepared = prepared
            self._draw()


_KEYS = {"N": "form note", "E": "change", "I": "form sign", "?": "form keys"}


def _foot_keys() -> tuple[tuple[str, str, str], ...]:
    return (
        ("N", phrase("note"), "form note"),
        ("E", phrase("change what is done"), "change"),
        ("?", phrase("all keys"), "form keys"),
    )


def _all_keys() -> tuple[tuple[str, str], ...]:
    return (
        ("Tab", phrase("next open item")),
        ("Enter", phrase("do it, or mark it as done")),
        ("I", phrase("sign a flagged answer")),
        ("N", phrase("note")),
        ("E", phrase("change what is done")),
        ("G", phrase("first pulse, when nothing is open")),
        ("Esc", phrase("close a form")),
    )
