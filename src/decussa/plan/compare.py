"""Says how a threshold lies to one that was found before: a proposal to look, never a decision."""

from __future__ import annotations

import math

from decussa.model.estimate import Estimate


def compare(quantity: str, now: Estimate, then: Estimate, when: str) -> str:
    """Return the comparison in words; intervals that do not meet are a reason to look at coil, electrodes and state."""
    said = f"{quantity.upper()} {_words(now)}; {_words(then)} {when}"
    if not (math.isfinite(now.value) and math.isfinite(then.value)):
        return f"{said}."
    said = f"{said}: {now.value - then.value:+.1f} % MSO"
    if math.isnan(now.low) or math.isnan(then.low):
        return f"{said}."
    if now.low <= then.high and then.low <= now.high:
        return f"{said}, the intervals meet."
    return f"{said}, the intervals do not meet: look at coil, electrodes and state before going on."


def _words(estimate: Estimate) -> str:
    if math.isnan(estimate.value):
        return f"not found ({estimate.reason or 'no reason given'})"
    return f"{estimate.value:.1f} [{estimate.low:.1f}, {estimate.high:.1f}] % MSO"
