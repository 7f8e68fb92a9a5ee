"""Advances a plan by one reply: the one function that engine, preview and wrappers share."""

from __future__ import annotations

from dataclasses import dataclass

from decussa.model.dialogue import Found, Plan, Reply, Request


@dataclass(frozen=True, slots=True)
class Ended:
    """The plan has nothing more to ask; what it found."""

    found: Found


def advance(plan: Plan, reply: Reply | None) -> Request | Ended:
    """Send ``reply`` (None to begin) and return what the plan asks next, or that it has ended."""
    try:
        return plan.send(reply) if reply is not None else next(plan)
    except StopIteration as end:
        return Ended(end.value)
