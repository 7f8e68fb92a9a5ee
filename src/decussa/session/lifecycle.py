"""In which state a session is, and what may happen in it: one table, from which the manual's diagram is drawn."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from decussa.model.errors import UsageError

State = Literal["new", "gates", "running", "on hold", "outcome unknown", "stopped", "finished"]
Event = Literal[
    "opened",
    "gate passed",
    "gate refused",
    "asked",
    "replied",
    "held",
    "went on",
    "interrupted",
    "outcome said",
    "stopped",
    "ended",
]

#: From each state, the events that may happen and the state they lead to.
TRANSITIONS: Mapping[State, Mapping[Event, State]] = {
    "new": {"opened": "gates"},
    "gates": {
        "gate passed": "gates",
        "gate refused": "stopped",
        "asked": "running",
        "held": "on hold",
        "stopped": "stopped",
    },
    "running": {
        "asked": "running",
        "replied": "running",
        "gate passed": "running",
        "held": "on hold",
        "interrupted": "outcome unknown",
        "stopped": "stopped",
        "ended": "finished",
    },
    "on hold": {"went on": "running", "stopped": "stopped", "interrupted": "outcome unknown"},
    "outcome unknown": {"outcome said": "running", "stopped": "stopped"},
    "stopped": {"opened": "gates", "went on": "running"},
    "finished": {},
}


def next_state(state: State, event: Event) -> State:
    """Return the state that ``event`` leads to.

    Raises
    ------
    UsageError
        If it cannot happen in this state.
    """
    allowed = TRANSITIONS[state]
    if event not in allowed:
        raise UsageError(
            f"'{event}' cannot happen while a session is {state}",
            expected=", ".join(allowed) or "nothing more",
            found=event,
        )
    return allowed[event]


def diagram() -> str:
    """Return the table as a diagram in Mermaid's text form."""
    lines = ["stateDiagram-v2", "    [*] --> new"]
    names = {state: state.replace(" ", "_") for state in TRANSITIONS}
    for state, events in TRANSITIONS.items():
        for event, target in events.items():
            lines.append(f"    {names[state]} --> {names[target]}: {event}")
    lines.append("    finished --> [*]")
    return "\n".join(lines)
