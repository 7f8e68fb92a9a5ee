"""Base and test level of a trunk muscle by coarse steps: no dense hunting, which is not tolerated there.

First pulses at 50 % MSO. No response there: base is 50. A response: try 40, and if that responds too, 30, then 20. The test
level lies 40 points above the base; if it stays silent, 50 points, then the same with slight extension; otherwise no response
was obtained up to there, which is a result. Common practice, no source. Everything found here is approximate.
"""

from __future__ import annotations

from collections.abc import Generator

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


def find_trunk_levels(frame: Frame, step: TrunkLevels) -> Plan:
    """Find ``base`` and ``trunk_test`` in % MSO, both marked approximate."""
    base, given = step.start_mso, 0
    while True:
        seen = yield from _responds(frame, base, step.pulses, step.contraction_pct)
        given += step.pulses
        if seen is None or not seen or base - _STEP_DOWN_MSO < _LOWEST_MSO:
            break
        base -= _STEP_DOWN_MSO
    reason = "responds even at the lowest level: base may lie above threshold" if seen else ""
    found = {"base": Estimate(value=base, n=given, method=_METHOD, reason=reason)}
    found["trunk_test"] = yield from _find_test(frame, step, base)
    return found


def _find_test(frame: Frame, step: TrunkLevels, base: float) -> Generator[Request, Reply, Estimate]:
    first = base + step.test_above_base_mso
    tries = (
        (first, step.contraction_pct),
        (first + _EXTRA_MSO, step.contraction_pct),
        (first + _EXTRA_MSO, _EXTENSION_PCT),
    )
    given, highest = 0, base
    for asked, contraction in tries:
        level = min(asked, frame.limits.ceiling_mso)
        if contraction > step.contraction_pct:
            yield from ask(
                Ask(key="extension", text="Lean into slight extension and hold it.", kind="confirm", step=frame.step)
            )
        seen = yield from _responds(frame, level, step.pulses, contraction)
        if seen is None:
            break
        given, highest = given + step.pulses, level
        if seen:
            return Estimate(value=level, n=given, method=f"{_METHOD}, at {contraction:g} % of maximal extension")
    return Estimate(n=given, method=_METHOD, reason=f"no response obtained up to {highest:g} % MSO, {given} pulses")


def _responds(
    frame: Frame, level: float, pulses: int, contraction_pct: float
) -> Generator[Request, Reply, bool | None]:
    """Give a few pulses; return whether any of both sides responded, None where the level was refused."""
    seen = False
    for _ in range(pulses):
        reply = yield from frame.deliver(
            Stimulus.single(level),
            condition=f"level {level:g} %",
            contraction_pct=contraction_pct,
            why="Coarse steps: is there a response at this level?",
        )
        if isinstance(reply, Refused):
            return None
        if isinstance(reply, Trial) and usable(reply):
            seen = seen or any(_is_response(frame, reply, label) for label in frame.both_sides or (frame.muscle.label,))
    return seen


def _is_response(frame: Frame, trial: Trial, label: str) -> bool:
    likely = trial.value(label, "response_p") >= 0.5
    return likely and trial.value(label, "amplitude_uv") >= frame.criterion.size_uv
