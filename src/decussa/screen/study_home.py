"""The first page: the only study of the folder, the list of its studies and rehearsals, or what a reviewer may read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from nicegui import run, ui

from decussa.compose.looking import studies_in
from decussa.compose.studying import StudyBoard
from decussa.model.errors import DecussaError, UsageError
from decussa.protocol.schema import SHIPPED
from decussa.screen.desk import Desk
from decussa.screen.hands import Act, Hands
from decussa.screen.language import phrase
from decussa.screen.marks import key, text
from decussa.screen.places import RUN, STUDY, address
from decussa.screen.shell import PATIENCE_S, page_frame
from decussa.screen.study_board import NEW_STUDY
from decussa.screen.study_forms import choice, field, form_plate, submit
from decussa.screen.study_lists import no_study, readable_plate, rehearsals_plate, studies_plate
from decussa.screen.study_page import READER, StudyPage
from decussa.screen.visitor import place_words, reads_only, visitor
from decussa.screen.words import without_paths
from decussa.store.operators import Identity

_KEYS = {"S": "new study", "R": "sheet rehearse"}


def add_pages(desk: Desk) -> None:
    """Add the first page."""

    @ui.page(STUDY, response_timeout=PATIENCE_S)
    async def show() -> None:
        read = await run.io_bound(_boards, desk)
        boards, damaged = read or ((), ())
        own = [board for board in boards if not board.is_rehearsal]
        who = visitor()
        if who is not None and reads_only(who):
            _show_readable(boards, who)
        elif len(own) == 1 and not damaged and own[0].folder == desk.root:
            StudyPage(desk, own[0], tried=[board for board in boards if board.is_rehearsal])
        else:
            HomePage(desk, boards, damaged)


def _show_readable(boards: Sequence[StudyBoard], who: Identity) -> None:
    said = f'<small class="jr">{text(place_words(who))}</small>'
    with page_frame(phrase("Sessions to read"), "Study", {"Study": STUDY}, who=said):
        ui.html(f'<div class="pad study home">{readable_plate(boards)}</div>', sanitize=False)


def _boards(desk: Desk) -> tuple[tuple[StudyBoard, ...], tuple[str, ...]]:
    """Return every board of the folder, and what kept others from being read."""
    boards, damaged = [], []
    for folder in studies_in(desk.root):
        try:
            boards.append(READER.read(folder))
        except DecussaError as error:
            damaged.append(without_paths(error.sentence()))
    return tuple(boards), tuple(damaged)


class HomePage:
    """One window on the folder of studies."""

    def __init__(self, desk: Desk, boards: Sequence[StudyBoard], damaged: Sequence[str]) -> None:
        self.desk, self.boards, self.damaged = desk, boards, damaged
        self.sheet = self.problem = ""
        self._client = ui.context.client
        who = f'<small class="jr">{text(place_words(visitor()))}</small>'
        with page_frame(phrase("Studies"), "Study", {"Study": STUDY}, who=who):
            with ui.element("div").classes("pad study home"):
                self._form = ui.html("", sanitize=False)
                ui.html(self._inner(), sanitize=False)
            foot = key("S", phrase("new study"), "new study") + key("R", phrase("rehearse"), "sheet rehearse")
            ui.html(foot, sanitize=False, tag="footer").classes("deskfoot")
            self._hands = Hands(self._act)
        self._draw()

    def _inner(self) -> str:
        own = [board for board in self.boards if not board.is_rehearsal]
        tried = [board for board in self.boards if board.is_rehearsal]
        said = "".join(f'<p class="mindbar">{text(one)}</p>' for one in self.damaged)
        notice = phrase(
            "This program helps to plan, log and analyse sessions. It is not a medical device, gives no medical advice and "
            "does not decide whether a person may be stimulated. That decision belongs to a qualified person under your ethics "
            "approval, your institution’s rules and the law."
        )
        body = studies_plate(own) if own else no_study()
        return f'{said}{body}{rehearsals_plate(tried) if tried else ""}<p class="notice">{text(notice)}</p>'

    def _draw(self) -> None:
        self._form.set_content(_rehearse(self.problem) if self.sheet == "rehearse" else "")
        self._hands.hold({"Escape": "close"} if self.sheet else _KEYS, 0)

    def _act(self, act: Act) -> None:
        self.problem = ""
        if act.name == "new study":
            self._client.open(NEW_STUDY)
        elif act.name == "rehearse":
            try:
                self._begin(act.fields)
            except DecussaError as error:
                self.problem = without_paths(error.sentence())
        else:
            self.sheet = act.name.removeprefix("sheet ") if act.name.startswith("sheet ") else ""
        self._draw()

    def _begin(self, fields: Mapping[str, str]) -> None:
        protocol, seed = fields.get("protocol", ""), fields.get("seed", "")
        if protocol not in SHIPPED:
            raise UsageError("protocol is not known", expected=", ".join(SHIPPED), found=repr(protocol))
        if not (seed.isdigit() and int(seed) <= 9999):
            raise UsageError("number of the virtual person cannot be read", expected="0 to 9999", found=repr(seed))
        live = self.desk.new_rehearsal(protocol, int(seed), quick=fields.get("quick") == "yes")
        self._client.open(address(RUN, live.folder.name, live.session))


def _rehearse(problem: str) -> str:
    span = 'min="0" max="9999" step="1" required value="1"'
    options = [(name, name) for name in SHIPPED]
    pace = phrase("Do not wait for intervals")
    inner = (
        f'<form data-act="rehearse">{choice("protocol", phrase("Protocol"), options)}'
        f"{field('seed', phrase('Which virtual person (a number)'), kind='number', more=span, focus=True)}"
        f'<label class="pick"><input type="checkbox" name="quick" value="yes" checked> {pace}</label>'
        f"{submit(phrase('Rehearse'))}</form>"
    )
    return form_plate(phrase("Rehearse a protocol"), inner, problem)
