"""Two thresholds: midway between the highest intensity without any response and the lowest with responses only.

Mills and Nithi 1997, Muscle Nerve 20:570 (citation from memory): the lower threshold is the highest intensity with 0
of 10, the upper the lowest with 10 of 10. The search starts clearly below threshold and goes up, first to the end of
silence, then to the first level without a miss; a start that is not silent is lowered first. A level ends as soon as it
can no longer be what is looked for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from decussa.estimate.threshold.pulse import check_intensity, positive, seen
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

PULSES = 10
#: A start that was too high is lowered by this much, % MSO.
LOWER_MSO = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """The level in hand (% MSO) with its responses and misses, and what is known so far (% MSO; NaN until known).

    ``silent_mso`` is the last level with 0 of 10; it becomes ``lower_mso`` with the first response above it.
    """

    criterion_uv: float
    step_mso: float
    level_mso: float
    yes: int = 0
    no: int = 0
    n: int = 0
    silent_mso: float = math.nan
    lower_mso: float = math.nan
    upper_mso: float = math.nan
    out_of_range: bool = False


def start(*, start_mso: float, step_mso: float = 1, criterion_uv: float = 50) -> State:
    """Begin at ``start_mso`` (% MSO), which should lie clearly below threshold, to go up by ``step_mso``."""
    return State(
        criterion_uv=positive("criterion_uv", criterion_uv, "uV"),
        step_mso=positive("step_mso", step_mso, "% MSO"),
        level_mso=check_intensity(start_mso),
    )


def suggest(state: State) -> float:
    """Return the intensity to give next, % MSO; when done, the level that ended the search."""
    return state.level_mso


def learn(
    state: State, intensity_mso: float, amplitude_uv: float | None = None, *, response: bool | None = None
) -> State:
    """Return the state after a pulse at the level in hand: its size in uV, or whether there was a response.

    Raises
    ------
    UsageError
        If the pulse was not given at the level in hand, the search is done, or the outcome cannot be meant.
    """
    if done(state):
        raise UsageError("the search is done", expected="no further pulse", do="read its summary")
    if check_intensity(intensity_mso) != state.level_mso:
        raise UsageError(
            "two-threshold counts pulses at one level",
            where="intensity_mso",
            expected=f"{state.level_mso:g} % MSO",
            found=f"{intensity_mso:g}",
        )
    answer = seen(amplitude_uv, response, criterion_uv=state.criterion_uv)
    counted = replace(state, yes=state.yes + answer, no=state.no + (not answer), n=state.n + 1)
    return _look_for_lower(counted) if math.isnan(state.lower_mso) else _look_for_upper(counted)


def done(state: State) -> bool:
    """Return whether both thresholds are known, or the end of the stimulator's range is reached without them."""
    return state.out_of_range or math.isfinite(state.upper_mso)


def summary(state: State) -> Estimate:
    """Return the mean of the two thresholds, % MSO; NaN with the reason while there is none. The rule has no interval."""
    method = f"two-threshold, 0 and {PULSES} of {PULSES} at {state.criterion_uv:g} uV, {state.step_mso:g} % MSO steps"
    if math.isfinite(state.upper_mso):
        value = (state.lower_mso + state.upper_mso) / 2
        return Estimate(value=value, n=state.n, method=method, reason="the rule gives no interval")
    if not state.out_of_range:
        return Estimate(n=state.n, method=method, reason="search is not finished")
    if math.isnan(state.silent_mso):
        return Estimate(n=state.n, method=method, reason=f"no level with 0 of {PULSES} down to 0 % MSO")
    return Estimate(n=state.n, method=method, reason=f"no level with {PULSES} of {PULSES} up to 100 % MSO")


def _look_for_lower(state: State) -> State:
    if state.yes:
        if math.isnan(state.silent_mso):
            return _go_to(state, state.level_mso - LOWER_MSO)
        # the level that ended the silence may still be the lowest certain one: it is counted afresh
        return replace(state, lower_mso=state.silent_mso, yes=0, no=0)
    if state.no == PULSES:
        return _go_to(replace(state, silent_mso=state.level_mso), state.level_mso + state.step_mso)
    return state


def _look_for_upper(state: State) -> State:
    if state.no:
        return _go_to(state, state.level_mso + state.step_mso)
    if state.yes == PULSES:
        return replace(state, upper_mso=state.level_mso)
    return state


def _go_to(state: State, level_mso: float) -> State:
    """Return the state at a new level, or at the end of the range if it has been there already."""
    within = min(100.0, max(0.0, level_mso))
    if within == state.level_mso:
        return replace(state, out_of_range=True)
    return replace(state, level_mso=within, yes=0, no=0)
