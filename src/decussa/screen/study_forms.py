"""The forms of the study page: a participant, a session's day, a call on the day after, a colleague, files, a back-up."""

from __future__ import annotations

from collections.abc import Sequence

from decussa.compose.keeping import OUTCOMES, SEVERITIES
from decussa.compose.studying import PersonRow, SessionRow, StudyBoard
from decussa.compose.taking_in import ENDINGS, LARGEST_BYTES
from decussa.screen.language import phrase
from decussa.screen.marks import button, cap, plate, text
from decussa.screen.places import PREPARE, READ, REPORT, RUN, address
from decussa.screen.study_board import session_number, study_address
from decussa.store.operators import ROLES, KnownOperator

_STROKES = 24


def form_plate(title: str, inner: str, problem: str = "") -> str:
    """Return a form under its rule, with what was wrong with its last answer."""
    said = f'<p class="mindbar" role="alert">{text(problem)}</p>' if problem else ""
    return plate(title, button(phrase("Close"), "close", cap_="Esc", kind="small"), said + inner, kind="form")


def field(
    name: str, label: str, *, kind: str = "text", most: int = 80, more: str = "", focus: bool = False, note: str = ""
) -> str:
    """Return a field under its label, of at most so many letters; ``note`` explains it and is read with it."""
    described = f' aria-describedby="{name}-note"' if note else ""
    under = f'<p class="under" id="{name}-note">{text(note)}</p>' if note else ""
    return (
        f'<label for="{name}">{text(label)}</label><input id="{name}" name="{name}" type="{kind}" autocomplete="off" '
        f'maxlength="{most}" '
        f"{more}{described}{' data-focus' if focus else ''}>{under}"
    )


def choice(name: str, label: str, options: Sequence[tuple[str, str]], *, chosen: str = "", focus: bool = False) -> str:
    """Return a list to choose from."""
    inner = "".join(
        f'<option value="{text(value)}"{" selected" if value == chosen else ""}>{text(words)}</option>'
        for value, words in options
    )
    first = " data-focus" if focus else ""
    return f'<label for="{name}">{text(label)}</label><select id="{name}" name="{name}"{first}>{inner}</select>'


def picks(name: str, label: str, options: Sequence[tuple[str, str]], *, focus: bool = False) -> str:
    """Return a few answers of which one is picked; Enter on any of them sends the form."""
    inner = "".join(
        f'<label class="pick"><input type="radio" name="{name}" value="{text(value)}" required'
        f"{' data-focus' if focus and place == 0 else ''}> {text(words)}</label>"
        for place, (value, words) in enumerate(options)
    )
    return f"<fieldset><legend>{text(label)}</legend>{inner}</fieldset>"


def submit(words: str) -> str:
    """Return the button that sends a form."""
    return f'<button type="submit" class="btn go">{text(words)} {cap("Enter")}</button>'


def new_person(typed: str, doubt: str, problem: str) -> str:
    """Return the form for a new participant; a doubtful pseudonym is asked about once."""
    said = phrase("A code that only your key list resolves: no name, no initials, no birth date, no e-mail address.")
    more = f'required value="{text(typed)}"'
    sure = (
        f'<label class="pick"><input type="checkbox" name="sure" value="{text(typed)}" required data-focus> '
        f"{text(doubt)} {phrase('Yes, it is a code.')}</label>"
        if doubt
        else ""
    )
    inner = (
        f'<form data-act="add">{field("pseudonym", phrase("Code"), most=32, more=more, focus=not doubt, note=said)}{sure}'
        f"{submit(phrase('Add'))}</form>"
    )
    return form_plate(phrase("New participant"), inner, problem)


def person(board: StudyBoard, row: PersonRow, problem: str) -> str:
    """Return what can be done for one participant: a day for a session, the next session, files to take in."""
    sessions = "".join(_session_line(board, session) for session in row.sessions)
    files = [file for file in board.recordings if file.startswith(f"{row.pseudonym}/")]
    kept = "".join(f"<li>{text(file.partition('/')[2])}</li>" for file in files)
    inner = (
        f'<ul class="lines">{sessions}</ul>'
        f'<div class="acts"><button type="button" class="btn small" data-act="next {text(row.pseudonym)}">'
        f"{phrase('Add a session')}</button></div>"
        f"{_import(board, row)}"
        + (f'<p class="under">{phrase("Taken in:")}</p><ul class="files">{kept}</ul>' if kept else "")
    )
    return form_plate(phrase("Participant {code}", code=row.pseudonym), inner, problem)


