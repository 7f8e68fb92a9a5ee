"""Base and test level of a trunk muscle from coarse steps, with the probability that the base is below threshold.

The rule (common practice, no source) spares a region where strong pulses are poorly tolerated: first pulses at 50 % MSO; no
response there, and the base is 50; a response, and 40 is tried, then 30, then 20. The test level lies 40 points above the
base. A few silent pulses do not show that a level is below threshold: the probability of that is read off the belief of the
adaptive threshold estimator for trunk muscles, told yes and no only.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from decussa.estimate import threshold
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

#: The rule's numbers, % MSO (common practice, no source).
START_MSO, STEP_MSO, LOWEST_MSO, TEST_ABOVE_MSO = 50.0, 10.0, 20.0, 40.0
_METHOD = "approximate: coarse steps"


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """The rule, the level in hand (% MSO), responses seen at it, and the belief about the threshold."""

    pulses: int
    level_mso: float
    given: int = 0
    responded: bool = False
    found: bool = False
    n: int = 0
    belief: threshold.State


def start(*, start_mso: float = START_MSO, pulses: int = 2) -> State:
    """Begin: first level in % MSO, and pulses at each level.

    Raises
    ------
    UsageError
        If the level or the number cannot be meant.
    """
    if not LOWEST_MSO <= start_mso <= 100 or pulses < 1:
        raise UsageError(
            "coarse steps cannot be meant",
            expected=f"a start of {LOWEST_MSO:g} to 100 % MSO, one pulse or more a level",
            found=f"{start_mso:g} % MSO, {pulses} pulses",
        )
    belief = threshold.start(muscle="erector spinae", step_mso=STEP_MSO)
    return State(pulses=pulses, level_mso=float(start_mso), belief=belief)


def suggest(state: State) -> float:
    """Return the level to give, % MSO."""
    return state.level_mso


def learn(state: State, intensity_mso: float, *, response: bool) -> State:
    """Return the state after one pulse; ``response`` says whether either side responded.

    A pulse at another level than the one in hand adds to the belief only.

    Raises
    ------
    UsageError
        If the intensity is out of range.
    """
    state = replace(
        state, n=state.n + 1, belief=threshold.learn(state.belief, intensity_mso, response=response)
    )  # fmt: skip
    if state.found or intensity_mso != state.level_mso:
        return state
    state = replace(state, given=state.given + 1, responded=state.responded or response)
    if state.responded:
        if state.level_mso - STEP_MSO < LOWEST_MSO:
            return replace(state, found=True)
        return replace(state, level_mso=state.level_mso - STEP_MSO, given=0, responded=False)
    return replace(state, found=state.given >= state.pulses)


def done(state: State) -> bool:
    """Return whether the base is found."""
    return state.found


def below_threshold_probability(state: State) -> float:
    """Return the probability that the level in hand is below the threshold of either side."""
    return threshold.probability_above(state.belief, state.level_mso)


def probability_below(level_mso: float, seen: Iterable[tuple[float, bool]]) -> float:
    """Return the probability that a level is below threshold, from (intensity in % MSO, response or not) of every pulse."""
    belief = threshold.start(muscle="erector spinae", step_mso=STEP_MSO)
    for intensity_mso, response in seen:
        belief = threshold.learn(belief, intensity_mso, response=response)
    return threshold.probability_above(belief, level_mso)


def summary(state: State) -> Estimate:
    """Return the base in % MSO, marked approximate; the level in hand while it is not found.

    ``method`` states the probability that the base is below threshold, ``reason`` why it may not be.
    """
    probability = below_threshold_probability(state)
    reason = ""
    if not state.found:
        reason = "coarse steps not at their end"
    elif state.responded:
        reason = "responds even at the lowest level: base may lie above threshold"
    return Estimate(
        value=state.level_mso,
        n=state.n,
        method=f"{_METHOD}; below threshold with a probability of {probability:.2f}",
        reason=reason,
    )


def level_for_test_mso(state: State, ceiling_mso: float = 100.0) -> float:
    """Return the test level: 40 points above the base, not above the ceiling, % MSO."""
    return min(state.level_mso + TEST_ABOVE_MSO, ceiling_mso)
