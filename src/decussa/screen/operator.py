"""The operator at a browser: the engine's thread waits here; pages say what is wanted.

Every word of a page names the turn it is meant for. A turn is one wait of the engine; what comes late, twice, or from a
second window that has not caught up belongs to a turn that is over and is dropped.
"""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from threading import Condition
from typing import Literal

from decussa.model.dialogue import Ask, Deliver, Lost, Request, Rest, Trial
from decussa.model.trial import Verdict
from decussa.session.operator import ALARM, NO_EVENT, Command, Hold, Stop, Write
from decussa.store.records import AdverseEvent, Remark

TurnKind = Literal["working", "gate", "request", "pulse", "held", "outcome", "size", "ended"]
#: The code that stands for the pages where nobody said who works at them.
NOBODY_NAMED = "browser"
#: What is said to a stimulus that was given, and to a hold that is over.
GO = "go"
#: How often it is looked whether a pulse may be asked for, where nobody has to say so, in s.
_LOOK_S = 0.05
#: Turns to which there is nothing to say.
_NO_ANSWER = ("working", "gate", "pulse", "ended")


@dataclass(frozen=True, slots=True)
class Turn:
    """What the engine waits for. ``due`` is when a request may be carried out, on the machine's monotonic clock.

    ``about`` is the gate to be passed, or the muscle whose size is to be typed.
    """

    number: int = 0
    kind: TurnKind = "working"
    request: Request | None = None
    about: str = ""
    stimulus: int = 0
    due: float = 0.0

    def left_s(self) -> float:
        """Return the seconds until the request may be carried out; 0 when it may be now."""
        return max(self.due - time.monotonic(), 0.0)