def _session_line(board: StudyBoard, row: SessionRow) -> str:
    study, number = board.folder.name, session_number(row.session)
    links = [(phrase("Run"), RUN)] if row.rehearsal else [(phrase("Prepare"), PREPARE)]
    if row.stimuli:
        links += [(phrase("Read"), READ), (phrase("Report"), REPORT)]
    if row.state == "done" and not row.rehearsal:
        links.pop(0)
    shown = " ".join(f'<a href="{text(address(place, study, row.session))}">{words}</a>' for words, place in links)
    when = (
        f'<form class="inline" data-act="plan {text(row.session)}"><label class="vh" for="at-{text(row.session)}">'
        f"{phrase('Day and time of session {number}', number=number)}</label>"
        f'<input id="at-{text(row.session)}" name="at" type="datetime-local" value="{text(row.planned_for)}">'
        f'<button type="submit" class="btn small">{phrase("Plan")}</button></form>'
        if row.state in ("open", "planned") and not row.rehearsal
        else f'<span class="under">{text(row.state)}</span>'
    )
    ask = (
        f'<button type="button" class="btn small" data-act="sheet follow {text(row.session)}">{phrase("Next-day call")}</button>'
        if row.follow_up == "due"
        else ""
    )
    return f"<li><b>{phrase('Session {number}', number=number)}</b>{when}<span class='links'>{shown}</span>{ask}</li>"


def _import(board: StudyBoard, row: PersonRow) -> str:
    kinds = ",".join(ENDINGS)
    note = phrase(
        "{kinds}, at most {size} MB. The file is read once and kept as it is.",
        kinds=kinds.replace(",", " "),
        size=LARGEST_BYTES >> 20,
    )
    to = f"{study_address(board.folder.name)}/import"
    return (
        f'<form class="import" method="post" enctype="multipart/form-data" action="{text(to)}">'
        f'<input type="hidden" name="pseudonym" value="{text(row.pseudonym)}">'
        f'<label for="file">{phrase("Take in a recording")}</label>'
        f'<input id="file" name="file" type="file" accept="{kinds}" required aria-describedby="file-note">'
        f'<p class="under" id="file-note">{text(note)}</p>'
        f'<button type="submit" class="btn small">{phrase("Take in")}</button></form>'
    )


def follow_up(session: str, operators: Sequence[KnownOperator], problem: str) -> str:
    """Return the questions of the day after."""
    words = {
        "nothing to report": phrase("nothing to report"),
        "something to report": phrase("something to report"),
        "not reached": phrase("not reached"),
    }
    outcomes = picks(
        "outcome", phrase("How was it since the session?"), [(one, words[one]) for one in OUTCOMES], focus=True
    )
    grades = [("", "—"), *((one, phrase(one)) for one in SEVERITIES)]
    said = phrase(
        "About four in five complaints come after the session, most are mild (Maizey 2013, doi 10.1016/j.clinph.2012.07.024)."
    )
    inner = (
        f'<p class="under">{said}</p><form data-act="followed {text(session)}">'
        f"{outcomes}"
        f"{field('words', phrase('What, since when'), most=400)}"
        f"{choice('severity', phrase('How bad'), grades)}{identity(operators)}{submit(phrase('Write'))}</form>"
    )
    return form_plate(phrase("Next-day call, {session}", session=session), inner, problem)


def identity(operators: Sequence[KnownOperator], *, focus: bool = False) -> str:
    """Return the fields for who acts; without anybody added there is nothing to choose."""
    if not operators:
        return f'<p class="under">{phrase("Nobody who works here was added: identity not verified.")}</p>'
    options = [(one.code, f"{one.code}, {one.name}") for one in operators]
    return choice("code", phrase("Who"), options, focus=focus) + field(
        "pin", phrase("PIN"), kind="password", most=64, note=phrase("Empty where none is set up.")
    )


def _entitled(guards: Sequence[KnownOperator], label: str, prefix: str, *, needed: bool = True) -> str:
    who = choice(f"{prefix}by", label, _named(guards))
    pin = field(f"{prefix}by_pin", phrase("Their PIN"), kind="password", most=64, more="required" if needed else "")
    return f"<div>{who}</div><div>{pin}</div>"


def _named(people: Sequence[KnownOperator]) -> list[tuple[str, str]]:
    return [(one.code, f"{one.code}, {one.name}") for one in people]


def _pin_form(operators: Sequence[KnownOperator], guards: Sequence[KnownOperator]) -> str:
    """Return the form that gives somebody another PIN, or a first one."""
    if not operators:
        return ""
    old_note = phrase("Empty where none is set up.")
    first = bool(guards) and any(not one.has_pin for one in operators)
    by = _entitled(guards, phrase("A first PIN: entitled by"), "pin_", needed=False) if first else ""
    return (
        f'<h3>{phrase("Another PIN")}</h3><form data-act="pin" class="grid">'
        f"<div>{choice('pin_of', phrase('Whose'), _named(operators))}</div>"
        f"<div>{field('pin_old', phrase('PIN so far'), kind='password', most=64, note=old_note)}</div>"
        f"<div>{field('pin_next', phrase('New PIN'), kind='password', most=64, more='required')}</div>"
        f"{by}{submit(phrase('Change'))}</form>"
    )


