"""Posterior of the return of activity in one sweep, from the baseline and what follows the response; compiled."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled
from decussa.measuring.doubt import add_blurred, independent_share, quantile, reach_back, span_above
from decussa.measuring.exponential import LEAST, exponentials
from decussa.measuring.silence_chain import LONGEST_RESPONSE_MS, activity_ahead, silence_behind
from decussa.measuring.silence_kernel import (
    ACTIVE,
    FIRST,
    FUTURE,
    LEVELS,
    ORDER,
    PAST,
    STEPS,
    Single,
    activity_levels,
    by_place,
    expected_shares,
    judge,
    level_shares,
    likelihoods,
    whitening_filters,
    whole_bins,
)
from decussa.measuring.silence_ramps import RAMPS_MS, ramp_scores, sudden_bounds, sudden_scores
from decussa.measuring.whitening import autocovariance, predictor, whiten

Array = NDArray[np.float64]

#: Levels and regimes hold for bins of about this length.
BIN_MS = 1.25
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
    if not loud[0] > LEAST_CONTRAST**2 * quiet[0] or not quiet[0] > 0.0:
        return 2
    places = max(1, round(BIN_MS / step_ms))
    bin_ms = places * step_ms
    levels = activity_levels(loud, quiet)
    filters = whitening_filters(levels, loud, quiet)
    shares = learn_shares(by_place(before, places), filters, levels, (before.size - 2 * ORDER) // places, bin_ms)
    samples, bins = by_place(after, places), (after.size - 2 * ORDER) // places
    # activity and breaks are seen from behind
    seen, tops, logs = np.empty((ACTIVE, bins)), np.empty(bins), np.empty((ACTIVE, bins))
    judge(whole_bins(samples, filters, FUTURE, 1 + STEPS, bins), filters, levels, places, tops, logs)
    likelihoods(logs, tops, seen)
    later, active = np.empty((ACTIVE + 1, bins)), np.empty(bins)
    activity_ahead(seen, tops, shares, bin_ms, later, active)
    # silence and what is left of the response from ahead
    long = min(bins, round(LONGEST_RESPONSE_MS / bin_ms))
    quiet_bins, responses, unused = np.empty((1, bins)), np.empty((LEVELS, long)), np.empty(bins)
    judge(whole_bins(samples, filters, PAST, 1, bins), filters, levels, places, unused, quiet_bins)
    likelihoods(quiet_bins, tops, quiet_bins)
    judge(whole_bins(samples, filters, PAST, 1 + STEPS, long), filters, levels, places, unused[:long], responses)
    likelihoods(responses, tops[:long], responses)
    silent, busy = np.empty(bins + 1), np.empty(bins + 1)
    silence_behind(quiet_bins[0], seen, tops, responses[1:], shares, bin_ms, silent, busy)
    rough = np.empty((len(RAMPS_MS), bins))
    rough_top = ramp_scores(logs, levels, silent, active, bin_ms, rough)
    # a sudden return is looked for sample by sample, in the bins in which one could matter
    power = lean_power(before, loud, step_ms) if loose.size > 0 else 1.0
    bounds = np.empty(bins)
    sudden_bounds(filters, later, silent, places, bounds)
    start, stop = span_above(bounds, rough_top - FORGET / power, 0, bins)
    sudden = np.empty((stop - start) * places)
    sudden_scores(samples, filters, levels, later, silent, start, stop, sudden)
    top = rough_top
    for k in range(sudden.size):
        top = max(top, sudden[k])
    if silent[bins] > top:
        return 4
    for b in range(bins):
        if busy[b] + active[b] > top - 3.0:
            return 3
    near, far = span_above(bounds, rough_top - FORGET, start, stop)
    here = sudden[(near - start) * places : (far - start) * places]
    add_returns(here, rough, top, 1.0, step_ms, places, ORDER + near * places, weights)
    if loose.size > 0:
        add_returns(sudden, rough, top, power, step_ms, places, ORDER + start * places, loose)
    if quantile(weights, 0.5) * step_ms < LEAST_SILENCE_MS:
        return 3
    return 0


@compiled
def learn_shares(samples: Single, filters: Array, levels: Array, bins: int, bin_ms: float) -> Array:
    """How often each active level occurs in the baseline."""
    tops, logs, seen = np.empty(bins), np.empty((ACTIVE, bins)), np.empty((ACTIVE, bins))
    judge(whole_bins(samples, filters, PAST, 1 + STEPS, bins), filters, levels, samples.shape[0], tops, logs)
    likelihoods(logs, tops, seen)
    return level_shares(seen, expected_shares(levels), bin_ms)


@compiled
def floor_autocovariance(after: Array, step_ms: float) -> Array:
    """Autocovariance of the quietest stretch and of what is as quiet beside it."""
    width = max(ORDER + 2, round(QUIETEST_MS / step_ms))
    short = max(3, round(QUIETEST_MS / 3 / step_ms))
    power, total = np.zeros(after.size + 1), 0.0
    for k in range(after.size):
        total += after[k] * after[k]
        power[k + 1] = total
    start, least = 0, math.inf
    for k in range(after.size + 1 - width):
        here = power[k + width] - power[k]
        if here < least:
            start, least = k, here
    stop = start + width
    limit = QUIET * least / width * short
    while start > 0 and power[start - 1 + short] - power[start - 1] < limit:
        start -= 1
    while stop < after.size and power[stop + 1] - power[stop + 1 - short] < limit:
        stop += 1
    return autocovariance(after[start:stop], ORDER)


@compiled
def add_returns(
    sudden: Array, rough: Array, top: float, power: float, step_ms: float, places: int, first: int, weights: Array
) -> None:
    """Add up the likelihoods to the ``power`` of all returns, each blurred by its doubt, as shares.

    ``sudden`` are log likelihoods of sudden ones sample by sample, the first of which belongs to cell ``first``; ``rough`` those
    of all bin by bin, ``top`` is the largest of both.
    """
    weigh(sudden, top, power, first, LEAST_DOUBT_MS / step_ms, weights)
    bin_ms = places * step_ms
    bins = np.zeros(rough.shape[1] + 1)
    for r in range(1, len(RAMPS_MS)):
        # between bins shares are read off straight lines, which blurs too
        doubt = (LEAST_DOUBT_MS + RAMP_DOUBT * RAMPS_MS[r]) / bin_ms
        weigh(rough[r], top, power, FIRST, math.sqrt(max(doubt * doubt - 1.0 / 6.0, 0.01)), bins)
    for b in range(bins.size - 1):
        if bins[b] + bins[b + 1] > 0.0:
            for place in range(places):
                k = ORDER + b * places + place
                weights[k] += bins[b] + (bins[b + 1] - bins[b]) * place / places
    total = 0.0
    for k in range(weights.size):
        total += weights[k]
    for k in range(weights.size):
        weights[k] /= total


@compiled
def weigh(scores: Array, top: float, power: float, first: int, sd_cells: float, weights: Array) -> None:
    """Add the likelihoods to the ``power`` of ``scores``, the first of which belongs to cell ``first``, blurred."""
    least = top - FORGET / power
    start, stop = span_above(scores, least, 0, scores.size)
    if stop <= start:
        return
    logs, likely = np.empty(stop - start), np.empty(stop - start)
    for k in range(start, stop):
        logs[k - start] = power * (scores[k] - top) if scores[k] > least else 2.0 * LEAST
    exponentials(logs, likely)
    add_blurred(likely, first + start, sd_cells, weights)


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
