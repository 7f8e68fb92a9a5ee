"""The engine: drives any plan against any source, and writes down every step before it is acted upon.

Order of one stimulus: limits are checked; the intention is on disk; the source hears of it; the sweep is measured and
judged; sweep, values and verdict are on disk; only then does the plan, and through it the estimate, learn of them. A
failing listener is noted and dropped; a failing journal stops the session.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from decussa.model.dialogue import (
    Answer,
    Ask,
    Deliver,
    Done,
    Found,
    Jump,
    Lost,
    Plan,
    Refused,
    Reply,
    Request,
    Rest,
    Show,
    Trial,
)
from decussa.model.sweep import Sweep
from decussa.model.version import VERSION
from decussa.plan.step import Ended, advance
from decussa.protocol.schema import Protocol
from decussa.session.clock import Clock, from_text, to_text
from decussa.session.limits import GATES, check_limits
from decussa.session.measuring import MeasuredTrial, measure_sweep, trial_by_hand
from decussa.session.operator import Command, Hold, LeaveStep, Operator, Stop
from decussa.session.tally import Tally, count
from decussa.source.contract import Source
from decussa.store.chain import Entry
from decussa.store.journal import Journal
from decussa.store.kinds import Kind
from decussa.store.records import (
    AdverseEvent,
    Body,
    Correction,
    Gate,
    ListenerFailed,
    Measured,
    Remark,
    StepFound,
    StepMark,
    Tolerance,
)

Listener = Callable[[Entry], None]
#: What kind of entry an operator's record makes.
KIND_OF_RECORD: Mapping[type, Kind] = {Remark: "note", AdverseEvent: "adverse event", Correction: "correction"}


@dataclass(frozen=True, slots=True)
class Stopped:
    """The session was ended before its plan was; it can be opened again."""

    reason: str


@dataclass(slots=True, kw_only=True)
class Position:
    """Where a session stands: what the plan asks, what of it is on disk already, and what was given so far.

    ``is_asked``: the request is on disk. ``is_noted``: what a finished step found is, too.
    """

    pending: Request | Ended
    is_asked: bool = False
    is_noted: bool = False
    tally: Tally = field(default_factory=Tally)
    gates: frozenset[str] = frozenset()
    number: int = 0
    began: datetime | None = None


class Engine:
    """Runs one session from a position; see ``recovery.stand_at`` for how a position is found."""

    def __init__(
        self,
        plan: Plan,
        position: Position,
        *,
        protocol: Protocol,
        source: Source,
        journal: Journal,
        operator: Operator,
        clock: Clock,
        listeners: Sequence[Listener] = (),
    ) -> None:
        self.plan, self.at, self.protocol = plan, position, protocol
        self.source, self.journal, self.operator, self.clock = source, journal, operator, clock
        self.listeners = list(listeners)

    def run(self) -> Found | Stopped:
        """Run until the plan ends or the operator stops; return what was found, or why it stopped."""
        if not self._open_gates():
            return self._stop("a gate does not hold")
        self.source.skip_to(self.at.number)
        if self.at.is_asked and isinstance(self.at.pending, Deliver):
            self._settle(self.operator.say_outcome(self.at.pending, self.at.number + 1))
        while not isinstance(request := self.at.pending, Ended):
            stopped = self._carry_out(request)
            if stopped is not None:
                return stopped
        self._write("finished", StepFound(step="session", results=dict(request.found)))
        return request.found

    def _open_gates(self) -> bool:
        for gate in GATES:
            if gate in self.at.gates:
                continue
            passed = self.operator.confirm_gate(gate)
            self._write("gate", Gate(gate=gate, passed=passed, operator=self.operator.code))
            if not passed:
                return False
            self.at.gates |= {gate}
        return True

    def _obey(self, request: Request, due_s: float) -> Stopped | None:
        """Do what the operator wants before ``request``, which may be carried out at ``due_s``; until nothing is wanted."""
        while self.at.pending is request and (wanted := self.operator.commands(request, due_s - self._seconds())):
            for command in wanted:
                if (stopped := self._do(command)) is not None:
                    return stopped
        return None

    def _do(self, command: Command) -> Stopped | None:
        if isinstance(command, Stop):
            return self._stop(command.text)
        if isinstance(command, Hold):
            return self._hold(command)
        if isinstance(command, LeaveStep):
            self._leave_step(command)
        else:
            self._write(KIND_OF_RECORD[type(command.record)], command.record)
        return None

    def _hold(self, command: Hold) -> Stopped | None:
        self._write("paused", Remark(text=command.text, operator=self.operator.code))
        while (wanted := self.operator.wait_to_go_on()) is not None:
            if (stopped := self._do(wanted)) is not None:
                return stopped
        self._write("resumed", Remark(text="", operator=self.operator.code))
        return None

    def _leave_step(self, command: LeaveStep) -> None:
        if isinstance(self.at.pending, Ended):
            return
        kind: Kind = "step skipped" if command.action == "skip" else "step redone"
        mark = StepMark(step=self.at.pending.step, reason=command.reason, operator=self.operator.code)
        self._write(kind, mark)
        self._tell_plan(Jump(command.action))

    def _carry_out(self, request: Request) -> Stopped | None:
        """Have a request done, unless the operator stops or leaves the step before; a stimulus is written down when it is due."""
        if not isinstance(request, Deliver) and not self.at.is_asked:
            self._write("asked", request)
            self.at.is_asked = True
        if isinstance(request, Show):
            self._show(request)
            return None
        said = self.source.answer(request) if isinstance(request, Ask) else None
        due_s = self._due(request)
        if said is None and (stopped := self._obey(request, due_s)) is not None:
            return stopped
        if self.at.pending is not request:
            return None
        self.clock.wait(due_s - self._seconds())
        if isinstance(request, Deliver):
            self._give(request)
        elif isinstance(request, Rest):
            self._settle(Done())
        else:
            self._settle(Answer(value=self._answer(request) if said is None else self._heard(request, said)))
        return None

    def _due(self, request: Request) -> float:
        """Return when a request may be carried out, in seconds on the session's clock."""
        if isinstance(request, Deliver) and self.at.tally.last_s >= 0:
            return self.at.tally.last_s + request.wait_s
        return self._seconds() + (request.seconds if isinstance(request, Rest) else 0.0)

    def _show(self, request: Show) -> None:
        if request.final and not self.at.is_noted:
            self._write("step found", StepFound(step=request.step, results=request.results))
        self._settle(Done())

    def _answer(self, request: Ask) -> str | float:
        return self._heard(request, self.operator.answer(request))

    def _heard(self, request: Ask, value: str | float) -> str | float:
        """Write a rating down as such, too."""
        if request.kind == "rating" and isinstance(value, float | int):
            self._write("tolerance", Tolerance(rating=float(value), intensity_mso=self.at.tally.last_mso))
        return value

    def _give(self, request: Deliver) -> None:
        refusal = check_limits(
            request, self.at.tally, self.protocol.limits, gates_passed=self.at.gates, at_s=self._seconds()
        )
        self._write("asked", request)
        self.at.is_asked = True
        if refusal is not None:
            self._settle(refusal)
            return
        number = self.at.number + 1
        came = self.source.deliver(request, number)
        if came is None or came.number != number:
            self._settle(self.operator.say_outcome(request, number))
        elif came.sweep is not None:
            measured = measure_sweep(came.sweep, request, number, self.source.channels, self.protocol)
            self._settle(measured.trial, sweep=came.sweep, measured=measured)
        else:
            measured = trial_by_hand(dict(came.sizes_uv or {}), request, number)
            self._settle(measured.trial, measured=measured)

    def _settle(self, reply: Reply, *, sweep: Sweep | None = None, measured: MeasuredTrial | None = None) -> None:
        """Write the reply down, then let the plan hear it."""
        kind: Kind = "refused" if isinstance(reply, Refused) else "lost" if isinstance(reply, Lost) else "answered"
        values = None
        if measured is not None and isinstance(reply, Trial):
            values = Measured(values=reply.values, method=measured.method, version=VERSION)
        self._write(kind, reply, sweep=sweep, measured=values)
        self._tell_plan(reply)

    def _tell_plan(self, reply: Reply) -> None:
        assert not isinstance(self.at.pending, Ended)
        step_on(self.at, self.plan, reply, at_s=self._seconds(), discomfort_stop=self.protocol.limits.discomfort_stop)

    def _stop(self, reason: str) -> Stopped:
        self._write("stopped", Remark(text=reason, operator=self.operator.code))
        self.plan.close()
        return Stopped(reason)

    def _seconds(self) -> float:
        if self.at.began is None:
            return 0.0
        return (self.clock.now() - self.at.began).total_seconds()

    def _write(self, kind: Kind, body: Body, *, sweep: Sweep | None = None, measured: Measured | None = None) -> None:
        entry = self.journal.append(kind, body, at=to_text(self.clock.now()), sweep=sweep, measured=measured)
        if self.at.began is None:
            self.at.began = from_text(entry.at)
        self._tell_listeners(entry)

    def catch_up(self, entries: Sequence[Entry]) -> None:
        """Let the listeners see what was written before they came."""
        for entry in entries:
            self._tell_listeners(entry)

    def _tell_listeners(self, entry: Entry) -> None:
        for listener in tuple(self.listeners):
            try:
                listener(entry)
            except Exception as error:  # noqa: BLE001 a guest may fail in any way; the session goes on without it
                self.listeners.remove(listener)
                name = getattr(listener, "__name__", type(listener).__name__)
                self._write("listener failed", ListenerFailed(listener=name, error=f"{type(error).__name__}: {error}"))


def step_on(position: Position, plan: Plan, reply: Reply, *, at_s: float, discomfort_stop: float) -> None:
    """Move a position on by one reply: the tally, the number of stimuli, and what the plan asks next."""
    request = position.pending
    assert not isinstance(request, Ended)
    position.tally = count(position.tally, request, reply, at_s=at_s, discomfort_stop=discomfort_stop)
    if isinstance(request, Deliver) and isinstance(reply, Trial | Lost):
        position.number += 1
    position.pending = advance(plan, reply)
    position.is_asked = position.is_noted = False