def staff(operators: Sequence[KnownOperator], problem: str, *, may_add: bool = True) -> str:
    """Return who works here, the form that adds somebody for who may, and the one that changes a PIN."""
    rows = "".join(
        f'<tr><th scope="row">{text(one.code)}</th><td>{text(one.name)}</td><td>{text(one.role)}</td>'
        f"<td>{phrase('PIN set up') if one.has_pin else phrase('identity not verified')}</td></tr>"
        for one in operators
    )
    head = "".join(
        f'<th scope="col">{text(name)}</th>'
        for name in (phrase("Code"), phrase("Name"), phrase("Role"), phrase("Identity"))
    )
    table = f'<table class="staff"><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>' if rows else ""
    guards = [one for one in operators if one.role == "principal investigator" and one.has_pin]
    said = phrase(
        "Names and PINs stay in the private file of this study; journals and reports hold the code. "
        "A PIN is stored as a slow salted hash."
    )
    elsewhere = phrase("A principal investigator adds people, or whoever sits at the machine itself.")
    more = _colleague_form(guards) if may_add else f'<p class="under">{text(elsewhere)}</p>'
    inner = f'<p class="under">{said}</p>{table}{more}{_pin_form(operators, guards)}'
    return form_plate(phrase("Who works here"), inner, problem)


def _colleague_form(guards: Sequence[KnownOperator]) -> str:
    """Return the form that adds somebody, entitled by one of ``guards`` where there are any."""
    by = _entitled(guards, phrase("Added by"), "") if guards else ""
    code_note = phrase("1 to 12 letters, digits or -")
    pin_note = phrase("At least four characters, or empty.")
    return (
        f'<form data-act="colleague" class="grid">'
        f"<div>{field('new_code', phrase('Code'), most=12, more='required', focus=True, note=code_note)}</div>"
        f"<div>{field('name', phrase('Name'), more='required')}</div>"
        f"<div>{choice('role', phrase('Role'), [(role, phrase(role)) for role in ROLES])}</div>"
        f"<div>{field('new_pin', phrase('Personal PIN'), kind='password', most=64, note=pin_note)}</div>"
        f"{by}{submit(phrase('Add'))}</form>"
    )


def rehearse(protocol: str, seed: int, problem: str) -> str:
    """Return the form that begins a rehearsal of the study's protocol."""
    pace = phrase("Do not wait for intervals")
    span = f'min="0" max="9999" step="1" required value="{seed}"'
    said = phrase(
        "A session on a virtual participant. It is marked as a rehearsal everywhere and kept apart from the study."
    )
    inner = (
        f'<p class="under">{said}</p><form data-act="rehearse">'
        f"{field('seed', phrase('Which virtual person (a number)'), kind='number', more=span, focus=True)}"
        f'<label class="pick"><input type="checkbox" name="quick" value="yes" checked> {pace}</label>'
        f"{submit(phrase('Rehearse'))}</form>"
    )
    return form_plate(phrase("Rehearse “{protocol}”", protocol=protocol), inner, problem)


def backup(done: str, problem: str, *, may_name: bool = True) -> str:
    """Return the form for a back-up, into a folder of their own for who may name one; ``done`` says how far the last one is."""
    note = phrase("The whole path of a folder on another disk; empty: the folder back-ups beside the studies.")
    rule = phrase("Without the private file: keep a copy of that one apart.")
    into = field("target", phrase("Into"), most=400, focus=True, note=note) if may_name else ""
    inner = f'<form data-act="backup">{into}<p class="under">{rule}</p>{submit(phrase("Back up"))}</form>{done}'
    return form_plate(phrase("Back up"), inner, problem)


def strokes(copied: int, of: int) -> str:
    """Return how far a back-up is, as strokes and in words."""
    share = min(copied / of, 1.0)
    past = round(share * _STROKES)
    marks = "".join(f'<i class="{"past" if place < past else ""}"></i>' for place in range(_STROKES))
    words = phrase("{done} of {all} MB copied.", done=f"{copied / 1e6:.1f}", all=f"{of / 1e6:.1f}")
    return f'<div class="progress"><div class="strokes" aria-hidden="true">{marks}</div><p>{text(words)}</p></div>'


def done_words(name: str) -> str:
    """Return that a back-up is whole, and where."""
    said = phrase("Copied whole: {name}. decussa check says whether it stays so.", name=name)
    return f'<p class="calm">{text(said)}</p>'


def keys(rows: Sequence[tuple[str, str]]) -> str:
    """Return every key of the page with its meaning."""
    inner = "".join(f'<tr><th scope="row">{cap(key)}</th><td>{text(words)}</td></tr>' for key, words in rows)
    return form_plate(phrase("All keys"), f'<table class="keytable"><tbody>{inner}</tbody></table>')
