"""Wrappers: plans in, plan out. Each passes requests and replies through and adds one thing of its own."""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator
from dataclasses import replace

from decussa.model.dialogue import Ask, Deliver, Lost, Plan, Refused, Reply, Request, Rest, Show, Trial
from decussa.model.stimulus import Stimulus
from decussa.plan.frame import DeliverReply, ask_number, deliver
from decussa.plan.step import Ended, advance
from decussa.protocol.schema import Limits

#: Highest test intensity that may be given to a person who has felt none today (a published ramp starts here).
FIRST_MSO = 30.0
#: A rating is asked for again once the test intensity has risen this much since the last.
RATE_AGAIN_MSO = 5.0
#: A step up that was not given is tried this often.
_TRIES = 3


def with_waits(plan: Plan, waits: Iterator[float]) -> Plan:
    """Give every stimulus the next wait of ``waits``."""
    request = advance(plan, None)
    while not isinstance(request, Ended):
        if isinstance(request, Deliver):
            request = replace(request, wait_s=next(waits))
        request = advance(plan, (yield request))
    return request.found


def with_breaks(plan: Plan, *, every: int, seconds: float) -> Plan:
    """Rest after every so many stimuli."""
    given = 0
    request = advance(plan, None)
    while not isinstance(request, Ended):
        if isinstance(request, Deliver):
            if given and given % every == 0:
                yield Rest(seconds=seconds, step=request.step, why=f"A break after {given} stimuli.")
            given += 1
        request = advance(plan, (yield request))
    return request.found


def with_climb(plan: Plan, climb: Climb) -> Plan:
    """Never rise by more than a step above what was tolerated today: climb first, with a discomfort rating.

    Conditioning pulses, nerve pulses and falls are exempt. A rating at or above the protocol's limit closes the way up:
    the request, and every later one that high, is answered with a refusal.
    """
    request = advance(plan, None)
    while not isinstance(request, Ended):
        level = test_level(request)
        if isinstance(request, Deliver) and not math.isnan(level):
            reply = yield from climb.reach(request, level)
        else:
            reply = yield request
        request = advance(plan, reply)
    return request.found


def test_level(request: Request) -> float:
    """Return the test intensity of a magnetic stimulus, NaN for anything else."""
    if not isinstance(request, Deliver) or request.stimulus.stim_type == "nerve":
        return math.nan
    return request.stimulus.intensity_mso


class Climb:
    """What this person has tolerated so far today; shared by the steps of one session's plan.

    ``tolerated`` and ``rated`` are the highest test intensities given, and asked about, without objection; ``too_much`` is
    the lowest that was objected to, ``objection`` how.
    """

    def __init__(self, limits: Limits, *, tolerated_mso: float = FIRST_MSO - 10) -> None:
        self.limits = limits
        self.tolerated = self.rated = tolerated_mso
        self.too_much = math.inf
        self.objection = ""

    def reach(self, request: Deliver, level: float) -> Generator[Request, Reply, Reply]:
        """Climb as far as ``level`` needs, then give the stimulus itself; return its reply or a refusal, which is shown."""
        refusal = yield from self._climb_to(request, level)
        if refusal is not None:
            text = f"{request.condition or request.step}, {level:g} % MSO: not given. {refusal.reason}."
            yield Show(step=request.step, text=text)
            return refusal
        reply = yield request
        if level > self.tolerated and was_given(reply):
            yield from self._take(request.step, level, rate=level >= self.rated + RATE_AGAIN_MSO)
        return reply

    def _climb_to(self, request: Deliver, level: float) -> Generator[Request, Reply, Refused | None]:
        """Give the steps that ``level`` needs; return what forbids it, None where nothing does."""
        given = lost = 0
        top = min(level, self.limits.ceiling_mso)
        while top > self.tolerated + self.limits.climb_step_mso and level < self.too_much:
            before = self.tolerated
            reply = yield from self._one_step(request)
            if isinstance(reply, Refused):
                return replace(reply, reason=f"{reply.reason}; {self._way(given)}", highest_mso=self._highest())
            given += was_given(reply)
            lost = 0 if self.tolerated > before else lost + 1
            if lost == _TRIES:
                reason = f"a step up did not come back {lost} times; {self._way(given)}"
                return Refused(limit="climb", reason=reason, highest_mso=self._highest())
        if level < self.too_much:
            return None
        return Refused(limit="discomfort", reason=f"{self.objection}; {self._way(given)}", highest_mso=self._highest())

    def _way(self, given: int) -> str:
        return f"{given} pulses were given on the way, up to {self.tolerated:g} % MSO is tolerated today"

    def _highest(self) -> float:
        """Return the highest test intensity that still may be given."""
        step = self.limits.device_step_mso
        return min(self.tolerated + self.limits.climb_step_mso, self.too_much - step, self.limits.ceiling_mso)

    def _one_step(self, request: Deliver) -> Generator[Request, Reply, DeliverReply]:
        level = min(self.tolerated + self.limits.climb_step_mso, self.limits.ceiling_mso)
        step = replace(
            request,
            stimulus=Stimulus.single(level),
            condition="climb",
            block=f"{request.step}, climb",
            why="One step up, to see how it is felt.",
        )
        reply = yield from deliver(step)
        if was_given(reply):
            yield from self._take(request.step, level, rate=True)
        return reply

    def _take(self, step: str, level: float, *, rate: bool) -> Generator[Request, Reply, None]:
        """Note that ``level`` was given; where asked, hear how it was."""
        if rate:
            self.rated = level
            rating = yield from _rate(step, level)
            if rating >= self.limits.discomfort_stop:
                self.too_much = min(self.too_much, level)
                self.objection = f"{level:g} % MSO was rated {rating:g} of 10"
                return
        self.tolerated = max(self.tolerated, level)


def was_given(reply: Reply) -> bool:
    """Whether the person has felt the stimulus, as far as is known."""
    return isinstance(reply, Trial) or (isinstance(reply, Lost) and reply.given == "given and lost")


def _rate(step: str, level: float) -> Generator[Request, Reply, float]:
    rating = yield from ask_number(
        Ask(
            key="discomfort",
            text=f"How uncomfortable was the pulse at {level:g} %? 0 not at all, 10 unbearable.",
            kind="rating",
            step=step,
            default=0.0,
            unit="of 10",
            intensity_mso=level,
        )
    )
    return 0.0 if math.isnan(rating) else rating
