"""The board of a study as a page shows it: what is due, who takes part, what is missing, what lies where."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, datetime
from urllib.parse import quote

from decussa.compose.preview import Preview
from decussa.compose.studying import DueItem, PersonRow, SessionRow, StudyBoard
from decussa.model.estimate import Estimate
from decussa.screen.language import phrase
from decussa.screen.marks import cap, link, plate, say, text
from decussa.screen.places import PREPARE, READ, RUN, address
from decussa.screen.words import interval, number, value_of
from decussa.session.preparation import first_target
from decussa.store.chain import Entry
from decussa.store.preparing import SiteAccepted

STUDY_OF = "/study/{study}"
NEW_STUDY = "/new"
_STRIP_PX, _STRIP_ROW_PX = 210.0, 12.0
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def study_address(study: str) -> str:
    """Return the address of a study's page."""
    return STUDY_OF.format(study=quote(study, safe=""))


def day_words(text_: str) -> str:
    """Return a day as people write it, by this machine's clock: ``2 Nov``; empty where there is none."""
    if not text_:
        return ""
    moment = datetime.fromisoformat(text_)
    if moment.tzinfo is not None:
        moment = moment.astimezone()
    return f"{moment.day} {_MONTHS[moment.month - 1]}"


def today_words(today: date) -> str:
    """Return today with its weekday: ``Thu 26 Nov``."""
    return f"{_DAYS[today.weekday()]} {today.day} {_MONTHS[today.month - 1]}"


def session_number(session: str) -> str:
    """Return the number at the end of a session's name."""
    return session.rpartition("-")[2]


def heading(board: StudyBoard) -> str:
    """Return the study's name and what it is locked to."""
    rows = [row for person in board.people for row in person.sessions]
    done = sum(row.state == "done" for row in rows)
    facts = (
        phrase("Protocol “{name}”, version {version}", name=board.protocol_name, version=board.protocol.study.version),
        phrase("locked {day}", day=day_words(board.locked_on)),
        phrase("1 person") if len(board.people) == 1 else phrase("{count} people", count=len(board.people)),
        phrase("{done} of {count} sessions done", done=done, count=len(rows)),
    )
    return f'<p class="lead">{text(board.protocol.study.name)}</p><p class="under">{text(" · ".join(facts))}</p>'


def due_plate(board: StudyBoard, plan: Preview | None, today: date) -> str:
    """Return what is to be done today; the first thing can be begun with Enter."""
    if not board.due:
        inner = f'<p class="under">{phrase("Nothing is due today.")}</p>'
        inner += "" if board.people else _empty()
    else:
        inner = (
            f'<ul class="due">{"".join(_due(board, item, plan, place) for place, item in enumerate(board.due))}</ul>'
        )
    return plate(phrase("Due today"), today_words(today), inner)


def _empty() -> str:
    said = phrase(
        "Start with the first participant, or rehearse the protocol: nothing of a rehearsal enters the study."
    )
    return f'<p class="under">{said}</p>'


def due_act(board: StudyBoard, item: DueItem) -> tuple[str, str]:
    """Return the words of a due item's button, and where it leads; no address: a form of this page."""
    if item.what == "follow up":
        return phrase("Ask"), ""
    words = phrase("Go on") if item.what == "go on" else phrase("Prepare")
    return words, address(PREPARE, board.folder.name, item.session)


def _due(board: StudyBoard, item: DueItem, plan: Preview | None, place: int) -> str:
    words, to = due_act(board, item)
    title = phrase("{person}, session {number}", person=item.pseudonym, number=session_number(item.session))
    facts = []
    if item.what == "follow up":
        facts.append(phrase("Next-day call: the session was on {day}.", day=day_words(item.at)))
    else:
        hour = item.at[11:16] if item.what == "session" else phrase("begun {day}, not finished", day=day_words(item.at))
        facts.append(hour if item.what == "go on" else " · ".join([_late(item, hour), *_planned(plan)]))
        missing = ", ".join(item.missing)
        facts.append(phrase("Missing: {what}", what=missing) if missing else phrase("Nothing missing"))
    kind, key = ("go", "Enter") if place == 0 else ("", "")
    act = (
        link(words, to, f"due {place}", cap_=key, kind=kind)
        if to
        else f'<button type="button" class="btn small {kind}" data-act="sheet follow {text(item.session)}">{text(words)}'
        f"{' ' + cap(key) if key else ''}</button>"
    )
    lines = "".join(f"<p>{text(fact)}</p>" for fact in facts)
    return f'<li class="{"call" if item.what == "follow up" else ""}"><h3>{text(title)}</h3>{lines}{act}</li>'


