"""What each key means in each state of Run: one hand, no chords."""

from __future__ import annotations

from collections.abc import Mapping

from decussa.model.dialogue import Ask
from decussa.screen.marks import cap, key
from decussa.screen.run_sheet import Mode
from decussa.screen.running import LiveSession
from decussa.session.limits import GATES

#: Keys that mean the same while a session runs.
_ALWAYS = {"N": "sheet note", "A": "sheet adverse", "F": "sheet aid", "?": "sheet keys"}
_VERDICTS = {"1": "verdict accept", "2": "verdict doubtful", "3": "verdict reject"}
_BY_MODE: Mapping[Mode, Mapping[str, str]] = {
    "idle": {"Enter": "begin", "?": "sheet keys"},
    "error": {"Enter": "begin"},
    "gates": {
        "Enter": "gate next",
        **{str(place): f"gate {place}" for place in range(1, len(GATES) + 1)},
        "Escape": "stop",
    },
    "set": {"Enter": "go", " ": "hold", "S": "sheet skip", "R": "sheet redo", "Escape": "stop", **_VERDICTS, **_ALWAYS},
    "rest": {" ": "hold", "S": "sheet skip", "Escape": "stop", **_VERDICTS, **_ALWAYS},
    "outcome": {"1": "outcome seen", "2": "outcome lost", "3": "outcome none", "F": "sheet aid"},
    "held": {" ": "go", "X": "sheet end", "Escape": "stop", **_ALWAYS},
    "alarm": {"L": "sheet adverse", "H": "no event", "F": "sheet aid"},
    "working": {" ": "hold", "Escape": "stop", **_ALWAYS},
    "finished": {"R": "again", "?": "sheet keys"},
    "watched": {"?": "sheet keys"},
}
_ALL = (
    ("Esc", "stop: the coil away, nothing is asked for; in a form: close it"),
    ("Enter", "pulse given; begin, confirm, answer"),
    ("Space", "hold, and go on"),
    ("1 2 3", "accept, doubtful, reject the last pulse, in the operator’s own word beside the rules’"),
    ("N", "note"),
    ("A", "adverse event"),
    ("F", "first aid"),
    ("S", "skip this step"),
    ("R", "have this step done again"),
    ("X", "end the session, from a hold; it can be opened again"),
    ("?", "all keys"),
)


def keys_of(live: LiveSession, mode: Mode, sheet: str) -> dict[str, str]:
    """Return what each key means now; ``sheet`` is the form that lies over the page, if any."""
    if sheet:
        more = {"end": {"Enter": "end"}, "skip": {"Enter": "leave skip"}, "redo": {"Enter": "leave redo"}}.get(
            sheet, {}
        )
        return {"Escape": "close", **more}
    keys = dict(_BY_MODE[mode])
    request = live.turn.request
    if mode == "question" and isinstance(request, Ask):
        keys = {"Escape": "stop", " ": "hold", **_ALWAYS}
        if request.kind == "confirm":
            keys |= {"Enter": "answer yes", "0": "answer no"}
        elif request.kind == "choice":
            keys |= {str(place): f"answer {place}" for place in range(1, len(request.choices) + 1)}
    if mode == "finished" and not live.rehearsal:
        keys.pop("R")
    return keys


def footer_keys(mode: Mode) -> str:
    """Return the keys of the moment, drawn beside their words."""
    shown: Mapping[Mode, tuple[tuple[str, str, str], ...]] = {
        "set": (
            ("Space", "hold", "hold"),
            ("Enter", "pulse given", "go"),
            ("N", "note", "sheet note"),
            ("1", "accept", "verdict accept"),
            ("2", "doubtful", "verdict doubtful"),
            ("3", "reject", "verdict reject"),
            ("S", "skip step", "sheet skip"),
            ("A", "adverse event", "sheet adverse"),
            ("?", "all keys", "sheet keys"),
        ),
        "rest": (
            ("Space", "hold", "hold"),
            ("N", "note", "sheet note"),
            ("A", "adverse event", "sheet adverse"),
            ("?", "all keys", "sheet keys"),
        ),
        "gates": (("Enter", "next one holds", "gate next"),),
        "held": (("F", "first aid", "sheet aid"), ("?", "all keys", "sheet keys")),
        "question": (
            ("N", "note", "sheet note"),
            ("A", "adverse event", "sheet adverse"),
            ("?", "all keys", "sheet keys"),
        ),
    }
    return "".join(key(*one) for one in shown.get(mode, (("?", "all keys", "sheet keys"),)))


def all_keys() -> str:
    """Return every key of Run with its meaning."""
    rows = "".join(f'<tr><th scope="row">{cap(name)}</th><td>{meaning}</td></tr>' for name, meaning in _ALL)
    return f'<table class="keytable"><tbody>{rows}</tbody></table>'
