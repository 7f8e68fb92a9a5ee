"""Motor threshold by one of the named methods; all share ``start``, ``suggest``, ``learn`` and ``summary``."""

from __future__ import annotations

import math

from decussa.estimate import threshold
from decussa.model.dialogue import Plan, Refused, Trial
from decussa.model.estimate import Estimate
from decussa.model.stimulus import Stimulus
from decussa.plan.frame import Frame, usable
from decussa.protocol.intensity import set_on_device
from decussa.protocol.steps import Threshold

#: So many responses below the criterion at the ceiling, and the threshold is taken to lie above it.
_SILENT_AT_CEILING = 3


def find_threshold(frame: Frame, step: Threshold, *, prior: Estimate | None = None) -> Plan:
    """Hunt the threshold adaptively; finds ``rmt`` or ``amt`` in % MSO, or the status "no response up to" with its reason."""
    active = step.state == "active"
    criterion = frame.criterion.active_size_uv if active else frame.criterion.size_uv
    state = threshold.start(
        muscle=frame.muscle.muscle,
        active=active,
        criterion_uv=criterion,
        prior=prior,
        step_mso=frame.limits.device_step_mso,
        ceiling_mso=frame.limits.ceiling_mso,
    )
    quantity = "amt" if active else "rmt"
    silent = given = 0
    ceiling = frame.limits.ceiling_mso
    while given < step.pulses:
        level = min(set_on_device(threshold.suggest(state), frame.limits.device_step_mso), ceiling)
        reply = yield from frame.deliver(
            Stimulus.single(level),
            condition=quantity,
            contraction_pct=step.contraction_pct if active else 0.0,
            why=f"Half of the pulses at threshold give {criterion:g} µV; this one tells most.",
        )
        given += 1
        if isinstance(reply, Refused):
            return {quantity: _limited(threshold.summary(state), level, reply.reason)}
        if not (isinstance(reply, Trial) and usable(reply)):
            continue
        size, noise = (reply.value(frame.muscle.label, name) for name in ("amplitude_uv", "noise_uv"))
        if not (math.isfinite(size) and size >= 0):
            continue
        state = threshold.learn(state, level, size, noise_uv=noise if math.isfinite(noise) and noise > 0 else None)
        silent = silent + 1 if level >= ceiling and size < criterion else 0
        known = threshold.summary(state)
        yield from frame.show({quantity: known})
        if silent >= _SILENT_AT_CEILING:
            reason = f"no response up to {ceiling:g} % MSO, {given} pulses: the threshold lies above"
            return {quantity: Estimate(low=ceiling, high=math.inf, n=given, method=known.method, reason=reason)}
        if (known.high - known.low) / 2 <= step.half_width_mso:
            break
    return {quantity: threshold.summary(state)}


def _limited(known: Estimate, level: float, reason: str) -> Estimate:
    """What is known when the way up was closed: the estimate, and why it went no further."""
    return Estimate(
        value=known.value,
        low=known.low,
        high=known.high,
        n=known.n,
        method=known.method,
        reason=f"limited: {reason} ({level:g} % MSO was asked for)",
    )
