"""What each key means in each state of Run: one hand, no chords."""

from __future__ import annotations

from collections.abc import Mapping

from decussa.model.dialogue import Ask
from decussa.screen.language import phrase
from decussa.screen.marks import cap, key
from decussa.screen.run_sheet import Mode
from decussa.screen.running import LiveSession
from decussa.session.limits import GATES

#: Keys that mean the same while a session runs.
_ALWAYS = {
    "N": "sheet note",
    "T": "sheet tolerance",
    "A": "sheet adverse",
    "F": "sheet aid",
    "O": "sheet operator",
    "?": "sheet keys",
    "Escape": "stop",
}
_VERDICTS = {"1": "verdict accept", "2": "verdict doubtful", "3": "verdict reject"}
_LEAVE = {"S": "sheet skip", "R": "sheet redo"}
_BY_MODE: Mapping[Mode, Mapping[str, str]] = {
    "idle": {"Enter": "begin", "?": "sheet keys"},
    "error": {"Enter": "begin", "?": "sheet keys"},
    "gates": {
        "Enter": "gate next",
        **{str(place): f"gate {place}" for place in range(1, len(GATES) + 1)},
        "F": "sheet aid",
        "?": "sheet keys",
        "Escape": "leave",
    },
    "set": {"Enter": "go", " ": "hold", **_LEAVE, **_VERDICTS, **_ALWAYS},
    "pulse": {"L": "no pulse", " ": "hold", **_VERDICTS, **_ALWAYS},
    "rest": {" ": "hold", **_LEAVE, **_VERDICTS, **_ALWAYS},
    "outcome": {"1": "sheet seen", "2": "outcome lost", "3": "outcome none", "F": "sheet aid", "Escape": "stop"},
    "size": {"L": "size lost", "F": "sheet aid", "N": "sheet note", "?": "sheet keys", "Escape": "stop"},
    "held": {" ": "go", "X": "sheet end", **_ALWAYS},
    "alarm": {"L": "sheet adverse", "H": "no event", "F": "sheet aid"},
    "working": {**_ALWAYS},
    "finished": {"Enter": "see debrief", "P": "see report", "R": "again", "S": "same", "?": "sheet keys"},
    "watched": {"?": "sheet keys"},
}
_FORMS: Mapping[str, Mapping[str, str]] = {
    "end": {"Enter": "end"},
    "skip": {"Enter": "leave step skip"},
    "redo": {"Enter": "leave step redo"},
}


def keys_of(live: LiveSession, mode: Mode, sheet: str) -> dict[str, str]:
    """Return what each key means now; ``sheet`` is the form that lies over the page, if any."""
    if sheet:
        return {"Escape": "close", **_FORMS.get(sheet, {})}
    if mode == "question":
        return _answers(live.turn.request)
    keys = dict(_BY_MODE[mode])
    if mode == "idle" and live.still_open():
        keys["Enter"] = "see prepare"
    if mode == "finished" and not live.rehearsal:
        for name in ("R", "S"):
            keys.pop(name)
        keys["Enter"] = "see read"
    if mode == "error" and live.error is not None and live.can_run_fresh:
        keys["Enter"] = "begin fresh"
    return keys


def _answers(request: object) -> dict[str, str]:
    keys = {" ": "hold", **_LEAVE, **_ALWAYS}
    if not isinstance(request, Ask):
        return keys
    if request.kind == "confirm":
        keys |= {"Enter": "answer yes", "0": "answer no"}
    elif request.kind == "choice":
        keys |= {str(place): f"answer {place}" for place in range(1, len(request.choices) + 1)}
    return keys


def footer_keys(mode: Mode) -> str:
    """Return the keys of the moment, drawn beside their words."""
    event, every = (phrase("adverse event"), "sheet adverse"), (phrase("all keys"), "sheet keys")
    hold, note = (phrase("hold"), "hold"), (phrase("note"), "sheet note")
    shown: Mapping[Mode, tuple[tuple[str, tuple[str, str]], ...]] = {
        "set": (
            ("Space", hold),
            ("Enter", (phrase("pulse given"), "go")),
            ("N", note),
            ("A", event),
            ("1", (phrase("accept"), "verdict accept")),
            ("2", (phrase("doubtful"), "verdict doubtful")),
            ("3", (phrase("reject"), "verdict reject")),
            ("?", every),
        ),
        "pulse": (
            ("Space", hold),
            ("L", (phrase("no pulse came"), "no pulse")),
            ("N", note),
            ("A", event),
            ("?", every),
        ),
        "rest": (("Space", hold), ("N", note), ("A", event), ("?", every)),
        "gates": (("Enter", (phrase("the next one holds"), "gate next")), ("?", every)),
        "held": (
            ("T", (phrase("tolerance"), "sheet tolerance")),
            ("F", (phrase("first aid"), "sheet aid")),
            ("?", every),
        ),
        "question": (("N", note), ("A", event), ("?", every)),
        "outcome": (),
        "alarm": (),
    }
    return "".join(key(name, *meaning) for name, meaning in shown.get(mode, (("?", every),)))


def all_keys() -> str:
    """Return every key of Run with its meaning."""
    rows = (
        ("Esc", phrase("stop: the coil away, nothing is asked for; in a form: close it")),
        ("Enter", phrase("pulse given; begin, confirm, answer")),
        ("Space", phrase("hold, and go on")),
        ("1 2 3", phrase("accept, doubtful, reject the last pulse, in your own word beside the rules’")),
        ("L", phrase("pulse lost, where sizes are typed; no pulse came, where one is waited for")),
        ("N", phrase("note")),
        ("T", phrase("tolerance: how uncomfortable the last pulse was")),
        ("A", phrase("adverse event")),
        ("F", phrase("first aid")),
        ("S", phrase("skip this step")),
        ("R", phrase("have this step done again")),
        ("O", phrase("another operator goes on: code and PIN")),
        ("X", phrase("end the session, from a hold; it can be opened again")),
        ("?", phrase("all keys")),
    )
    body = "".join(f'<tr><th scope="row">{cap(name)}</th><td>{text_}</td></tr>' for name, text_ in rows)
    return f'<table class="keytable"><tbody>{body}</tbody></table>'
