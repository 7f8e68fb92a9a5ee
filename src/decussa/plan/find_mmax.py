"""Mmax: rising current to a plateau, then supramaximal confirmation."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from decussa.model.dialogue import Plan, Refused, Trial
from decussa.model.estimate import Estimate
from decussa.model.stimulus import Stimulus
from decussa.plan.frame import Frame, usable
from decussa.protocol.steps import Mmax

#: A plateau: growth below 5 % over the last three rising steps (measured responses are rarely truly flat; from memory).
_FLAT = 0.05
_STEPS = 3
#: Below this an M-wave is not worth calling one.
_LEAST_UV = 500.0


def find_mmax(frame: Frame, step: Mmax) -> Plan:
    """Raise the current until the M-wave no longer grows, confirm above it; finds ``mmax`` in µV and ``mmax_current`` in mA."""
    sizes: list[float] = []
    limited = ""
    current = step.start_ma
    while current <= step.ceiling_ma and not _is_flat(sizes):
        reply = yield from frame.deliver(Stimulus.nerve(current), condition="M-wave", why="The M-wave still grows.")
        if isinstance(reply, Refused):
            limited = f"{current:g} mA was not given: {reply.reason}"
            break
        if isinstance(reply, Trial) and usable(reply):
            size = reply.value(frame.muscle.label, "amplitude_uv")
            if math.isfinite(size):
                sizes.append(size)
        current += step.step_ma
    plateau = _is_flat(sizes)
    confirmed: list[float] = []
    supramaximal = min((current - step.step_ma) * (1 + step.margin_pct / 100), step.ceiling_ma)
    for _ in range(step.confirm if plateau else 0):
        reply = yield from frame.deliver(
            Stimulus.nerve(round(supramaximal, 1)),
            condition="Mmax",
            why=f"Confirm {step.margin_pct:g} % above the plateau.",
        )
        if isinstance(reply, Refused):
            limited = f"the confirmation was not given: {reply.reason}"
            break
        if isinstance(reply, Trial) and usable(reply):
            confirmed.append(reply.value(frame.muscle.label, "amplitude_uv"))
    found = _mmax(sizes, confirmed, plateau=plateau)
    return {"mmax": replace(found, reason="; ".join(filter(None, (found.reason, limited))))}


def _is_flat(sizes: Sequence[float]) -> bool:
    if len(sizes) <= _STEPS or max(sizes) < _LEAST_UV:
        return False
    last = sizes[-_STEPS - 1 :]
    return max(last[1:]) <= last[0] * (1 + _FLAT)


def _mmax(sizes: Sequence[float], confirmed: Sequence[float], *, plateau: bool) -> Estimate:
    every = [size for size in (*sizes, *confirmed) if math.isfinite(size)]
    method = "largest M-wave, plateau rule 5 % over 3 steps, supramaximal confirmation"
    if not every or max(every) < _LEAST_UV:
        return Estimate(n=len(every), method=method, reason="no M-wave up to the highest current")
    reason = "" if plateau else "no plateau below the highest current: a lower bound"
    return Estimate(value=max(every), n=len(every), method=method, reason=reason)
