"""Familiarisation: a few pulses in rising steps, so that nothing later comes as a surprise."""

from __future__ import annotations

from decussa.model.dialogue import Plan, Refused
from decussa.model.stimulus import Stimulus
from decussa.plan.frame import Frame
from decussa.protocol.steps import Familiarisation


def familiarise(frame: Frame, step: Familiarisation) -> Plan:
    """Give ``step.pulses`` at each level from ``start_mso`` to ``end_mso``; ends early where a level is refused."""
    level = step.start_mso
    top = min(step.end_mso, frame.limits.ceiling_mso)
    while level <= top:
        for _ in range(step.pulses):
            reply = yield from frame.deliver(
                Stimulus.single(level),
                condition=f"{level:g} %",
                why="Getting used to it; nothing is measured for the results.",
            )
            if isinstance(reply, Refused):
                return {}
        level += frame.limits.climb_step_mso
    return {}
