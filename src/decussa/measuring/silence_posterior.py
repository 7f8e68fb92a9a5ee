"""Posterior of the return of activity in one sweep, from the baseline and what follows the response; compiled."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled
from decussa.measuring.doubt import add_blurred, independent_share, quantile, reach_back, span_above
from decussa.measuring.exponential import LEAST, exponentials
from decussa.measuring.silence_chain import activity_ahead, silence_behind
from decussa.measuring.silence_kernel import (
    ACTIVE,
    ORDER,
    activity_levels,
    expected_shares,
    level_shares,
    likelihoods,
    log_likelihoods,
)
from decussa.measuring.silence_ramps import RAMPS_MS, ramp_scores, ramp_sums
from decussa.measuring.whitening import autocovariance, predictor, whiten

Array = NDArray[np.float64]

#: The floor is learnt from the quietest stretch of this length and what is as quiet beside it (power up to QUIET times as high).
QUIETEST_MS = 15.0
QUIET = 6.0
#: A contraction has at least so many times the RMS of the floor; a silence lasts at least so long.
LEAST_CONTRAST = 1.5
LEAST_SILENCE_MS = 10.0
#: Log likelihoods so far below the best add nothing.
FORGET = 20.0
#: Doubt that any model of a return leaves: SD at a sudden one, and share of the time a gradual one takes.
LEAST_DOUBT_MS = 0.1
RAMP_DOUBT = 0.07
#: For the interval, as for onsets: power of the share of independent samples, share of the posterior that lies earlier, by how
#: much on average, and by how much of its half-width more (``doubt``).
LEAN_POWER = 0.35
EARLIER_SHARE = 0.4
EARLIER_MS = 0.3
EARLIER_PER_WIDTH = 1.0


@compiled
def weigh_returns(before: Array, after: Array, step_ms: float, weights: Array, loose: Array) -> int:
    """Fill the posterior of the return before each sample of ``after``; return why there is none, 0 where there is one.

    ``weights`` and ``loose`` come full of zeros; ``loose`` is the posterior for the interval, or has no size.
    """
    loud = autocovariance(before[ORDER:], ORDER)
    quiet = floor_autocovariance(after, step_ms)
    n = after.size
    if not loud[0] > LEAST_CONTRAST**2 * quiet[0] or not quiet[0] > 0.0:
        return 2
    levels = activity_levels(loud, quiet)
    seen, tops = np.empty((ACTIVE, before.size)), np.empty(before.size)
    log_likelihoods(before, levels, loud, quiet, False, seen)
    likelihoods(seen, tops)
    shares = level_shares(seen[:, ORDER:], expected_shares(levels), step_ms)
    seen, tops = np.empty((levels.size, n)), np.empty(n)
    log_likelihoods(after, levels, loud, quiet, False, seen)
    likelihoods(seen, tops)
    seen_behind, tops_behind = np.empty((ACTIVE, n)), np.empty(n)
    log_likelihoods(after, levels, loud, quiet, True, seen_behind)
    sums = ramp_sums(seen_behind, round(RAMPS_MS[-1] / step_ms))
    likelihoods(seen_behind, tops_behind)
    ahead = activity_ahead(seen_behind, tops_behind, shares, step_ms)
    silent, busy = np.empty(n + 1), np.empty(n + 1)
    silence_behind(seen, tops, seen_behind, tops_behind, shares, step_ms, silent, busy)
    scores = np.empty((len(RAMPS_MS), n))
    best = np.empty(n)
    ramp_scores(sums, levels, silent, ahead, step_ms, scores, best)
    top = best.max()
    if silent[n] > top:
        return 4
    if (busy[:n] + ahead[:n]).max() > top - 3.0:
        return 3
    add_ramps(scores, best, top, 1.0, step_ms, weights)
    if loose.size > 0:
        add_ramps(scores, best, top, lean_power(before, loud, step_ms), step_ms, loose)
    if quantile(weights, 0.5) * step_ms < LEAST_SILENCE_MS:
        return 3
    return 0


@compiled
def floor_autocovariance(after: Array, step_ms: float) -> Array:
    """Autocovariance of the quietest stretch and of what is as quiet beside it."""
    width = max(ORDER + 2, round(QUIETEST_MS / step_ms))
    short = max(3, round(QUIETEST_MS / 3 / step_ms))
    power = np.zeros(after.size + 1)
    for k in range(after.size):
        power[k + 1] = power[k] + after[k] * after[k]
    start = int(np.argmin(power[width:] - power[:-width]))
    stop = start + width
    limit = QUIET * (power[stop] - power[start]) / width
    while start > 0 and (power[start - 1 + short] - power[start - 1]) / short < limit:
        start -= 1
    while stop < after.size and (power[stop + 1] - power[stop + 1 - short]) / short < limit:
        stop += 1
    return autocovariance(after[start:stop], ORDER)


@compiled
def add_ramps(scores: Array, best: Array, top: float, power: float, step_ms: float, weights: Array) -> None:
    """Add up the likelihoods to the ``power`` of all ramps, each blurred by its doubt, as shares.

    ``best`` holds the largest score of each sample, ``top`` the largest of all.
    """
    least = top - FORGET / power
    first, stop = span_above(best, least, 0, best.size)
    if stop <= first:
        return
    logs, likely = np.empty(stop - first), np.empty(stop - first)
    for r in range(len(RAMPS_MS)):
        row = scores[r]
        start, end = span_above(row, least, first, stop)
        for k in range(start, end):
            logs[k - start] = power * (row[k] - top) if row[k] > least else 2.0 * LEAST
        exponentials(logs[: end - start], likely[: end - start])
        add_blurred(likely[: end - start], start, (LEAST_DOUBT_MS + RAMP_DOUBT * RAMPS_MS[r]) / step_ms, weights)
    weights /= weights.sum()


@compiled
def lean_power(before: Array, loud: Array, step_ms: float) -> float:
    """Power by which the log likelihood counts for the interval."""
    white = np.empty(before.size)
    whiten(before, predictor(loud)[: ORDER + 1], white)
    return float(independent_share(white[ORDER:], step_ms) ** LEAN_POWER)


@compiled
def read_returns(weights: Array, loose: Array, step_ms: float) -> tuple[float, float, float]:
    """Median of the posterior and central 95 % of the one for the interval, in samples; NaN where that has no size."""
    value = quantile(weights, 0.5)
    if loose.size == 0:
        return value, math.nan, math.nan
    wide = reach_back(loose, EARLIER_SHARE, EARLIER_MS / step_ms, EARLIER_PER_WIDTH)
    return value, min(value, quantile(wide, 0.025)), max(value, quantile(wide, 0.975))