def _late(item: DueItem, hour: str) -> str:
    today = datetime.now().astimezone().date().isoformat()
    return hour if item.at[:10] == today else phrase("planned for {day}", day=day_words(item.at))


def _planned(plan: Preview | None) -> list[str]:
    if plan is None:
        return []
    return [
        phrase("about {minutes} min", minutes=f"{plan.minutes:.0f}"),
        phrase("{count} pulses planned", count=plan.pulses),
    ]


def facts_plate(board: StudyBoard, checked: str, people_here: int) -> str:
    """Return what the study holds; ``checked`` says what the last check found, empty before one."""
    rows = [row for person in board.people for row in person.sessions]
    sweeps, accepted = sum(row.sweeps for row in rows), sum(row.accepted for row in rows)
    to_review = sum(row.state == "done" and bool(row.sweeps) and not row.reviewed for row in rows)
    calls = [person.pseudonym for person in board.people if any(row.follow_up == "due" for row in person.sessions)]
    entries = phrase("{count} entries", count=number(board.entries, 0))
    here = phrase("1 person") if people_here == 1 else phrase("{count} people", count=people_here)
    facts = (
        (phrase("Journal"), f"{entries}, {checked or phrase('not checked since it was opened')}"),
        (phrase("Sweeps"), phrase("{all} ({kept} accepted)", all=number(sweeps, 0), kept=number(accepted, 0))),
        (phrase("To review"), phrase("1 session") if to_review == 1 else phrase("{count} sessions", count=to_review)),
        (phrase("Next-day calls"), ", ".join(calls) or phrase("none due")),
        (phrase("Imported files"), number(len(board.recordings), 0)),
        *((((phrase("Set-up")), set_up_words(board.set_up)),) if board.set_up is not None else ()),
        (phrase("Who works here"), here if people_here else phrase("nobody added yet: identity not verified")),
    )
    inner = "".join(f"<dt>{text(name)}</dt><dd>{text(value)}</dd>" for name, value in facts)
    buttons = "".join(
        f'<button type="button" class="btn small" data-act="{act}">{text(words)}</button>'
        for words, act in (
            (phrase("Check"), "check"),
            (phrase("Back up"), "sheet backup"),
            (phrase("Export"), "sheet share"),
            (phrase("Who works here"), "sheet staff"),
        )
    )
    return plate(phrase("This study"), "", f'<dl class="facts">{inner}</dl><div class="acts">{buttons}</div>')


def set_up_words(entry: Entry | None) -> str:
    """Return which set-up is accepted for a study: when, by whom, how many findings were good; empty where none is."""
    if entry is None or not isinstance(entry.body, SiteAccepted):
        return ""
    record = entry.body
    said = phrase(
        "accepted {day} by {who}: {good} of {all} good",
        day=day_words(entry.at), who=record.operator or phrase("nobody named"),
        good=sum(finding.state == "good" for finding in record.findings), all=len(record.findings),
    )  # fmt: skip
    return f"{said}. {record.words}" if record.words else said


def people_plate(board: StudyBoard) -> str:
    """Return everybody with their sessions, the last threshold among the earlier ones, and what is missing."""
    target = first_target(board.protocol)
    note = phrase("threshold: {muscle}, % MSO, 95 % interval", muscle=f"{target.side} {target.muscle}")
    if not board.people:
        said = phrase("No participants yet.")
        inner = f'<p class="lead">{said}</p><div class="answers">{_first_acts()}</div>'
        return plate(phrase("People and sessions"), "", inner)
    count = max((len(person.sessions) for person in board.people), default=1) or 1
    low, high = _span(board)
    sessions = "".join(f'<th scope="col">{phrase("Session {number}", number=place + 1)}</th>' for place in range(count))
    head = (
        f'<tr><th scope="col">{phrase("Participant")}</th>{sessions}<th scope="col" class="r">{phrase("Last threshold")}</th>'
        f'<th scope="col" class="strip"><span>{low:g}</span><span>{high:g} %</span></th>'
        f'<th scope="col">{phrase("Missing")}</th></tr>'
    )
    rows = "".join(_person(board, person, count, low, high) for person in board.people)
    table = f'<table class="people"><thead>{head}</thead><tbody>{rows}</tbody></table>'
    label = phrase("Table of people and sessions")
    return plate(
        phrase("People and sessions"),
        text(note),
        f'<div class="wider" role="region" tabindex="0" aria-label="{text(label)}">{table}</div>',
    )