class BrowserOperator:
    """Answers the engine with what pages post.

    ``quick`` never waits for an interval. Where pulses are seen by themselves ``may_ask`` says whether one may be asked for now,
    once it is due: nobody has to press a key with the coil in hand. ``acting`` is the code of whoever works at the pages now,
    ``code`` that of what the engine has got to: what was confirmed or wanted before somebody else went on stays theirs.
    """

    def __init__(self, *, quick: bool, may_ask: Callable[[Deliver], bool] | None = None) -> None:
        self.quick, self.may_ask = quick, may_ask
        self._give_up: Callable[[], None] | None = None
        self.turn = Turn()
        self.gates: set[str] = set()
        self._said: str | float | Lost | Trial | None = None
        self._answer: str | float = ""
        self.code = self.acting = NOBODY_NAMED
        self._wanted: deque[tuple[Command, str]] = deque()
        self._changed = Condition()

    @property
    def is_named(self) -> bool:
        """Whether it is known who works at the pages."""
        return self.acting != NOBODY_NAMED

    # What pages call: never waits.

    def say(self, turn: int, said: str | float | Lost | Trial) -> bool:
        """Answer the turn of that number; False where it is over, or its stimulus is not due yet."""
        with self._changed:
            if turn != self.turn.number or self.turn.kind in _NO_ANSWER or self._said is not None:
                return False
            if self.turn.kind == "request" and isinstance(self.turn.request, Deliver) and self.turn.left_s() > 0:
                return False
            self._said = said
            self._changed.notify_all()
            return True

    def want(self, command: Command) -> None:
        """Have something done as soon as the engine listens; what ends the wait for a pulse ends it at once."""
        with self._changed:
            self._wanted.append((command, self.acting))
            self._changed.notify_all()
        if not isinstance(command, Write):
            self.give_up()

    def give_up(self) -> None:
        """Wait no longer for the pulse that is waited for, if one is: what became of it is asked then."""
        self._give_up_turn(self.turn.number)

    def _give_up_turn(self, turn: int, *, again: bool = True) -> None:
        """End the wait of one turn; said once more a moment later, when the source is sure to have begun to listen."""
        give_up = self._give_up
        if give_up is None or self.turn.number != turn or self.turn.kind != "pulse":
            return
        give_up()
        if again:
            threading.Timer(0.2, self._give_up_turn, (turn,), {"again": False}).start()

    def pass_gate(self, gate: str) -> None:
        """Note that a gate holds; gates may be passed in any order."""
        with self._changed:
            self.gates.add(gate)
            self._changed.notify_all()

    @property
    def alarmed(self) -> bool:
        """Whether the stop key was pressed and the engine has not got to it yet: the page shows it at once."""
        alarmed = False
        with self._changed:
            for command, _ in self._wanted:
                alarmed = command == Hold(ALARM) or (alarmed and not _settles(command))
        return alarmed

    # What the engine's thread calls: waits.

    def confirm_gate(self, gate: str) -> bool:
        """Wait until the gate was passed; False where the operator stops before."""
        with self._changed:
            self._begin(Turn(kind="gate", about=gate))
            self._changed.wait_for(lambda: gate in self.gates or self._wants_to_stop())
            self._end(at_most=0)
            return gate in self.gates

    def commands(self, request: Request, due_s: float) -> Sequence[Command]:
        """Wait until something is wanted, or the request may go on: a stimulus when it is given, a rest when it is over."""
        with self._changed:
            wait_s = 0.0 if self.quick else max(due_s, 0.0)
            self._begin(Turn(kind="request", request=request, due=time.monotonic() + wait_s))
            over = wait_s if isinstance(request, Rest) else None
            if isinstance(request, Deliver) and self.may_ask is not None:
                self._wait_until_it_may_be_asked(request, self.may_ask)
            else:
                self._changed.wait_for(lambda: bool(self._wanted) or self._said is not None, timeout=over)
            said, wanted = self._end(at_most=1)
            if not wanted and isinstance(request, Ask) and isinstance(said, str | float):
                self._answer = said
            return wanted

    def _wait_until_it_may_be_asked(self, request: Deliver, may_ask: Callable[[Deliver], bool]) -> None:
        """Wait until a stimulus is due and may be asked for, somebody says go, or something is wanted."""
        while not (self._wanted or self._said is not None):
            if self.turn.left_s() <= 0 and may_ask(request):
                return
            self._changed.wait(_LOOK_S)

    def await_pulse(self, request: Deliver, number: int, give_up: Callable[[], None]) -> None:
        """Show that a pulse is waited for; what a page wants meanwhile ends the wait, but for a note."""
        with self._changed:
            self._begin(Turn(kind="pulse", request=request, stimulus=number))
            self._give_up = give_up
            wanted = any(not isinstance(command, Write) for command, _ in self._wanted)
            turn = self.turn.number
        if wanted:
            self._give_up_turn(turn)

    def pulse_over(self) -> None:
        """Show that nothing is waited for any more."""
        with self._changed:
            self._give_up = None
            self.turn = Turn(self.turn.number + 1)

    def answer(self, request: Ask) -> str | float:  # noqa: ARG002 the answer was given in ``commands``
        """Return what the page answered."""
        return self._answer

    def wait_to_go_on(self) -> Command | None:
        """Wait until the page goes on, or wants something meanwhile."""
        with self._changed:
            self._begin(Turn(kind="held"))
            self._changed.wait_for(lambda: bool(self._wanted) or self._said is not None)
            _, wanted = self._end(at_most=1)
            return wanted[0] if wanted else None

    def say_outcome(self, request: Deliver, number: int) -> Lost | Trial:
        """Wait until the page says what became of a stimulus."""
        with self._changed:
            self._begin(Turn(kind="outcome", request=request, stimulus=number))
            self._changed.wait_for(lambda: isinstance(self._said, Lost | Trial))
            said = self._said
            self._end(at_most=0)
            assert isinstance(said, Lost | Trial)
            return said

    def read_size(self, request: Deliver, label: str) -> float | None:
        """Wait until the page says which size was read at a muscle, in µV; None where none was."""
        with self._changed:
            self._begin(Turn(kind="size", request=request, about=label))
            self._changed.wait_for(lambda: isinstance(self._said, float))
            said = self._said
            self._end(at_most=0)
            return said if isinstance(said, float) and math.isfinite(said) else None

    def end(self) -> None:
        """Say that the engine has left."""
        with self._changed:
            self._begin(Turn(kind="ended"))
            self._wanted.clear()

    def _begin(self, turn: Turn) -> None:
        self.turn = Turn(self.turn.number + 1, turn.kind, turn.request, turn.about, turn.stimulus, turn.due)
        self._said = None

    def _end(self, *, at_most: int) -> tuple[str | float | Lost | Trial | None, tuple[Command, ...]]:
        """Close the turn; return what was said in it and what is wanted."""
        said = self._said
        count = min(at_most, len(self._wanted))
        taken = [self._wanted.popleft() for _ in range(count)]
        if taken:
            self.code = taken[-1][1]
        self.turn = Turn(self.turn.number + 1)
        self._said = None
        return said, tuple(command for command, _ in taken)

    def _wants_to_stop(self) -> bool:
        return any(isinstance(command, Stop) for command, _ in self._wanted)


def _settles(command: Command) -> bool:
    """Whether something says what happened after the stop key."""
    if not isinstance(command, Write):
        return isinstance(command, Stop)
    record = command.record
    return isinstance(record, AdverseEvent) or (isinstance(record, Remark) and record.text == NO_EVENT)


def seen_elsewhere(request: Deliver, number: int, size_uv: float) -> Trial:
    """Return a trial whose sweep is lost but whose size was read."""
    verdict = Verdict("doubtful", "typed", "size typed by the operator, the sweep is lost")
    return Trial(number=number, values={request.muscle: {"amplitude_uv": size_uv}}, verdict=verdict)
