"""The first page: the only study of the folder, or the list of its studies and rehearsals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from nicegui import run, ui

from decussa.compose.looking import studies_in
from decussa.compose.studying import StudyBoard
from decussa.model.errors import DecussaError, UsageError
from decussa.protocol.schema import SHIPPED
from decussa.screen.hands import Act, Hands
from decussa.screen.language import phrase
from decussa.screen.marks import cap, key, link, plate, say, text
from decussa.screen.places import READ, RUN, STUDY, address
from decussa.screen.running import Desk
from decussa.screen.shell import page_frame
from decussa.screen.study_board import NEW_STUDY, study_address
from decussa.screen.study_forms import choice, field, form_plate, submit
from decussa.screen.study_page import READER, StudyPage
from decussa.screen.words import without_paths

_KEYS = {"S": "new study", "R": "sheet rehearse"}


def add_pages(desk: Desk) -> None:
    """Add the first page."""

    @ui.page(STUDY)
    async def show() -> None:
        read = await run.io_bound(_boards, desk)
        boards, damaged = read or ((), ())
        own = [board for board in boards if not board.is_rehearsal]
        if len(own) == 1 and not damaged and own[0].folder == desk.root:
            StudyPage(desk, own[0])
        else:
            HomePage(desk, boards, damaged)


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
        who = f'<small class="jr">{phrase("on this computer only")}</small>'
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
        body = _studies(own) if own else _empty()
        return f'{said}{body}{_rehearsals(tried) if tried else ""}<p class="notice">{text(notice)}</p>'

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


def _empty() -> str:
    said = phrase("No study yet.")
    more = phrase(
        "Start one from a protocol, or rehearse a protocol on a virtual participant: nobody has to learn on people."
    )
    return (
        f'<p class="lead">{said}</p><p class="under">{more}</p><div class="answers">'
        f'<button type="button" class="btn go" data-act="new study">{phrase("New study")} {cap("S")}</button>'
        f'<button type="button" class="btn" data-act="sheet rehearse">{phrase("Rehearse")} {cap("R")}</button></div>'
    )


def _studies(boards: Sequence[StudyBoard]) -> str:
    rows = "".join(
        f'<tr><th scope="row"><a href="{text(study_address(board.folder.name))}">{text(board.protocol.study.name)}</a></th>'
        f"<td>{text(board.folder.name)}</td><td>{text(board.protocol_name)}</td>"
        f'<td class="r">{len(board.people)}</td><td>{_due(board)}</td></tr>'
        for board in boards
    )
    names = (phrase("Study"), phrase("Folder"), phrase("Protocol"), phrase("People"), phrase("Due today"))
    head = "".join(
        f'<th scope="col"{" class=r" if place == 3 else ""}>{text(name)}</th>' for place, name in enumerate(names)
    )
    table = f'<table class="people"><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>'
    more = link(phrase("New study"), NEW_STUDY, "new study", kind="small")
    return plate(phrase("Studies"), more, _wide(table, phrase("Table of studies")))


def _due(board: StudyBoard) -> str:
    return text(", ".join(dict.fromkeys(item.pseudonym for item in board.due)) or phrase("nothing"))


def _rehearsals(boards: Sequence[StudyBoard]) -> str:
    rows = "".join(
        f'<tr><th scope="row">{text(row.session)}</th><td>{text(board.protocol.study.name)}</td>'
        f"<td>{say({'done': 'done', 'incomplete': 'incomplete'}.get(row.state, 'open'), phrase(_WORDS[row.state]), 16)}</td>"
        f'<td class="r">{row.pulses}</td><td>{_links(board, row.session, row.state)}</td></tr>'
        for board in boards
        for person in board.people
        for row in person.sessions
    )
    names = (phrase("Session"), phrase("Protocol"), phrase("State"), phrase("Pulses"), phrase("Open"))
    head = "".join(
        f'<th scope="col"{" class=r" if place == 3 else ""}>{text(name)}</th>' for place, name in enumerate(names)
    )
    table = f'<table class="people"><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>'
    note = phrase("kept apart from every study")
    return plate(phrase("Rehearsals"), note, _wide(table, phrase("Table of rehearsals")), kind="tried")


_WORDS = {"done": "done", "incomplete": "incomplete", "planned": "planned", "open": "open"}


def _links(board: StudyBoard, session: str, state: str) -> str:
    study = board.folder.name
    run_link = f'<a href="{text(address(RUN, study, session))}">{phrase("Run")}</a>'
    read_link = f'<a href="{text(address(READ, study, session))}">{phrase("Read")}</a>'
    return {"done": f"{run_link} {read_link}", "incomplete": f"{run_link} {read_link}"}.get(state, run_link)


def _wide(table: str, label: str) -> str:
    return f'<div class="wider" role="region" tabindex="0" aria-label="{text(label)}">{table}</div>'


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