def _first_acts() -> str:
    return (
        f'<button type="button" class="btn go" data-act="sheet person">{phrase("New participant")} {cap("N")}</button>'
        f'<button type="button" class="btn" data-act="sheet rehearse">{phrase("Rehearse")} {cap("R")}</button>'
    )


def _person(board: StudyBoard, person: PersonRow, count: int, low: float, high: float) -> str:
    if person.withdrawn:
        said = phrase("withdrawn: sweeps, answers and notes are wiped")
        return (
            f'<tr><th scope="row">{text(person.pseudonym)}</th><td colspan="{count + 3}" class="under">{said}</td></tr>'
        )
    shown = [_session(board, row) for row in person.sessions]
    shown += [say("unseen", phrase("not yet"), 16)] * (count - len(shown))
    cells = "".join(f"<td>{one}</td>" for one in shown)
    found = [row.threshold for row in person.sessions if row.threshold is not None]
    last = found[-1] if found else None
    value = f"{value_of(last)} <span class='iv'>{text(interval(last))}</span>" if last else "—"
    strip = _strip(found, low, high) if found else f'<span class="under">{phrase("no threshold yet")}</span>'
    missing = ", ".join(person.missing)
    due = any(item.pseudonym == person.pseudonym and item.what != "follow up" for item in board.due)
    name = f'<button type="button" class="word" data-act="sheet of {text(person.pseudonym)}">{text(person.pseudonym)}</button>'
    return (
        f'<tr class="{"today" if due else ""}"><th scope="row">{name}</th>{cells}<td class="r nb">{value}</td>'
        f'<td class="strip">{strip}</td><td>{text(missing or phrase("nothing"))}</td></tr>'
    )


_STATES = {"done": "done", "incomplete": "incomplete", "planned": "open", "open": "open"}


def _session(board: StudyBoard, row: SessionRow) -> str:
    words = {
        "done": phrase("done"),
        "incomplete": phrase("incomplete"),
        "planned": _when(row.planned_for),
        "open": phrase("open"),
    }[row.state]
    place = READ if row.state == "done" else RUN if row.rehearsal else PREPARE
    to = address(place, board.folder.name, row.session)
    label = phrase("session {number}: {state}", number=session_number(row.session), state=words)
    return f'<a class="cell" href="{text(to)}" aria-label="{text(label)}">{say(_STATES[row.state], words, 16)}</a>'


def _when(planned_for: str) -> str:
    today = datetime.now().astimezone().date().isoformat()
    if planned_for[:10] == today:
        return phrase("today {hour}", hour=planned_for[11:16])
    return day_words(planned_for)


def _span(board: StudyBoard) -> tuple[float, float]:
    """Return the ends of the strip of thresholds: whole tens around every interval there is."""
    ends = [
        end
        for person in board.people
        for row in person.sessions
        if row.threshold is not None
        for end in (row.threshold.value, row.threshold.low, row.threshold.high)
        if math.isfinite(end)
    ]
    if not ends:
        return 20.0, 100.0
    low, high = math.floor(min(ends) / 10) * 10.0, math.ceil(max(ends) / 10) * 10.0
    return max(low, 0.0), min(max(high, low + 20), 100.0)


def _strip(found: Sequence[Estimate], low: float, high: float) -> str:
    """Return one line per session, the last one in ink; the text beside it has the numbers."""
    kept = [one for one in found if math.isfinite(one.value)][-4:]
    height = _STRIP_ROW_PX * max(len(kept), 1) + 6

    def x(value: float) -> float:
        return (min(max(value, low), high) - low) / (high - low) * (_STRIP_PX - 12) + 6

    marks = [f'<path class="gr" d="M0 {height / 2:.1f}H{_STRIP_PX:g}"/>']
    for place, one in enumerate(kept):
        y = 9 + place * _STRIP_ROW_PX
        kind = "ink" if place == len(kept) - 1 else "past"
        if math.isfinite(one.low) and math.isfinite(one.high):
            marks.append(f'<path class="{kind}" d="M{x(one.low):.1f} {y:g}H{x(one.high):.1f}"/>')
        marks.append(f'<circle class="{kind}" cx="{x(one.value):.1f}" cy="{y:g}" r="4.5"/>')
    return (
        f'<svg class="thresholds" viewBox="0 0 {_STRIP_PX:g} {height:g}" width="{_STRIP_PX:g}" height="{height:g}" '
        f'aria-hidden="true">{"".join(marks)}</svg>'
    )
