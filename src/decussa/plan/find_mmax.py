"""Mmax: rising current until the plateau is likely, then supramaximal confirmation."""

from __future__ import annotations

import math
from dataclasses import replace

from decussa.estimate import mmax_search
from decussa.model.dialogue import Plan, Refused
from decussa.model.estimate import Estimate
from decussa.model.stimulus import Stimulus
from decussa.plan.frame import Frame
from decussa.protocol.steps import Mmax

#: A current is given again this often where its trial was rejected or lost; then the search ends.
_REPEATS = 2
#: Below this an M-wave is not worth calling one, in uV (common practice, no source).
_LEAST_UV = 500.0


def find_mmax(frame: Frame, step: Mmax) -> Plan:
    """Raise the current until it lies on the plateau in all likelihood, confirm above it; finds ``mmax`` in µV.

    Where a current is refused, or brings no usable trial in a row of tries, the search ends there and the result says so.
    """
    state = mmax_search.start(
        start_ma=min(step.start_ma, step.ceiling_ma),
        step_ma=step.step_ma,
        ceiling_ma=step.ceiling_ma,
        supramaximal=1 + step.margin_pct / 100,
        confirm=step.confirm,
    )
    limited = ""
    in_vain = 0
    while not limited and not mmax_search.done(state):
        current = mmax_search.suggest(state)
        condition, why = _words(state, step)
        reply = yield from frame.deliver(Stimulus.nerve(current), condition=condition, why=why)
        if isinstance(reply, Refused):
            limited = f"{current:g} mA was not given: {reply.reason}"
            continue
        size = frame.value_of(reply, "amplitude_uv")
        in_vain = in_vain + 1 if math.isnan(size) else 0
        if in_vain > _REPEATS:
            limited = f"no usable trial at {current:g} mA in {in_vain} pulses"
        if not math.isnan(size):
            state = mmax_search.learn(state, current, size)
            yield from frame.show({"mmax": mmax_search.summary(state)})
    return {"mmax": _found(state, limited)}


def _found(state: mmax_search.State, limited: str) -> Estimate:
    """Return Mmax and what limits it; no number where nothing that came back is worth calling an M-wave."""
    found = mmax_search.summary(state)
    if state.n and max(state.sizes_uv) < _LEAST_UV:
        reason = f"no M-wave of {_LEAST_UV:g} uV up to {max(state.currents_ma):g} mA"
        found = Estimate(n=state.n, method=found.method, reason=reason)
    return replace(found, reason="; ".join(filter(None, (found.reason, limited))))


def _words(state: mmax_search.State, step: Mmax) -> tuple[str, str]:
    """Return the condition's name and why the next pulse is given."""
    if mmax_search.on_plateau(state):
        return "Mmax", f"Confirm {step.margin_pct:g} % above the plateau."
    return "M-wave", "The M-wave may still grow."
