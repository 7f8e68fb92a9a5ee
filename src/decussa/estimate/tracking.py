"""Threshold tracking for paired pulses: the intensity that keeps the response at a target, usually 0.2 mV.

The published rule (Fisher 2002; Vucic 2006; both from memory) raises the test pulse by a step after a response below the
target's tolerance, lowers it after one above, and leaves it after one within. Test pulses alone and each interval between
the pulses have a track of their own. What the track shows is read off the belief of ``target_size`` for the same target,
which learns from all its responses and has an interval; the published figure, the mean intensity of the responses within
tolerance, stands beside it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from decussa.estimate import target_size
from decussa.estimate.average import exponential
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

#: Target in uV and its tolerance, as a share of it (Fisher 2002; from memory).
TARGET_UV, TOLERANCE = 200.0, 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """One track: target and tolerance, step, ceiling, what was given and seen, and the belief about the target's setting."""

    target_uv: float
    tolerance: float
    step_mso: float
    ceiling_mso: float
    next_mso: float
    given_mso: tuple[float, ...] = ()
    sizes_uv: tuple[float, ...] = ()
    belief: target_size.TargetState

    @property
    def n(self) -> int:
        """Number of pulses so far."""
        return len(self.given_mso)


def start(
    *,
    first_mso: float,
    target_uv: float = TARGET_UV,
    tolerance: float = TOLERANCE,
    step_mso: float = 1.0,
    ceiling_mso: float = 100.0,
) -> State:
    """Begin a track at ``first_mso``, commonly the resting threshold.

    Raises
    ------
    UsageError
        If a setting cannot be meant.
    """
    if not 0 < first_mso <= ceiling_mso <= 100:
        raise UsageError(
            "the first intensity cannot be given",
            expected=f"above 0, up to {ceiling_mso:g} % MSO",
            found=f"{first_mso:g}",
        )
    if not (0 < tolerance < 1 and target_uv > 0 and step_mso > 0):
        raise UsageError(
            "the track cannot be meant",
            expected="target and step above 0, tolerance between 0 and 1",
            found=f"target {target_uv:g} µV, step {step_mso:g} % MSO, tolerance {tolerance:g}",
        )
    belief = target_size.start(
        low_uv=target_uv * (1 - tolerance), high_uv=target_uv / (1 - tolerance), ceiling_mso=ceiling_mso,
        threshold_mso=first_mso / target_size.OVER_THRESHOLD,
    )  # fmt: skip
    return State(
        target_uv=target_uv, tolerance=tolerance, step_mso=step_mso, ceiling_mso=ceiling_mso,
        next_mso=first_mso, belief=belief,
    )  # fmt: skip


def suggest(state: State) -> float:
    """Return the next intensity of this track, % MSO."""
    return state.next_mso


def learn(state: State, intensity_mso: float, amplitude_uv: float, *, noise_uv: float = 30.0) -> State:
    """Return the state after one response; the next intensity follows the published rule.

    Raises
    ------
    UsageError
        If the size is negative or not finite, or the intensity is out of range.
    """
    belief = target_size.learn(state.belief, intensity_mso, amplitude_uv, noise_uv=noise_uv)
    wanted = intensity_mso + state.step_mso * _direction(state, amplitude_uv)
    return replace(
        state,
        next_mso=min(max(wanted, state.step_mso), state.ceiling_mso),
        given_mso=(*state.given_mso, float(intensity_mso)),
        sizes_uv=(*state.sizes_uv, float(amplitude_uv)),
        belief=belief,
    )


def _direction(state: State, amplitude_uv: float) -> int:
    if amplitude_uv < state.target_uv * (1 - state.tolerance):
        return 1
    return -1 if amplitude_uv > state.target_uv * (1 + state.tolerance) else 0


def summary(state: State) -> Estimate:
    """Return the tracked intensity, % MSO, with its interval; the start's where nothing was learnt."""
    found = target_size.summary(state.belief)
    return replace(found, method=f"intensity for {state.target_uv:g} µV, tracked: {found.method}")


def mean_within_tolerance(state: State) -> float:
    """Return the published figure: mean intensity of the responses within tolerance, % MSO; NaN where there is none."""
    within = [
        given for given, size in zip(state.given_mso, state.sizes_uv, strict=True) if _direction(state, size) == 0
    ]
    return sum(within) / len(within) if within else math.nan


def percent_inhibition_tracked(test: Estimate, conditioned: Estimate) -> Estimate:
    """Return the inhibition in % from a track of test pulses alone and a conditioned one, with its interval.

    The two intervals are joined on the log scale by squaring and adding (Zou and Donner 2008, doi 10.1002/sim.3095; from
    memory), the tracks taken as independent.
    """
    value = tracked_inhibition(test.value, conditioned.value)
    ratio = conditioned.value / test.value
    down = math.hypot(_log_gap(conditioned.value, conditioned.low), _log_gap(test.high, test.value))
    up = math.hypot(_log_gap(conditioned.high, conditioned.value), _log_gap(test.value, test.low))
    return Estimate(
        value=value,
        low=100 * (ratio * exponential(-down) - 1),
        high=100 * (ratio * exponential(up) - 1),
        n=test.n + conditioned.n,
        method="threshold tracking, both intervals joined on the log scale",
        reason="; ".join(reason for reason in (test.reason, conditioned.reason) if reason),
    )


def _log_gap(high: float, low: float) -> float:
    """Return ln(high / low); infinite where the interval is open."""
    return math.log(high / low) if math.isfinite(high) and low > 0 else math.inf


def tracked_inhibition(test_mso: float, conditioned_mso: float) -> float:
    """Return the inhibition in % by threshold tracking: how much more intensity the same response needs.

    Raises
    ------
    UsageError
        If the intensity of the test pulse alone is not above 0.
    """
    if not test_mso > 0:
        raise UsageError("the test threshold cannot be divided by", expected="above 0 % MSO", found=f"{test_mso:g}")
    return 100 * (conditioned_mso - test_mso) / test_mso
