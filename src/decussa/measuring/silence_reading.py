"""From the log likelihoods of all returns of activity to their posterior, and from that to an interval; compiled."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled, regrouped
from decussa.measuring.doubt import Reach, add_blurred, central_95, independent_share, span_above
from decussa.measuring.exponential import LEAST, exponentials
from decussa.measuring.silence_bins import ORDER
from decussa.measuring.silence_kernel import FIRST
from decussa.measuring.silence_ramps import RAMPS_MS
from decussa.measuring.whitening import predictor, whiten

Array = NDArray[np.float64]

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
def limits(loose: Array, low: int, high: int, hidden: float, leaning: float, step_ms: float) -> tuple[float, float]:
    """Central 95 % of a posterior that fills the cells from ``low`` to ``high``, widened.

    It reaches earlier, the more the more of a beginning is ``hidden`` and the more samples lean, and later.
    """
    further, hidden = 4 * (high - low) + int(REACHED_MS / step_ms), min(1.0, hidden)
    low, high = max(0, low - further), min(loose.size, high + further)
    least = (EARLIER_MS + HIDDEN_MS * hidden) / step_ms + 0.5  # where between two samples is not known either
    per_width = EARLIER_PER_WIDTH + HIDDEN_PER_WIDTH * hidden + LEANING_PER_WIDTH * leaning
    earlier, later = Reach(EARLIER_SHARE, least, per_width), Reach(LATER_SHARE, LATER_MS / step_ms, LATER_PER_WIDTH)
    start, end = central_95(loose[low:high], earlier, later)
    return low + start, low + end


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
