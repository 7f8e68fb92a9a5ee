"""The order of trials: balanced small blocks, no long runs, test alone first, and the waits between them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from decussa.model.errors import UsageError

#: Equal conditions in a row, at most (common practice, no source).
LONGEST_RUN = 3


def mixed_order(
    conditions: Sequence[str], trials: int, *, seed: int, first: str = "", per_block: int = 1
) -> tuple[tuple[str, ...], ...]:
    """Return the order of a block as small blocks, each with every condition ``per_block`` times.

    Parameters
    ----------
    conditions : sequence of str
        Names of the conditions; a name may stand several times to be given more often.
    trials : int
        Trials of each condition; the last small block takes the remainder.
    seed : int
        The same seed gives the same order.
    first : str
        Condition of the very first trial; empty for any.
    per_block : int
        Trials of each condition in one small block.

    Returns
    -------
    tuple of tuple of str
        Small blocks in order. No condition stands more than ``LONGEST_RUN`` times in a row, across blocks too, unless
        there is only one.

    Raises
    ------
    UsageError
        If ``first`` is not one of the conditions, or a count is below 1.
    """
    if trials < 1 or per_block < 1 or not conditions:
        raise UsageError(
            "nothing to order", expected="at least one condition and one trial", found=f"{len(conditions)}, {trials}"
        )
    if first and first not in conditions:
        raise UsageError("first condition is not in the block", expected=" or ".join(conditions), found=repr(first))
    rng = np.random.default_rng(seed)
    blocks: list[tuple[str, ...]] = []
    given: list[str] = []
    remaining = trials
    while remaining:
        repeats = min(per_block, remaining)
        blocks.append(_small_block(list(conditions) * repeats, given, rng, first if not blocks else ""))
        given += blocks[-1]
        remaining -= repeats
    return tuple(blocks)


def _small_block(pool: list[str], given: list[str], rng: np.random.Generator, first: str) -> tuple[str, ...]:
    """Shuffle until the runs are short; a pool of one condition has only one order."""
    one_kind = len(set(pool)) == 1
    while True:
        order = [pool[index] for index in rng.permutation(len(pool))]
        if first:
            order.remove(first)
            order.insert(0, first)
        if one_kind or _longest_run(given[-LONGEST_RUN:] + order) <= LONGEST_RUN:
            return tuple(order)


def _longest_run(order: Sequence[str]) -> int:
    longest = run = 1
    for before, after in pairwise(order):
        run = run + 1 if after == before else 1
        longest = max(longest, run)
    return longest


def draw_waits(span_s: tuple[float, float], *, seed: int) -> Iterator[float]:
    """Yield waits in seconds, uniform over ``span_s``, to a tenth of a second; the same seed yields the same."""
    rng = np.random.default_rng(seed)
    low, high = span_s
    while True:
        yield min(max(round(float(rng.uniform(low, high)), 1), low), high)
