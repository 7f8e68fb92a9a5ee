"""Lists of the folder that is served: its studies, the rehearsals that are kept apart from them, and what can be read."""

from __future__ import annotations

from collections.abc import Sequence

from decussa.compose.studying import StudyBoard
from decussa.screen.language import phrase
from decussa.screen.marks import cap, link, plate, say, text
from decussa.screen.places import READ, REPORT, RUN, address
from decussa.screen.study_board import NEW_STUDY, study_address


def no_study() -> str:
    """Return what an empty folder offers."""
    said = phrase("No study yet.")
    more = phrase(
        "Start one from a protocol, or rehearse a protocol on a virtual participant: nobody has to learn on people."
    )
    return (
        f'<p class="lead">{said}</p><p class="under">{more}</p><div class="answers">'
        f'<button type="button" class="btn go" data-act="new study">{phrase("New study")} {cap("S")}</button>'
        f'<button type="button" class="btn" data-act="sheet rehearse">{phrase("Rehearse")} {cap("R")}</button></div>'
    )


def studies_plate(boards: Sequence[StudyBoard]) -> str:
    """Return the studies with who is due today."""
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


def rehearsals_plate(boards: Sequence[StudyBoard]) -> str:
    """Return the rehearsals, each with the way back into it."""
    rows = "".join(
        f'<tr><th scope="row">{text(row.session)}</th><td>{text(board.protocol.study.name)}</td>'
        f"<td>{say({'done': 'done', 'incomplete': 'incomplete'}.get(row.state, 'open'), _state(row.state), 16)}</td>"
        f'<td class="r">{row.stimuli}</td><td>{_links(board, row.session, row.state)}</td></tr>'
        for board in boards
        for person in board.people
        for row in person.sessions
    )
    names = (phrase("Session"), phrase("Protocol"), phrase("State"), phrase("Stimuli"), phrase("Open"))
    head = "".join(
        f'<th scope="col"{" class=r" if place == 3 else ""}>{text(name)}</th>' for place, name in enumerate(names)
    )
    table = f'<table class="people"><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>'
    note = phrase("kept apart from every study")
    return plate(phrase("Rehearsals"), note, _wide(table, phrase("Table of rehearsals")), kind="tried")


def readable_plate(boards: Sequence[StudyBoard]) -> str:
    """Return the sessions that hold something to read, for who may read alone."""
    rows = "".join(
        f'<tr><th scope="row">{text(row.session)}</th><td>{text(board.protocol.study.name)}</td>'
        f'<td class="r">{row.sweeps}</td><td>{_reading_links(board, row.session)}</td></tr>'
        for board in boards
        for person in board.people
        for row in person.sessions
        if row.stimuli and not person.withdrawn
    )
    if not rows:
        return plate(phrase("Read"), "", f'<p class="under">{phrase("Nothing to read yet.")}</p>')
    names = (phrase("Session"), phrase("Protocol"), phrase("Sweeps"), phrase("Open"))
    head = "".join(
        f'<th scope="col"{" class=r" if place == 2 else ""}>{text(name)}</th>' for place, name in enumerate(names)
    )
    table = f'<table class="people"><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>'
    return plate(phrase("Read"), "", _wide(table, phrase("Table of sessions to read")))


def _reading_links(board: StudyBoard, session: str) -> str:
    places = ((phrase("Read"), READ), (phrase("Report"), REPORT))
    return " ".join(f'<a href="{text(address(to, board.folder.name, session))}">{words}</a>' for words, to in places)


def _links(board: StudyBoard, session: str, state: str) -> str:
    study = board.folder.name
    run_link = f'<a href="{text(address(RUN, study, session))}">{phrase("Run")}</a>'
    read_link = f'<a href="{text(address(READ, study, session))}">{phrase("Read")}</a>'
    return {"done": f"{run_link} {read_link}", "incomplete": f"{run_link} {read_link}"}.get(state, run_link)


def _wide(table: str, label: str) -> str:
    return f'<div class="wider" role="region" tabindex="0" aria-label="{text(label)}">{table}</div>'


def _state(state: str) -> str:
    words = {"done": phrase("done"), "incomplete": phrase("incomplete"), "planned": phrase("planned")}
    return words.get(state, phrase("open"))
