"""Test intensity: the setting whose response lies between 0.5 and 1 mV, or another range."""

from __future__ import annotations

import math
from dataclasses import replace

from decussa.estimate import target_size
from decussa.model.dialogue import Plan, Refused
from decussa.model.estimate import Estimate
from decussa.model.stimulus import Stimulus
from decussa.plan.frame import Frame
from decussa.protocol.steps import TestIntensity

#: The search ends when the expected size lies in the range with this probability.
_SURE = 0.9
_FEWEST = 6


def find_test_intensity(frame: Frame, step: TestIntensity) -> Plan:
    """Search the setting; finds ``test_intensity`` in % MSO."""
    threshold = frame.known.get("rmt", math.nan)
    ceiling = frame.limits.ceiling_mso
    state = target_size.start(low_uv=step.low_uv, high_uv=step.high_uv, threshold_mso=threshold, ceiling_mso=ceiling)
    limited = ""
    number = 0
    while number < step.pulses:
        level = min(target_size.suggest(state), ceiling)
        reply = yield from frame.deliver(
            Stimulus.single(level),
            condition="test intensity",
            why=f"Looking for {step.low_uv / 1000:g} to {step.high_uv / 1000:g} mV.",
        )
        if isinstance(reply, Refused):
            limited = f"{level:g} % MSO was not given: {reply.reason}"
            if not 0 < reply.highest_mso < level:
                break
            ceiling = reply.highest_mso
            continue
        number += 1
        size, noise = (frame.value_of(reply, name) for name in ("amplitude_uv", "noise_uv"))
        if not math.isnan(size):
            floor = frame.criterion.size_uv if math.isnan(noise) else noise
            state = target_size.learn(state, level, size, noise_uv=floor)
        yield from frame.show({"test_intensity": target_size.summary(state)})
        if number >= _FEWEST and target_size.probability_in_range(state) >= _SURE:
            break
    return {"test_intensity": _found(target_size.summary(state), limited)}


def _found(known: Estimate, limited: str) -> Estimate:
    """Return what was found, and what limits it; no number where nothing was learnt."""
    if known.n == 0:
        return Estimate(method=known.method, reason=limited or "no usable trial")
    return replace(known, reason="; ".join(filter(None, (known.reason, limited))))
