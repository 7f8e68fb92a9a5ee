"""Posterior of the return of activity in one sweep, from the baseline and what follows the response; compiled."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled, regrouped
from decussa.measuring.doubt import add_blurred, independent_share, quantile, reach_out, span_above
from decussa.measuring.exponential import LEAST, exponentials
from decussa.measuring.silence_bins import ORDER, Single, Whole, by_place, columns, in_order
from decussa.measuring.silence_breaks import bins_at_edges, split_bins
from decussa.measuring.silence_chain import LONGEST_RESPONSE_MS, activity_ahead, silence_behind
from decussa.measuring.silence_kernel import (
    ACTIVE,
    FIRST,
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
from decussa.measuring.stretch import all_finite
from decussa.measuring.whitening import autocovariance, predictor, whiten

Array = NDArray[np.float64]

#: Levels and regimes hold for bins of about this length.
BIN_MS = 1.6
#: The floor is learnt from the quietest stretch of this length and what is as quiet beside it (power up to QUIET times as high).
QUIETEST_MS = 15.0
QUIET = 6.0
#: A contraction has at least so many times the RMS of the floor; a silence lasts at least so long.
LEAST_CONTRAST = 1.5
LEAST_SILENCE_MS = 10.0
#: Log likelihoods so far below the best add nothing.
FORGET = 15.0
#: Doubt that any model of a return leaves: SD at a sudden one, and share of the time a gradual one takes.
LEAST_DOUBT_MS = 0.1
RAMP_DOUBT = 0.07
#: For the interval, as for onsets: power of the share of independent samples; shares of the posterior that lie earlier and later,
#: by how much on average, and by how much of its half-width more (``doubt``). How much earlier grows as the floor hides a weak
#: beginning, up to where it has this share of the contraction, and with what samples lack of being independent.
LEAN_POWER = 0.35
EARLIER_SHARE, LATER_SHARE = 0.4, 0.06
EARLIER_MS, HIDDEN_MS = 0.05, 0.25
EARLIER_PER_WIDTH, HIDDEN_PER_WIDTH, LEANING_PER_WIDTH = 0.1, 0.9, 1.5
HIDING_SHARE = 0.2
LATER_MS, LATER_PER_WIDTH = 0.05, 0.5
#: Further than this and four times its span from all of the posterior, what lies earlier or later moves no limit.
REACHED_MS = 20.0


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
        bins, baseline = after.shape[1], in_order(before)
        loud, quiet = autocovariance(baseline, ORDER), floor_autocovariance(in_order(after), step_ms)
        if not loud[0] > LEAST_CONTRAST**2 * quiet[0] or not quiet[0] > 0.0:
            why[i] = 2
            continue
        levels = activity_levels(loud, quiet)
        filters = whitening_filters(levels, loud, quiet)
        # the baseline tells how often each level occurs
        tops, logs = np.empty(before.shape[1]), np.empty((ACTIVE, before.shape[1]))
        counted, seen = np.full(max(bins, tops.size), float(places)), np.empty((ACTIVE, tops.size))
        judge(whole_bins(before, filters, PAST), filters, levels, counted, tops, logs)
        likelihoods(logs, tops, seen)
        held = level_shares(seen, expected_shares(levels), bin_ms)
        shares = levelled(held)
        # activity and breaks are seen from behind
        tops, logs, seen = np.empty(bins), np.empty((ACTIVE, bins)), np.empty((ACTIVE, bins))
        judge(whole_bins(after, filters, FUTURE), filters, levels, counted, tops, logs)
        likelihoods(logs, tops, seen)
        let_stray(seen, tops, levels, held, logs)
        seen = by_bin(seen)
        later, units, active = np.empty((bins, ACTIVE)), np.empty(bins), np.empty(bins)
        activity_ahead(seen, tops, shares, bin_ms, later, units, active)
        # silence and what is left of the response from ahead
        squares, sums = np.empty((2, places * bins), dtype=np.float32), np.empty((2, bins), dtype=np.float32)
        quiet_bins, fresh, unused = np.empty((2, bins)), np.empty((1, bins)), np.empty(bins)
        quiet_filters = silence_filters(filters, quiet, step_ms)
        squares_left(after, quiet_filters, PAST, squares)
        past = squares[0]
        sum_places(past, sums[0])
        sum_places(squares[1], sums[1])
        judge(sums, quiet_filters, levels, counted, unused, quiet_bins)
        likelihoods(quiet_bins, tops, quiet_bins)
        judge_fresh(after, quiet, past, filters, fresh[0])
        likelihoods(fresh, tops, fresh)
        long = min(bins, round(LONGEST_RESPONSE_MS / bin_ms))
        first, responses = columns(after, above(tops[:long], -math.inf)), np.empty((LEVELS, long))
        judge(whole_bins(first, filters, PAST), filters, levels, counted, unused[:long], responses)
        likelihoods(responses, tops[:long], responses)
        silent, busy = np.empty(bins + 1), np.empty(bins + 1)
        opening, closing = bins_at_edges(quiet_bins[0], quiet_bins[0], -1), bins_at_edges(quiet_bins[0], fresh[0], 1)
        starting = split_bins(after, past, filters, levels, tops, opening, False)
        ending = split_bins(after, past, filters, levels, tops, closing, True)
        silence_behind(
            quiet_bins, fresh[0], seen, tops, by_bin(responses[1:]), shares, opening, starting, closing, ending, places,
            bin_ms, silent, busy,
        )  # fmt: skip
        rough, best = np.empty((len(RAMPS_MS), bins)), np.empty(len(RAMPS_MS))
        ramp_scores(logs, levels, silent, active, bin_ms, rough, best)
        top = highest(best)
        # a sudden return is looked for sample by sample, in the bins in which one could matter
        bounds, sudden = np.empty(bins), np.full(bins * places, -math.inf)
        for b in range(bins):
            sudden[b * places] = rough[0, b]
        sudden_bounds(past, places, filters, later, units, silent, bounds)
        chosen = above(bounds, highest(bounds))
        top = max(top, sudden_scores(after, past, filters, levels, later, units, silent, chosen, sudden))
        power = lean_power(baseline, loud, step_ms) if intervals else 1.0
        chosen = above(bounds, top - FORGET / power)
        top = max(top, sudden_scores(after, past, filters, levels, later, units, silent, chosen, sudden))
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
            further = 4 * (high - low) + int(REACHED_MS / step_ms)
            low, high = max(0, low - further), min(cells, high + further)
            wide = widen(loose[low:high], min(1.0, levels[1] / HIDING_SHARE), 1.0 - power, step_ms)
            found[i, 1] = min(found[i, 0], low + quantile(wide, 0.025))
            found[i, 2] = max(found[i, 0], low + quantile(wide, 0.975))


@compiled
def widen(loose: Array, hidden: float, leaning: float, step_ms: float) -> Array:
    """Let the posterior reach earlier, the more the more of a beginning is ``hidden`` and the more samples lean, and later."""
    least = (EARLIER_MS + HIDDEN_MS * hidden) / step_ms + 0.5  # where between two samples is not known either
    per_width = EARLIER_PER_WIDTH + HIDDEN_PER_WIDTH * hidden + LEANING_PER_WIDTH * leaning
    earlier = reach_out(loose, EARLIER_SHARE, least, per_width, False)
    return reach_out(earlier, LATER_SHARE, LATER_MS / step_ms, LATER_PER_WIDTH, True)


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


@compiled
def add_returns(
    sudden: Array, bounds: Array, rough: Array, best: Array, top: float, power: float, step_ms: float, weights: Array
) -> tuple[int, int]:
    """Add up the likelihoods to the ``power`` of all returns, each blurred by its doubt, as shares; return where there are any.

    ``sudden`` are log likelihoods of sudden ones sample by sample, ``bounds`` what they do not exceed bin by bin, ``rough`` those
    of each ramp bin by bin, ``best`` the largest of each ramp, ``top`` of all.
    """
    n, places, least = bounds.size, sudden.size // bounds.size, top - FORGET / power
    near, far = span_above(bounds, least, 0, n)
    weigh(sudden[near * places : far * places], top, power, ORDER + near * places, LEAST_DOUBT_MS / step_ms, weights)
    bins = np.zeros(n + 1)
    for r in range(1, len(RAMPS_MS)):
        # between bins shares are read off straight lines, which blurs too
        doubt = (LEAST_DOUBT_MS + RAMP_DOUBT * RAMPS_MS[r]) / (places * step_ms)
        if best[r] > least:
            weigh(rough[r], top, power, FIRST, math.sqrt(max(doubt * doubt - 1.0 / 6.0, 0.01)), bins)
    start, stop = span_above(bins, 0.0, 0, n + 1)
    for b in range(max(start - 1, 0), min(stop, n)):
        slope = (bins[b + 1] - bins[b]) / places
        for place in range(places):
            weights[ORDER + b * places + place] += bins[b] + slope * place
    # what is blurred reaches less than a bin further
    low, high = n, 0
    if near < far:
        low, high = near - 1, far + 1
    if start < stop:
        low, high = min(low, start - 1), max(high, stop)
    low, high = max(0, ORDER + low * places), min(weights.size, ORDER + high * places)
    normalise(weights[low:high])
    return low, high


@regrouped
def normalise(weights: Array) -> None:
    """Make ``weights`` shares."""
    total = 0.0
    for k in range(weights.size):
        total += weights[k]
    scale = 1.0 / total
    for k in range(weights.size):
        weights[k] *= scale


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
def lean_power(baseline: Array, loud: Array, step_ms: float) -> float:
    """Power by which the log likelihood counts for the interval."""
    white = np.empty(baseline.size)
    whiten(baseline, predictor(loud)[: ORDER + 1], white)
    return float(independent_share(white[ORDER:], step_ms) ** LEAN_POWER)
