"""The engine: drives any plan against any source, and writes down every step before it is acted upon.

Order of one stimulus: limits are checked; the intention is on disk; the source hears of it; the sweep is measured and
judged; sweep, values and verdict are on disk; only then does the plan, and through it the estimate, learn of them. A
failing listener is noted and dropped; a failing journal stops the session.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

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
from decussa.plan.step import Ended
from decussa.protocol.schema import Protocol
from decussa.session.clock import Clock
from decussa.session.gates import open_gates
from decussa.session.limits import check_limits
from decussa.session.measuring import MeasuredTrial, measure_delivered
from decussa.session.operator import Command, Hold, LeaveStep, Operator, Stop
from decussa.session.position import Position, step_on
from decussa.session.scribe import Listener, Scribe
from decussa.session.tally import count_unasked
from decussa.source.contract import SeesPulses, Source
from decussa.store.journal import Journal
from decussa.store.kinds import Kind
from decussa.store.records import (
    AdverseEvent,
    Correction,
    FollowUpDue,
    Measured,
    Remark,
    StepFound,
    StepMark,
    Tolerance,
    TorqueRange,
    UnaskedPulse,
)

#: What kind of entry an operator's record makes.
KIND_OF_RECORD: Mapping[type, Kind] = {
    Remark: "note",
    AdverseEvent: "adverse event",
    Correction: "correction",
    Tolerance: "tolerance",
    TorqueRange: "torque measured",
}


@dataclass(frozen=True, slots=True)
class Stopped:
    """The session was ended before its plan was; it can be opened again."""

    reason: str


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
        self.source, self.operator, self.clock = source, operator, clock
        self.scribe = Scribe(journal, clock, listeners, position.began)

    def run(self) -> Found | Stopped:
        """Run until the plan ends or the operator stops; return what was found, or why it stopped."""
        if not open_gates(self.at, self.scribe, self.operator):
            return self._stop("a gate does not hold")
        self.source.skip_to(self.at.number)
        if self.at.is_asked and isinstance(self.at.pending, Deliver):
            self._settle(self.operator.say_outcome(self.at.pending, self.at.number + 1))
        while not isinstance(request := self.at.pending, Ended):
            stopped = self._carry_out(request)
            if stopped is not None:
                return stopped
        self._count_unasked()
        self.scribe.write("finished", StepFound(step="session", results=dict(request.found)))
        return request.found

    def _obey(self, request: Request, due_s: float) -> Stopped | None:
        """Do what the operator wants before ``request``, which may be carried out at ``due_s``; until nothing is wanted."""
        while self.at.pending is request and (wanted := self.operator.commands(request, due_s - self.scribe.seconds())):
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
            self.scribe.write(KIND_OF_RECORD[type(command.record)], command.record)
        return None

    def _hold(self, command: Hold) -> Stopped | None:
        self.scribe.write("paused", Remark(text=command.text, operator=self.operator.code))
        while (wanted := self.operator.wait_to_go_on()) is not None:
            if (stopped := self._do(wanted)) is not None:
                return stopped
        self.scribe.write("resumed", Remark(text="", operator=self.operator.code))
        return None

    def _leave_step(self, command: LeaveStep) -> None:
        if isinstance(self.at.pending, Ended):
            return
        kind: Kind = "step skipped" if command.action == "skip" else "step redone"
        mark = StepMark(step=self.at.pending.step, reason=command.reason, operator=self.operator.code)
        self.scribe.write(kind, mark)
        self._tell_plan(Jump(command.action))

    def _carry_out(self, request: Request) -> Stopped | None:
        """Have a request done, unless the operator stops or leaves the step before; a stimulus is written down when it is due."""
        if not isinstance(request, Deliver) and not self.at.is_asked:
            self.scribe.write("asked", request)
            self.at.is_asked = True
        if isinstance(request, Show):
            self._show(request)
            return None
        said = self.source.answer(request) if isinstance(request, Ask) else None
        if (stopped := self._wait_until_due(request, heard=said is not None)) is not None:
            return stopped
        if self.at.pending is not request:
            return None
        if isinstance(request, Deliver):
            self._give(request)
        elif isinstance(request, Rest):
            self._settle(Done())
        else:
            self._settle(Answer(value=self._heard(request, self.operator.answer(request) if said is None else said)))
        return None

    def _wait_until_due(self, request: Request, *, heard: bool) -> Stopped | None:
        """Wait, doing what the operator wants; a pulse that nobody asked for meanwhile puts a stimulus off."""
        self._count_unasked()
        while self.at.pending is request:
            due_s = self._due(request)
            if not heard and (stopped := self._obey(request, due_s)) is not None:
                return stopped
            if self.at.pending is not request:
                return None
            self.clock.wait(due_s - self.scribe.seconds())
            if not self._count_unasked() or not isinstance(request, Deliver):
                return None
        return None

    def _count_unasked(self) -> bool:
        """Write down the pulses that nobody asked for and count them; return whether there were any."""
        seen = self.source.unasked() if isinstance(self.source, SeesPulses) else ()
        for one in seen:
            self.scribe.write("pulse not asked for", UnaskedPulse(pulses=one.pulses, ago_s=round(one.ago_s, 3)))
            self.at.tally = count_unasked(self.at.tally, one.pulses, at_s=self.scribe.seconds() - one.ago_s)
        return bool(seen)

    def _due(self, request: Request) -> float:
        """Return when a request may be carried out, in seconds on the session's clock."""
        if isinstance(request, Deliver) and self.at.tally.last_s >= 0:
            return self.at.tally.last_s + request.wait_s
        return self.scribe.seconds() + (request.seconds if isinstance(request, Rest) else 0.0)

    def _show(self, request: Show) -> None:
        if request.final and not self.at.is_noted:
            self.scribe.write("step found", StepFound(step=request.step, results=request.results))
        self._settle(Done())

    def _heard(self, request: Ask, value: str | float) -> str | float:
        """Write down what an answer means besides: how a pulse was tolerated, or when something is due."""
        if request.kind == "rating" and isinstance(value, float | int):
            self.scribe.write("tolerance", Tolerance(rating=float(value), intensity_mso=self.at.tally.last_mso))
        if math.isfinite(request.due_h) and not self.at.is_noted:
            due = FollowUpDue(what=request.key, due_at=self.scribe.in_hours(request.due_h))
            self.scribe.write("follow-up due", due)
        return value

    def _give(self, request: Deliver) -> None:
        refusal = check_limits(
            request, self.at.tally, self.protocol.limits, gates_passed=self.at.gates, at_s=self.scribe.seconds()
        )
        self.scribe.write("asked", request)
        self.at.is_asked = True
        if refusal is not None:
            self._settle(refusal)
            return
        number = self.at.number + 1
        came = self.source.deliver(request, number)
        for words in came.said if came is not None else ():
            self.scribe.write("note", Remark(text=words))
        if came is None or came.is_nothing or came.number != number:
            self._settle(self.operator.say_outcome(request, number))
        else:
            expected = self.at.tally.expects_artifact(request)
            measured = measure_delivered(came, request, self.source.channels, self.protocol, artifact_expected=expected)
            self._settle(measured.trial, sweep=came.sweep, measured=measured)

    def _settle(self, reply: Reply, *, sweep: Sweep | None = None, measured: MeasuredTrial | None = None) -> None:
        """Write the reply down, then let the plan hear it."""
        kind: Kind = "refused" if isinstance(reply, Refused) else "lost" if isinstance(reply, Lost) else "answered"
        values = None
        if measured is not None and isinstance(reply, Trial):
            values = Measured(values=reply.values, method=measured.method, version=VERSION)
        self.scribe.write(kind, reply, sweep=sweep, measured=values)
        self._tell_plan(reply)

    def _tell_plan(self, reply: Reply) -> None:
        assert not isinstance(self.at.pending, Ended)
        step_on(
            self.at, self.plan, reply, at_s=self.scribe.seconds(), discomfort_stop=self.protocol.limits.discomfort_stop
        )

    def _stop(self, reason: str) -> Stopped:
        self._count_unasked()
        self.scribe.write("stopped", Remark(text=reason, operator=self.operator.code))
        self.plan.close()
        return Stopped(reason)
