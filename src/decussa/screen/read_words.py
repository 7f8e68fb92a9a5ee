"""What the review says: every word of its window, in the language of the pages."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from decussa.model.trial import VERDICTS
from decussa.screen.language import phrase
from decussa.screen.words import verdict_words

#: Reasons that are offered; others may be typed.
REASONS = (
    "moved before the pulse",
    "not at rest",
    "contraction not held",
    "artifact over the response",
    "response not certain",
    "coil slipped",
    "electrode came off",
    "heartbeat over the response",
    "cough or speech",
)


def view_words(muscle: str, muscles: Sequence[str], others: Sequence[str]) -> dict[str, Any]:
    """Return the words of a review's window about a muscle; ``others`` are the codes of other raters."""
    return {
        "muscles": list(muscles),
        "muscleNow": muscle,
        "others": phrase("Other raters") if others else "",
        "verdicts": {kind: verdict_words(kind) for kind in VERDICTS},
        "reasons": [phrase(reason) for reason in REASONS],
        "keys": _keys(),
        **_list_words(),
        **_value_words(),
        **_mark_words(),
        **_messages(),
    }


def _list_words() -> dict[str, Any]:
    """The words of the list of sweeps and its filters."""
    shows = {"": phrase("all"), "unseen": phrase("not seen yet"), "changed": phrase("changed by you")}
    return {
        "sweeps": phrase("Sweeps"),
        "strip": phrase("Sweeps in order; the arrow keys step"),
        "counted": phrase("{seen} of {all} seen", seen="{seen}", all="{all}"),
        "condition": phrase("Condition"),
        "muscle": phrase("Muscle"),
        "every": phrase("every one"),
        "show": phrase("Show"),
        "shows": shows | {kind: verdict_words(kind) for kind in VERDICTS},
        "unseen": phrase("not seen yet"),
    }


def _value_words() -> dict[str, Any]:
    """The words of what stands beside the drawing."""
    return {
        "yours": phrase("Your marks"),
        "size": phrase("Size"),
        "corrected": phrase("without noise"),
        "background": phrase("Background"),
        "limit": phrase("limit"),
        "active": phrase("held, no limit of rest"),
        "window": phrase("Window"),
        "hidden": phrase("hidden"),
        "notSeen": phrase("not seen by them"),
        "proposed": phrase("proposed"),
        "asProposed": phrase("as proposed"),
        "none": phrase("none proposed"),
        "reason": phrase("Why"),
    }


def _mark_words() -> dict[str, Any]:
    """The words in the drawing, and of its legend."""
    return {
        "sweep": phrase("Sweep"),
        "marks": {
            "onset_ms": phrase("onset"),
            "end_ms": phrase("end"),
            "silent_end_ms": phrase("silence ends"),
            "window_start_ms": phrase("from"),
            "window_end_ms": phrase("to"),
        },
        "markNames": {
            "onset_ms": phrase("Onset"),
            "end_ms": phrase("End"),
            "silent_end_ms": phrase("Silence ends"),
        },
        "this": phrase("this sweep"),
        "blank": phrase("stimulus artifact, not drawn"),
        "untaken": phrase("Drag a mark, or [O] onset, [E] end"),
        "taken": phrase("{mark}: [←] [→] by 0.1 ms, [Shift] by 1, [0] none, [Enter] done", mark="{mark}"),
    }


def _messages() -> dict[str, str]:
    """What the window says of itself."""
    return {
        "unwritten": phrase("{n} not written yet", n="{n}"),
        "waiting": phrase("Waiting until everything is written."),
        "first": phrase("This is the first one."),
        "last": phrase("There is no further one."),
        "allKeys": phrase("All keys"),
    }


def _keys() -> list[tuple[list[str], str]]:
    """Every key of the window, with what it does."""
    return [
        (["→", "←"], phrase("next, keeping this one as it is; back")),
        (["1", "2", "3"], phrase("accept, doubtful, reject")),
        (["N"], phrase("why: type the reason, Enter")),
        (["O", "E", "S"], phrase("take the onset, the end, the end of the silence")),
        (["W"], phrase("take the start of the window; again: its end")),
        (["→", "←"], phrase("with a mark taken: 0.1 ms, with Shift 1 ms")),
        (["0"], phrase("with a mark taken: there is none")),
        (["Enter"], phrase("let go of the mark")),
        (["F"], phrase("next doubtful")),
        (["U"], phrase("undo by a new entry")),
        (["V"], phrase("whole sweep, or the response")),
        (["+", "−"], phrase("larger, smaller")),
        (["T", "P"], phrase("table, report")),
        (["Esc"], phrase("let go, close")),
    ]
