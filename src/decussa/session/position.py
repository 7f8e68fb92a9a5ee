"""Where a session stands, and how one reply moves it on."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from decussa.model.dialogue import Deliver, Lost, Plan, Reply, Request, Trial
from decussa.plan.step import Ended, advance
from decussa.session.tally import Tally, count


@dataclass(slots=True, kw_only=True)
class Position:
    """Where a session stands: what the plan asks, what of it is on disk already, and what was given so far.

    ``is_asked``: the request is on disk. ``is_noted``: what a finished step found is, too, or when something is due.
    """

    pending: Request | Ended
    is_asked: bool = False
    is_noted: bool = False
    tally: Tally = field(default_factory=Tally)
    gates: frozenset[str] = frozenset()
    number: int = 0
    began: datetime | None = None


def step_on(position: Position, plan: Plan, reply: Reply, *, at_s: float, discomfort_stop: float) -> None:
    """Move a position on by one reply: the tally, the number of stimuli, and what the plan asks next."""
    request = position.pending
    assert not isinstance(request, Ended)
    position.tally = count(position.tally, request, reply, at_s=at_s, discomfort_stop=discomfort_stop)
    if isinstance(request, Deliver) and isinstance(reply, Trial | Lost):
        position.number += 1
    position.pending = advance(plan, reply)
    position.is_asked = position.is_noted = False
