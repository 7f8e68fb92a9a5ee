"""The operator's side of a session: answers, commands, and what became of a stimulus whose answer is missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

from decussa.model.dialogue import Ask, Deliver, Lost, Request, Trial
from decussa.store.records import AdverseEvent, Correction, Remark, Tolerance, TorqueRange

#: Why nothing is asked for after the stop key, and what is noted where it was pressed without an event.
ALARM = "stop key"
NO_EVENT = "stop key: no event"


def verdict_said(verdict: str) -> str:
    """Return the words of a correction by which the operator judges a trial."""
    return f"verdict by the operator: {verdict}"


@dataclass(frozen=True, slots=True)
class Hold:
    """Ask for nothing until the operator says so."""

    text: str = ""


@dataclass(frozen=True, slots=True)
class Stop:
    """End the session here; it can be opened again."""

    text: str = ""


@dataclass(frozen=True, slots=True)
class LeaveStep:
    """Skip the step that is running, or have it done again."""

    action: Literal["skip", "redo"]
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Write:
    """Put something down: a note, an adverse event, how a pulse was tolerated, a torque, what is wrong in an earlier entry."""

    record: Remark | AdverseEvent | Correction | Tolerance | TorqueRange


Command = Hold | Stop | LeaveStep | Write


class Operator(Protocol):
    """Whoever runs the session: a terminal, a page, or nobody (``Unattended``)."""

    code: str

    def confirm_gate(self, gate: str) -> bool:
        """Say whether a gate holds."""
        ...

    def answer(self, request: Ask) -> str | float:
        """Answer a question of the plan."""
        ...

    def commands(self, request: Request, due_s: float) -> Sequence[Command]:
        """Return what is to be done before ``request``, and forget it; asked again until it returns nothing: go on.

        ``due_s`` is the time in seconds until the request may be carried out; 0 or less means now.
        """
        ...

    def wait_to_go_on(self) -> Command | None:
        """Return what is to be done during a hold, or None when the session may go on."""
        ...

    def say_outcome(self, request: Deliver, number: int) -> Lost | Trial:
        """Say what became of a stimulus whose answer is missing."""
        ...


class Unattended:
    """Nobody: every question gets its default, a stimulus of unknown outcome counts as given and lost."""

    code = "unattended"

    def confirm_gate(self, gate: str) -> bool:  # noqa: ARG002
        """Pass: an unattended session never reaches a person."""
        return True

    def answer(self, request: Ask) -> str | float:
        """Return the default."""
        return request.default

    def commands(self, request: Request, due_s: float) -> Sequence[Command]:  # noqa: ARG002
        """Want nothing."""
        return ()

    def wait_to_go_on(self) -> Command | None:
        """Go on at once."""
        return None

    def say_outcome(self, request: Deliver, number: int) -> Lost | Trial:  # noqa: ARG002
        """Count it as given and lost."""
        return Lost(given="given and lost", reason="unattended")
