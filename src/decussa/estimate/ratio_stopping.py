"""A ratio from as few trials as its interval allows: when to stop a block, by a rule that is fixed before it.

Looking after every pair of trials and stopping when the interval is narrow favours samples that happen to vary little,
whose intervals are then too short. Two things keep the level: no look before ``fewest`` trials of each condition, and a
logarithmic interval that is ``WIDENED`` throughout, so that what is looked at is what is reported. Both were chosen on
simulated log-normal and gamma sizes and judged on others (bench/ratio.py).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal, get_args

from decussa.estimate.average import exponential, finite_values
from decussa.estimate.ratio import ratio
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

Condition = Literal["conditioned", "unconditioned"]

#: The logarithmic interval is wider by this than that of a number of trials fixed beforehand.
WIDENED = 1.05


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """The rule and the sizes so far, in the order in which they came, µV."""

    within: float
    fewest: int
    most: int
    conditioned_uv: tuple[float, ...] = ()
    unconditioned_uv: tuple[float, ...] = ()

    @property
    def n(self) -> int:
        """Number of trials so far, of both conditions."""
        return len(self.conditioned_uv) + len(self.unconditioned_uv)


def start(*, within: float = 1.5, fewest: int = 10, most: int = 40) -> State:
    """Fix the rule before the block.

    Parameters
    ----------
    within : float
        Stop when both ends of the interval lie within this factor of the ratio; 1.5 means from two thirds to one and a
        half times the ratio.
    fewest, most : int
        Trials of each condition before the first look, and at the latest end.

    Raises
    ------
    UsageError
        If the rule cannot be meant.
    """
    if not (math.isfinite(within) and within > 1):
        raise UsageError("the interval cannot be that narrow", where="within", expected="above 1", found=f"{within:g}")
    if not 2 <= fewest <= most:
        raise UsageError(
            "numbers of trials do not fit", expected="2 <= fewest <= most", found=f"fewest {fewest}, most {most}"
        )
    return State(within=within, fewest=fewest, most=most)


def of_block(
    conditioned_uv: Iterable[float], unconditioned_uv: Iterable[float], *, within: float, fewest: int, most: int
) -> State:
    """Return the state of a block after these trials, µV; those without a size are left out.

    Raises
    ------
    UsageError
        If the rule cannot be meant, or a size is negative or infinite.
    """
    sizes = ([size for size in one if not math.isnan(size)] for one in (conditioned_uv, unconditioned_uv))
    conditioned, unconditioned = (tuple(finite_values(one, name="sizes", least=0.0).tolist()) for one in sizes)
    return replace(
        start(within=within, fewest=fewest, most=most), conditioned_uv=conditioned, unconditioned_uv=unconditioned
    )


def suggest(state: State) -> Condition:
    """Return the condition that has had fewer trials; the unconditioned one where they are even."""
    return "conditioned" if len(state.conditioned_uv) < len(state.unconditioned_uv) else "unconditioned"


def learn(state: State, condition: Condition, amplitude_uv: float) -> State:
    """Return the state after one trial.

    Raises
    ------
    UsageError
        If the condition is unknown, or the size negative or not finite.
    """
    if condition not in get_args(Condition):
        raise UsageError("condition is not known", expected=" or ".join(get_args(Condition)), found=repr(condition))
    (size,) = finite_values(amplitude_uv, name="amplitude_uv", least=0.0)
    if condition == "conditioned":
        return replace(state, conditioned_uv=(*state.conditioned_uv, float(size)))
    return replace(state, unconditioned_uv=(*state.unconditioned_uv, float(size)))


def summary(state: State) -> Estimate:
    """Return the ratio of arithmetic means with the widened interval; ``method`` states the rule."""
    found = ratio(state.conditioned_uv, state.unconditioned_uv, method="log-t")
    rule = f"trials until within a factor of {state.within:g}, {state.fewest} to {state.most} of each"
    return widened(replace(found, method=f"{found.method}; {rule}"))


def widened(found: Estimate) -> Estimate:
    """Return a ratio of a block that was allowed to stop, with the interval that then keeps its level."""
    found = replace(found, method=f"{found.method}; interval widened by {WIDENED:g} for stopping")
    if not (found.value > 0 and found.low > 0):
        return found
    low, high = (exponential(WIDENED * math.log(end / found.value)) for end in (found.low, found.high))
    return replace(found, low=found.value * low, high=found.value * high)


def done(state: State) -> bool:
    """Return whether the block may end: the interval is narrow enough, or the most trials were given."""
    given = min(len(state.conditioned_uv), len(state.unconditioned_uv))
    if given < state.fewest:
        return False
    found = summary(state)
    return given >= state.most or found.high <= state.within * found.value
