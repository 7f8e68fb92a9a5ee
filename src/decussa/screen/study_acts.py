"""What keys, buttons and forms of the Study page do, each under its word; what cannot be right is raised and said there."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from nicegui import background_tasks

from decussa.compose import colleagues, keeping
from decussa.compose.preparing import known_operators, who_acts
from decussa.compose.studying import StudyBoard
from decussa.model.errors import UsageError
from decussa.protocol.schema import SHIPPED, protocol_text
from decussa.screen.places import RUN, address
from decussa.screen.study_board import due_act
from decussa.screen.study_share import share
from decussa.screen.visitor import refuse_unless_leading

if TYPE_CHECKING:
    from decussa.screen.study_page import StudyPage


def nothing(page: StudyPage, rest: str, fields: Mapping[str, str]) -> None:
    """An act that no page of ours sends is dropped."""


def _sheet(page: StudyPage, rest: str, _: Mapping[str, str]) -> None:
    page.open_form(*rest.split(" ", 1))


def _close(page: StudyPage, _: str, __: Mapping[str, str]) -> None:
    page.open_form("")


def _first(page: StudyPage, _: str, __: Mapping[str, str]) -> None:
    if page.board.due:
        item = page.board.due[0]
        to = due_act(page.board, item)[1]
        if to:
            page.go_to(to)
        else:
            page.open_form("follow", item.session)


def _add(page: StudyPage, _: str, fields: Mapping[str, str]) -> None:
    pseudonym = fields.get("pseudonym", "").strip()
    page.typed, page.doubt = pseudonym, ""
    page.doubt = keeping.doubt_about_new(pseudonym)
    if page.doubt and fields.get("sure") != pseudonym:
        return
    page.doubt = ""
    keeping.enrol(page.board.folder, pseudonym)
    page.open_form("of", pseudonym)
    page.reread()


def _next(page: StudyPage, pseudonym: str, _: Mapping[str, str]) -> None:
    keeping.add_next_session(page.board.folder, pseudonym)
    page.reread()


def _plan(page: StudyPage, session: str, fields: Mapping[str, str]) -> None:
    keeping.plan_session(page.board.folder, session, fields.get("at", ""))
    page.reread()


def _followed(page: StudyPage, session: str, fields: Mapping[str, str]) -> None:
    who = who_acts(page.board.folder, fields.get("code", ""), fields.get("pin", ""))
    said = (fields.get("outcome", ""), fields.get("words", ""), fields.get("severity", ""))
    keeping.follow_up(page.board.folder, session, who, *said)
    page.open_form("")
    page.reread()


def _colleague(page: StudyPage, _: str, fields: Mapping[str, str]) -> None:
    refuse_unless_leading(page.visitor, "people who work here cannot be added")
    given = [fields.get(name, "") for name in ("new_code", "name", "role", "new_pin")]
    by = {"by_code": fields.get("by", ""), "by_pin": fields.get("by_pin", "")}
    colleagues.add_colleague(page.board.folder, given[0].strip(), given[1], given[2], given[3], **by)
    page.reread()


def _pin(page: StudyPage, _: str, fields: Mapping[str, str]) -> None:
    by = {"by_code": fields.get("pin_by", ""), "by_pin": fields.get("pin_by_pin", "")}
    given = [fields.get(name, "") for name in ("pin_of", "pin_old", "pin_next")]
    if given[0] in {one.code for one in known_operators(page.board.folder) if not one.has_pin}:
        refuse_unless_leading(page.visitor, "a first PIN cannot be given")
    colleagues.change_colleague_pin(page.board.folder, given[0], given[1], given[2], **by)
    page.reread()


def _rehearse(page: StudyPage, _: str, fields: Mapping[str, str]) -> None:
    seed = fields.get("seed", "")
    if not (seed.isdigit() and int(seed) <= 9999):
        raise UsageError("number of the virtual person cannot be read", expected="0 to 9999", found=repr(seed))
    live = page.desk.new_rehearsal(_protocol_of(page.board), int(seed), quick=fields.get("quick") == "yes")
    page.go_to(address(RUN, live.folder.name, live.session))


def _protocol_of(board: StudyBoard) -> str:
    """Return what a rehearsal is made from: the shipped protocol by name where it was not changed, else the study's own."""
    own = board.folder / "protocol.toml"
    name = board.protocol_name
    if name in SHIPPED and own.read_text(encoding="utf-8", errors="surrogateescape") == protocol_text(name):
        return name
    return str(own)


def _check(page: StudyPage, _: str, __: Mapping[str, str]) -> None:
    background_tasks.create(page.check())


def _backup(page: StudyPage, _: str, fields: Mapping[str, str]) -> None:
    target = fields.get("target", "").strip()
    if target:
        refuse_unless_leading(page.visitor, "a folder for the back-up cannot be named")
    background_tasks.create(page.back_up(target))


def _share(page: StudyPage, _: str, fields: Mapping[str, str]) -> None:
    background_tasks.create(share(page, fields))


_Do = Callable[["StudyPage", str, Mapping[str, str]], None]
ACTS: Mapping[str, _Do] = {
    "sheet": _sheet,
    "share": _share,
    "close": _close,
    "first": _first,
    "add": _add,
    "next": _next,
    "plan": _plan,
    "followed": _followed,
    "colleague": _colleague,
    "pin": _pin,
    "rehearse": _rehearse,
    "check": _check,
    "backup": _backup,
}
