"""Posterior of the return of activity in one sweep, from the baseline and what follows the response; compiled."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled
from decussa.measuring.doubt import quantile
from decussa.measuring.silence_bins import ORDER, Single, Whole, by_place, columns, in_order
from decussa.measuring.silence_breaks import bins_at_edges, split_bins
from decussa.measuring.silence_chain import LONGEST_RESPONSE_MS, activity_ahead, silence_behind
from decussa.measuring.silence_kernel import (
    ACTIVE,
    FUTURE,
    LEVELS,
    PAST,
    activity_levels,
    by_bin,
    expected_shares,
    highest,
    judge,
    judge_fresh,
    level_shares,
    levelled,
    likelihoods,
    running_sums,
    silence_filters,
    squares_left,
    sum_places,
    whitening_filters,
    whole_bins,
)
from decussa.measuring.silence_ramps import RAMPS_MS, let_stray, ramp_scores, sudden_bounds, sudden_scores
from decussa.measuring.silence_reading import FORGET, HIDING_SHARE, add_returns, lean_power, limits
from decussa.measuring.stretch import all_finite
from decussa.measuring.whitening import autocovariance

Array = NDArray[np.float64]

#: Levels and regimes hold for bins of about this length.
BIN_MS = 1.6
#: The floor is learnt from the quietest stretch of this length and what is as quiet beside it (power up to QUIET times as high).
QUIETEST_MS = 15.0
QUIET = 6.0
#: A contraction has at least so many times the RMS of the floor; a silence lasts at least so long.
LEAST_CONTRAST = 1.5
LEAST_SILENCE_MS = 10.0


class Activity(NamedTuple):
    """What the baseline and the quietest stretch tell: levels tried, their filters, how often each occurs, and of the floor."""

    levels: Array
    filters: Array
    shares: Array
    floor: Array


@compiled
def find_returns(
    sweeps: Single, factor: int, step_ms: float, begins: Whole, bases: Whole, starts: Whole, counts: Whole,
    intervals: bool, found: Array, why: Whole,
) -> None:  # fmt: skip
    """Fill ``found``, shape (sweeps, 3), with place and interval of the return, ``why`` with why there is none, or 0.

    Means of ``factor`` samples, ``step_ms`` apart, count from sample ``begins``: baselines have ``bases`` of them, what follows
    the response lies from mean ``starts`` to ``counts``. Places count in means from ``starts``. A sweep with no baseline is left.
    """
    places = max(1, round(BIN_MS / step_ms))
    bin_ms = places * step_ms
    for i in range(sweeps.shape[0]):
        begin, cells = begins[i], counts[i] - starts[i]
        if bases[i] == 0 or not all_finite(sweeps[i, begin : begin + counts[i] * factor]):
            continue
        before = by_place(sweeps[i], begin, bases[i], factor, places, step_ms)
        after = by_place(sweeps[i], begin + starts[i] * factor, cells, factor, places, step_ms)
        baseline = in_order(before)
        loud, quiet = autocovariance(baseline, ORDER), floor_autocovariance(in_order(after), step_ms)
        if not loud[0] > LEAST_CONTRAST**2 * quiet[0] or not quiet[0] > 0.0:
            why[i] = 2
            continue
        activity = learn_activity(before, loud, quiet, step_ms)
        levels, filters, shares = activity.levels, activity.filters, levelled(activity.shares)
        bins = after.shape[1]
        # activity and breaks are seen from behind
        tops, logs, seen = np.empty(bins), np.empty((ACTIVE, bins)), np.empty((ACTIVE, bins))
        judge(whole_bins(after, filters, FUTURE), filters, levels, np.full(bins, float(places)), tops, logs)
        likelihoods(logs, tops, seen)
        let_stray(seen, tops, levels, activity.shares, logs)
        seen = by_bin(seen)
        later, units, active = np.empty((bins, ACTIVE)), np.empty(bins), np.empty(bins)
        activity_ahead(seen, tops, shares, bin_ms, later, units, active)
        past, silent, busy = np.empty((2, places * bins), dtype=np.float32), np.empty(bins + 1), np.empty(bins + 1)
        weigh_silence(after, seen, tops, activity, shares, step_ms, past, silent, busy)
        rough, best = np.empty((len(RAMPS_MS), bins)), np.empty(len(RAMPS_MS))
        ramp_scores(logs, levels, silent, active, bin_ms, rough, best)
        top = highest(best)
        # a sudden return is looked for sample by sample, in the bins in which one could matter
        bounds, sudden = np.empty(bins), np.full(bins * places, -math.inf)
        for b in range(bins):
            sudden[b * places] = rough[0, b]
        sudden_bounds(past[0], places, filters, later, units, silent, bounds)
        chosen = above(bounds, highest(bounds))
        top = max(top, sudden_scores(after, past[0], filters, levels, later, units, silent, chosen, sudden))
        power = lean_power(baseline, loud, step_ms) if intervals else 1.0
        chosen = above(bounds, top - FORGET / power)
        top = max(top, sudden_scores(after, past[0], filters, levels, later, units, silent, chosen, sudden))
        for b in range(bins):
            bounds[b] = max(bounds[b], rough[0, b])
        why[i] = reason(silent, busy, active, top)
        if why[i] == 0:
            weights = np.zeros(cells)
            low, high = add_returns(sudden, bounds, rough, best, top, 1.0, step_ms, weights)
            found[i, 0] = low + quantile(weights[low:high], 0.5)
            why[i] = 3 if found[i, 0] * step_ms < LEAST_SILENCE_MS else 0
        if why[i] == 0 and intervals:
            loose = np.zeros(cells)
            low, high = add_returns(sudden, bounds, rough, best, top, power, step_ms, loose)
            start, end = limits(loose, low, high, levels[1] / HIDING_SHARE, 1.0 - power, step_ms)
            found[i, 1], found[i, 2] = min(found[i, 0], start), max(found[i, 0], end)


@compiled
def learn_activity(before: Single, loud: Array, quiet: Array, step_ms: float) -> Activity:
    """Learn from the baseline, ``by_place``, how often each level occurs; autocovariances are of it and of the floor."""
    levels = activity_levels(loud, quiet)
    filters = whitening_filters(levels, loud, quiet)
    places, bins = before.shape[0] - 2 * ORDER, before.shape[1]
    tops, logs, seen = np.empty(bins), np.empty((ACTIVE, bins)), np.empty((ACTIVE, bins))
    judge(whole_bins(before, filters, PAST), filters, levels, np.full(bins, float(places)), tops, logs)
    likelihoods(logs, tops, seen)
    return Activity(levels, filters, level_shares(seen, expected_shares(levels), places * step_ms), quiet)


@compiled
def weigh_silence(
    after: Single, seen: Array, tops: Array, activity: Activity, shares: Array, step_ms: float, past: Single, silent: Array,
    busy: Array,
) -> None:  # fmt: skip
    """Fill ``silent`` and ``busy`` as ``silence_behind`` does, and ``past`` with what is ``squares_left`` in silence and wave.

    Silence and what is left of the response are seen from ahead; ``seen``, shape (bins, levels), are likelihoods of breaks.
    """
    levels, filters = activity.levels, activity.filters
    places, bins = after.shape[0] - 2 * ORDER, after.shape[1]
    counted, unused, sums = np.full(bins, float(places)), np.empty(bins), np.empty((2, bins), dtype=np.float32)
    quiet, fresh = np.empty((2, bins)), np.empty((1, bins))
    quiet_filters = silence_filters(filters, activity.floor, step_ms)
    squares_left(after, quiet_filters, PAST, past)
    sum_places(past[0], sums[0])
    sum_places(past[1], sums[1])
    judge(sums, quiet_filters, levels, counted, unused, quiet)
    likelihoods(quiet, tops, quiet)
    judge_fresh(after, activity.floor, past[0], filters, fresh[0])
    likelihoods(fresh, tops, fresh)
    long = min(bins, round(LONGEST_RESPONSE_MS / (places * step_ms)))
    first, responses = columns(after, above(tops[:long], -math.inf)), np.empty((LEVELS, long))
    judge(whole_bins(first, filters, PAST), filters, levels, counted, unused[:long], responses)
    likelihoods(responses, tops[:long], responses)
    opening, closing = bins_at_edges(quiet[0], quiet[0], -1), bins_at_edges(quiet[0], fresh[0], 1)
    starting = split_bins(after, past[0], filters, levels, tops, opening, False)
    ending = split_bins(after, past[0], filters, levels, tops, closing, True)
    silence_behind(
        quiet, fresh[0], seen, tops, by_bin(responses[1:]), shares, opening, starting, closing, ending, places,
        places * step_ms, silent, busy,
    )  # fmt: skip


@compiled
def reason(silent: Array, busy: Array, active: Array, top: float) -> int:
    """Why there is no return, 0 where there is one: the silence goes on, or there is none."""
    if silent[silent.size - 1] > top:
        return 4
    for b in range(active.size):
        if busy[b] + active[b] > top - 3.0:
            return 3
    return 0


@compiled
def above(values: Array, least: float) -> Whole:
    """Places whose values reach ``least``."""
    out, count = np.empty(values.size, dtype=np.int64), 0
    for k in range(values.size):
        out[count] = k
        count += values[k] >= least
    return out[:count]


@compiled
def floor_autocovariance(after: Array, step_ms: float) -> Array:
    """Autocovariance of the quietest stretch and of what is as quiet beside it."""
    width = max(ORDER + 2, round(QUIETEST_MS / step_ms))
    short = max(3, round(QUIETEST_MS / 3 / step_ms))
    squares, power = np.empty(after.size), np.empty(after.size + 1)
    for k in range(after.size):
        squares[k] = after[k] * after[k]
    running_sums(squares, power)
    start, step = 0, max(1, width // 8)
    for k in range(0, after.size + 1 - width, step):
        start = k if power[k + width] - power[k] < power[start + width] - power[start] else start
    for k in range(max(start - step, 0), min(start + step, after.size - width) + 1):
        start = k if power[k + width] - power[k] < power[start + width] - power[start] else start
    stop, least = start + width, power[start + width] - power[start]
    limit = QUIET * least / width * short
    while start > 0 and power[start - 1 + short] - power[start - 1] < limit:
        start -= 1
    while stop < after.size and power[stop + 1] - power[stop + 1 - short] < limit:
        stop += 1
    return autocovariance(after[start:stop], ORDER)
