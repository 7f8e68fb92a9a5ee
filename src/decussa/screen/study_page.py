"""The Study page: one study's people, sessions and days, and the forms that act on them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path

from nicegui import background_tasks, run, ui

from decussa.compose import keeping
from decussa.compose.looking import studies_in
from decussa.compose.preparing import known_operators
from decussa.compose.preview import Preview, preview_protocol
from decussa.compose.studying import BoardReader, PersonRow, StudyBoard
from decussa.model.errors import DecussaError, UsageError
from decussa.screen import study_forms as forms
from decussa.screen.desk import Desk
from decussa.screen.hands import Act, Hands
from decussa.screen.language import phrase
from decussa.screen.marks import key, text
from decussa.screen.places import STUDY
from decussa.screen.shell import PATIENCE_S, page_frame
from decussa.screen.study_acts import ACTS, nothing
from decussa.screen.study_board import STUDY_OF, due_plate, facts_plate, heading, people_plate
from decussa.screen.study_lists import rehearsals_plate
from decussa.screen.study_share import share_form
from decussa.screen.visitor import leads, place_words, visitor
from decussa.screen.words import without_paths
from decussa.store.check import check_study

#: How often a window looks whether the study has changed, in s.
LOOK_S = 3.0
_PROGRESS_S = 0.3
#: Boards of all windows are read by one reader, which remembers what has not changed.
READER = BoardReader()
_PLANS: dict[str, Preview] = {}


def add_pages(desk: Desk) -> None:
    """Add the page of each study."""

    @ui.page(STUDY_OF, response_timeout=PATIENCE_S)
    async def show(study: str, person: str = "") -> None:
        folder = folder_of(desk, study)
        board = await run.io_bound(READER.read, folder)
        if board is not None:
            StudyPage(desk, board, person)


def folder_of(desk: Desk, study: str) -> Path:
    """Return the folder of a study by its name; UsageError where there is none here."""
    for folder in studies_in(desk.root):
        if folder.name == study:
            return folder
    raise UsageError("there is no such study here", found=repr(study), do="go back to the study page")


class StudyPage:
    """One window on a study. What it shows follows from the study alone, but for the form that is open in it."""

    def __init__(self, desk: Desk, board: StudyBoard, person: str = "", tried: Sequence[StudyBoard] = ()) -> None:
        self.desk, self.board = desk, board
        self.sheet, self.about = ("of", person) if self._row(person) else ("", "")
        self.problem = self.typed = self.doubt = self.checked = self.progress = ""
        self._client = ui.context.client
        self.visitor = visitor()
        name = phrase("Study “{name}”", name=board.folder.name)
        who = f'<span>{text(name)}</span><small class="jr">{text(place_words(self.visitor))}</small>'
        with page_frame(phrase("Study"), "Study", {"Study": STUDY}, who=who):
            self._build(rehearsals_plate(tried) if tried else "")
        self._draw()
        background_tasks.create(self._preview())
        ui.timer(LOOK_S, self._look)

    def _build(self, tried: str) -> None:
        self._spoken = ui.html("", sanitize=False).classes("vh").props('role="status" aria-live="polite"')
        with ui.element("div").classes("pad study"):
            self._head = ui.html("", sanitize=False)
            with ui.element("div").classes("two"):
                with ui.element("section").props(f'aria-label="{phrase("Due today")}"'):
                    self._due = ui.html("", sanitize=False)
                with ui.element("section").props(f'aria-label="{phrase("People")}"'):
                    self._form = ui.html("", sanitize=False)
                    self._people = ui.html("", sanitize=False)
                    ui.html(tried, sanitize=False)
                with ui.element("section").props(f'aria-label="{phrase("This study")}"'):
                    self._facts = ui.html("", sanitize=False)
        self._foot = ui.html("", sanitize=False, tag="footer").classes("deskfoot")
        self._hands = Hands(self._act)

    def _draw(self) -> None:
        board = self.board
        today = datetime.now().astimezone().date()
        operators = known_operators(board.folder)
        self._head.set_content(heading(board))
        self._due.set_content(due_plate(board, _PLANS.get(self._plan_key()), today))
        self._facts.set_content(facts_plate(board, self.checked, len(operators)))
        self._people.set_content(people_plate(board))
        self._draw_form()

    def _draw_form(self) -> None:
        self._form.set_content(self._form_html())
        shown = (("Esc", phrase("close"), "close"),) if self.sheet else _foot_keys()
        self._foot.set_content("".join(key(*one) for one in shown))
        self._spoken.set_content(text(self.problem or self.progress))
        keys = {"Escape": "close"} if self.sheet else {**_KEYS, **({"Enter": "first"} if self.board.due else {})}
        self._hands.hold(keys, 0)

    def _form_html(self) -> str:
        board, operators = self.board, known_operators(self.board.folder)
        row = self._row(self.about)
        shown: Mapping[str, Callable[[], str]] = {
            "person": lambda: forms.new_person(self.typed, self.doubt, self.problem),
            "of": lambda: forms.person(board, row, self.problem) if row else "",
            "follow": lambda: forms.follow_up(self.about, operators, self.problem),
            "staff": lambda: forms.staff(operators, self.problem, may_add=leads(self.visitor)),
            "rehearse": lambda: forms.rehearse(board.protocol_name, 1, self.problem),
            "share": lambda: share_form(self.progress, self.problem),
            "backup": lambda: forms.backup(self.progress, self.problem, may_name=leads(self.visitor)),
            "keys": lambda: forms.keys(_all_keys()),
        }
        return shown[self.sheet]() if self.sheet in shown else ""

    def _row(self, pseudonym: str) -> PersonRow | None:
        return next((row for row in self.board.people if row.pseudonym == pseudonym), None)

    def _act(self, act: Act) -> None:
        """Do what was meant; what was wrong with it stands over the form that asked."""
        self.problem = ""
        verb, _, rest = act.name.partition(" ")
        try:
            ACTS.get(verb, nothing)(self, rest, act.fields)
        except DecussaError as error:
            self.problem = without_paths(error.sentence())
        self._draw_form()

    def reread(self) -> None:
        """Show the study as it is now."""
        self.board = READER.read(self.board.folder)
        self._draw()

    def open_form(self, name: str, about: str = "") -> None:
        """Open a form of this window."""
        self.sheet, self.about = name, about
        self.typed = self.doubt = self.progress = ""

    async def carry_out(self, work: Callable[[], str], progress: Callable[[], str]) -> None:
        """Do work in the background: its form shows how far it is, then what ``work`` returned or what was wrong with it."""
        doing = asyncio.ensure_future(run.io_bound(work))
        try:
            while not (await asyncio.wait([doing], timeout=_PROGRESS_S))[0]:
                self.progress = progress()
                self._draw_form()
            self.progress = doing.result() or ""
        except DecussaError as error:
            self.problem, self.progress = without_paths(error.sentence()), ""
        self._draw_form()

    def go_to(self, place: str) -> None:
        """Leave for another page."""
        self._client.open(place)

    async def _look(self) -> None:
        board = await run.io_bound(READER.read, self.board.folder)
        if board is not None and board != self.board:
            self.board = board
            form = self.sheet
            self._draw()
            self.sheet = form

    def _plan_key(self) -> str:
        return self.board.protocol.model_dump_json()

    async def _preview(self) -> None:
        """Work out in the background how long a session takes; the page says so when it is known."""
        if self._plan_key() not in _PLANS:
            plan = await run.io_bound(preview_protocol, self.board.protocol, self.board.protocol_name)
            if plan is not None:
                _PLANS[self._plan_key()] = plan
            self._draw()

    async def check(self) -> None:
        """Check the study in the background."""
        findings = await run.io_bound(check_study, self.board.folder)
        broken = [one for one in findings or () if one.broken]
        at = f"{datetime.now().astimezone():%H:%M}"
        self.checked = (
            phrase("{count} faults found at {at}: {first}", count=len(broken), at=at, first=broken[0].sentence())
            if broken
            else phrase("whole, checked at {at}", at=at)
        )
        self._draw()

    async def back_up(self, target: str) -> None:
        """Copy the study in the background, saying how far it is."""
        done = {"copied": 0, "of": 1}

        def tell(copied: int, of: int) -> None:
            done.update(copied=copied, of=max(of, 1))

        def copy() -> str:
            return forms.done_words(keeping.back_up_study(self.desk.root, self.board.folder, target, tell).name)

        await self.carry_out(copy, lambda: forms.strokes(done["copied"], done["of"]))


_KEYS = {
    "N": "sheet person",
    "R": "sheet rehearse",
    "B": "sheet backup",
    "E": "sheet share",
    "W": "sheet staff",
    "?": "sheet keys",
}


def _foot_keys() -> tuple[tuple[str, str, str], ...]:
    return (
        ("N", phrase("new participant"), "sheet person"),
        ("R", phrase("rehearse this protocol"), "sheet rehearse"),
        ("B", phrase("back up"), "sheet backup"),
        ("E", phrase("export"), "sheet share"),
        ("W", phrase("who works here"), "sheet staff"),
        ("?", phrase("all keys"), "sheet keys"),
    )


def _all_keys() -> tuple[tuple[str, str], ...]:
    return (
        ("Enter", phrase("begin what is due first")),
        *((cap, words) for cap, words, _ in _foot_keys()),
        ("Esc", phrase("close a form")),
    )
