"""Where a session stands: a fresh plan is fed the stored replies until the journal ends.

Each stored request is compared with what the plan asks now. What was measured is used as stored, not measured again.
"""

from __future__ import annotations

from collections.abc import Sequence

from decussa.model.dialogue import Deliver, Found, Jump, Lost, Plan, Reply, Request, Show, Trial
from decussa.model.errors import DecussaError
from decussa.model.estimate import Estimate
from decussa.plan.step import Ended, advance
from decussa.session.clock import from_text
from decussa.session.position import Position, step_on
from decussa.session.tally import count, count_unasked
from decussa.store.chain import Entry
from decussa.store.codec import encode
from decussa.store.records import Gate, Started, StepFound, UnaskedPulse

_REPLIES = {"answered", "refused", "lost"}
_JUMPS: dict[str, Jump] = {"step skipped": Jump("skip"), "step redone": Jump("redo")}


class PlanChangedError(DecussaError):
    """The plan asks something else than the journal holds: the protocol or the program was changed in between.

    ``entry`` is the number of the entry that differs, ``now`` what the plan asks instead, ``stored`` what is stored of the
    steps that ended: a fresh plan can start from there.
    """

    def __init__(self, entry: Entry, now: Request | Ended, found: Found) -> None:
        self.entry, self.now, self.stored = entry, now, found
        super().__init__(
            "the plan changed since this session began",
            where=f"entry {entry.number}",
            expected=_short(entry.body),
            found=_short(now),
            do="start a fresh plan from what the finished steps found, or use the program and protocol of that day",
        )


def last_start(entries: Sequence[Entry]) -> Started | None:
    """Return with what a session was started last; None for one that was not."""
    return next((entry.body for entry in reversed(entries) if isinstance(entry.body, Started)), None)


def split_at_start(entries: Sequence[Entry]) -> tuple[Sequence[Entry], Sequence[Entry]]:
    """Return the entries before the plan that runs now was started, and those since; a fresh plan starts anew in between."""
    last = max((index for index, entry in enumerate(entries) if entry.kind == "started"), default=0)
    return entries[:last], entries[last:]


def stand_at(plan: Plan, entries: Sequence[Entry], *, discomfort_stop: float) -> Position:
    """Feed ``plan`` the stored replies and return where the session stands.

    What an earlier plan of the same session gave counts towards the limits, but is not fed to this one.

    Raises
    ------
    PlanChangedError
        If a stored request differs from what the plan asks.
    """
    before, since = split_at_start(entries)
    position = _count_earlier(before, discomfort_stop)
    position.pending = advance(plan, None)
    for entry in since:
        if position.began is None:
            position.began = from_text(entry.at)
        at_s = (from_text(entry.at) - position.began).total_seconds()
        if entry.kind == "gate" and isinstance(entry.body, Gate) and entry.body.passed:
            position.gates |= {entry.body.gate}
        elif entry.kind == "asked":
            _compare(entry, position.pending, entries)
            position.is_asked = True
        elif entry.kind in ("step found", "follow-up due"):
            position.is_noted = True
        elif isinstance(entry.body, UnaskedPulse):
            position.tally = count_unasked(position.tally, entry.body.pulses, at_s=at_s - entry.body.ago_s)
        elif entry.kind in _JUMPS:
            step_on(position, plan, _JUMPS[entry.kind], at_s=at_s, discomfort_stop=discomfort_stop)
        elif entry.kind in _REPLIES:
            step_on(position, plan, _reply(entry), at_s=at_s, discomfort_stop=discomfort_stop)
    return position


def _count_earlier(entries: Sequence[Entry], discomfort_stop: float) -> Position:
    """Count what was given under an earlier plan, without the plan."""
    position = Position(pending=Ended({}))
    asked: Request | None = None
    for entry in entries:
        if position.began is None:
            position.began = from_text(entry.at)
        at_s = (from_text(entry.at) - position.began).total_seconds()
        if entry.kind == "asked" and isinstance(entry.body, Request):
            asked = entry.body
        elif isinstance(entry.body, UnaskedPulse):
            position.tally = count_unasked(position.tally, entry.body.pulses, at_s=at_s - entry.body.ago_s)
        elif entry.kind in _REPLIES and asked is not None:
            reply = _reply(entry)
            position.tally = count(position.tally, asked, reply, at_s=at_s, discomfort_stop=discomfort_stop)
            position.number += isinstance(asked, Deliver) and isinstance(reply, Trial | Lost)
            asked = None
    return position


def finished_steps(entries: Sequence[Entry]) -> frozenset[str]:
    """Return the names of the steps that ended."""
    return frozenset(
        entry.body.step for entry in entries if entry.kind == "step found" and isinstance(entry.body, StepFound)
    )


def stored_findings(entries: Sequence[Entry]) -> dict[str, Estimate]:
    """Return what the finished steps of a journal found, by muscle and quantity."""
    found: dict[str, Estimate] = {}
    for entry in entries:
        if entry.kind == "step found" and isinstance(entry.body, StepFound):
            found |= dict(entry.body.results)
    return found


def _reply(entry: Entry) -> Reply:
    if not isinstance(entry.body, Reply):
        raise DecussaError("an entry does not hold a reply", where=f"entry {entry.number}", do="run decussa check")
    return entry.body


def _compare(entry: Entry, pending: Request | Ended, entries: Sequence[Entry]) -> None:
    """What is only shown may have become better; what is asked of anybody must be the same to the letter."""
    stored = entry.body
    if isinstance(pending, Show) and isinstance(stored, Show) and pending.step == stored.step:
        return
    if isinstance(pending, Ended) or not isinstance(stored, Request) or encode(stored) != encode(pending):
        raise PlanChangedError(entry, pending, stored_findings(entries))


def _short(what: object) -> str:
    if isinstance(what, Ended):
        return "nothing more"
    if isinstance(what, Deliver):
        return f"{what.stimulus.stim_type} at {what.stimulus.intensity_mso:g} % MSO in step {what.step!r}"
    return f"{type(what).__name__} in step {getattr(what, 'step', '')!r}"
