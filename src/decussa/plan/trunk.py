"""Base and test level of a trunk muscle by coarse steps: no dense hunting, which is not tolerated there.

First pulses at 50 % MSO. No response there: base is 50. A response: try 40, and if that responds too, 30, then 20. The test
level lies 40 points above the base; if it stays silent, 50 points, then the same with slight extension; otherwise no response
was obtained up to there, which is a result. Common practice, no source. Everything found here is approximate.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass

from decussa.estimate.trunk import probability_below
from decussa.model.dialogue import Ask, Plan, Refused, Reply, Request, Trial
from decussa.model.estimate import Estimate
from decussa.model.stimulus import Stimulus
from decussa.plan.frame import Frame, ask, usable
from decussa.protocol.steps import TrunkLevels

_STEP_DOWN_MSO = 10.0
_LOWEST_MSO = 20.0
_EXTRA_MSO = 10.0
_EXTENSION_PCT = 10.0
_METHOD = "approximate: coarse steps"
#: A trial that is rejected or lost is made up for, up to so many stimuli for each one that is wanted.
_TRIES = 3


@dataclass(frozen=True, slots=True)
class _Seen:
    """What a level showed: trials given and usable, in how many any side responded, and why no more were given."""

    given: int
    usable: int
    responses: int
    refusal: str = ""

    @property
    def responded(self) -> bool:
        """Whether any trial did."""
        return self.responses > 0

    def pulses(self, level: float) -> list[tuple[float, bool]]:
        """Return every usable trial as level and answer, for the belief about the threshold."""
        return [(level, number < self.responses) for number in range(self.usable)]


def find_trunk_levels(frame: Frame, step: TrunkLevels) -> Plan:
    """Find ``base`` and ``trunk_test`` in % MSO, both marked approximate."""
    base, given = step.start_mso, 0
    pulses: list[tuple[float, bool]] = []
    while True:
        seen = yield from _try_level(frame, base, step.pulses, step.contraction_pct)
        given += seen.given
        pulses += seen.pulses(base)
        if not seen.responded or base - _STEP_DOWN_MSO < _LOWEST_MSO:
            break
        base -= _STEP_DOWN_MSO
    if not seen.usable:
        reason = seen.refusal or f"no usable trial at {base:g} % MSO, {seen.given} pulses"
        nothing = Estimate(n=given, method=_METHOD, reason=f"not found: {reason}")
        return {"base": nothing, "trunk_test": nothing}
    reason = "responds even at the lowest level: base may lie above threshold" if seen.responded else ""
    method = f"{_METHOD}; below threshold with a probability of {probability_below(base, pulses):.2f}"
    return {
        "base": Estimate(value=base, n=given, method=method, reason=reason),
        "trunk_test": (yield from _find_test(frame, step, base)),
    }


def _find_test(frame: Frame, step: TrunkLevels, base: float) -> Generator[Request, Reply, Estimate]:
    first = base + step.test_above_base_mso
    tries = (
        (first, step.contraction_pct),
        (first + _EXTRA_MSO, step.contraction_pct),
        (first + _EXTRA_MSO, _EXTENSION_PCT),
    )
    given = 0
    tried: dict[float, None] = {}
    refusal = ""
    for asked, contraction in tries:
        level = min(asked, frame.limits.ceiling_mso)
        if contraction > step.contraction_pct:
            yield from ask(
                Ask(key="extension", text="Lean into slight extension and hold it.", kind="confirm", step=frame.step)
            )
        seen = yield from _try_level(frame, level, step.pulses, contraction)
        given += seen.given
        if seen.responded:
            return Estimate(value=level, n=given, method=f"{_METHOD}, at {contraction:g} % of maximal extension")
        if seen.refusal:
            refusal = f"{level:g} % MSO was not given: {seen.refusal}"
            break
        tried[level] = None
    return Estimate(n=given, method=_METHOD, reason=_no_test(tuple(tried), given, refusal))


def _no_test(tried: tuple[float, ...], given: int, refusal: str) -> str:
    """Return why there is no test level: what was tried, and what forbade more."""
    silent = f"no response obtained up to {max(tried):g} % MSO, {given} pulses" if tried else ""
    return "; ".join(filter(None, (silent, refusal)))


def _try_level(frame: Frame, level: float, pulses: int, contraction_pct: float) -> Generator[Request, Reply, _Seen]:
    """Give a few pulses at one level, and see whether any of both sides responds."""
    given = good = responses = 0
    while good < pulses and given < _TRIES * pulses:
        reply = yield from frame.deliver(
            Stimulus.single(level),
            condition=f"level {level:g} %",
            contraction_pct=contraction_pct,
            why="Coarse steps: is there a response at this level?",
        )
        if isinstance(reply, Refused):
            return _Seen(given, good, responses, reply.reason)
        given += 1
        if isinstance(reply, Trial) and usable(reply):
            good += 1
            labels = frame.both_sides or (frame.muscle.label,)
            responses += any(_is_response(frame, reply, label) for label in labels)
    return _Seen(given, good, responses)


def _is_response(frame: Frame, trial: Trial, label: str) -> bool:
    likely = trial.value(label, "response_p") >= 0.5
    return likely and trial.value(label, "amplitude_uv") >= frame.criterion.size_uv
