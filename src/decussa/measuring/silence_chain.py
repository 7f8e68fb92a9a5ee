"""Sums over all paths of the chain of regimes: response, silence with rare short breaks, activity; compiled.

Regimes and levels hold for whole bins. Sums are carried without logarithms and brought back to 1 when they leave their bounds.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import regrouped
from decussa.measuring.exponential import logarithms
from decussa.measuring.silence_kernel import ACTIVE, LEVELS

Array = NDArray[np.float64]

#: Levels last so long before they change, those down at the floor so long.
STAY_MS = 6.0
GAP_MS = 2.0
#: There may be two breaks, so long and so far apart. Without a limit a chain of breaks would do for activity.
BREAK_MS = 4.0
BETWEEN_BREAKS_MS = 100.0
#: What is left of the response lasts so long, and never longer than that.
RESPONSE_MS = 15.0
LONGEST_RESPONSE_MS = 60.0
#: Bounds of the sums over paths.
TINY = 1e-100
HUGE = 1e100


@regrouped
def activity_ahead(seen: Array, tops: Array, shares: Array, bin_ms: float, later: Array, ahead: Array) -> None:
    """Fill ``ahead``, shape (bins,): log likelihoods of all bins from each on, given steady activity from there on.

    ``seen``, shape (levels, bins), are likelihoods of the bins in units of exp(``tops``), predicted from the future. ``later``,
    shape (levels + 1, bins), gets the likelihoods of what comes after each bin by the level in it, times the level's share, and
    the logarithm of their unit.
    """
    bins = tops.size
    stays = np.full(ACTIVE, math.exp(-bin_ms / STAY_MS))
    stays[0] = math.exp(-bin_ms / GAP_MS)
    now = np.ones(ACTIVE)
    means, scale = np.empty(bins), 0.0
    for b in range(bins - 1, -1, -1):
        mean = 0.0
        for level in range(ACTIVE):
            later[level, b] = shares[level] * now[level]
            now[level] *= seen[level, b]
            mean += shares[level] * now[level]
        means[b] = mean
        later[ACTIVE, b] = scale
        scale += tops[b]
        if mean < TINY:
            for level in range(ACTIVE):
                now[level] /= mean
            scale += math.log(mean)
            mean = 1.0
        for level in range(ACTIVE):
            now[level] = stays[level] * now[level] + (1.0 - stays[level]) * mean
    logarithms(means, ahead)
    for b in range(bins):
        ahead[b] += later[ACTIVE, b] + tops[b]


@regrouped
def silence_behind(
    here: Array, seen: Array, tops: Array, responses: Array, shares: Array, bin_ms: float, silent: Array, busy: Array
) -> None:
    """Log likelihood of the first b bins with the silence going on after them, or the response; shapes (bins + 1,).

    ``here``, shape (bins,), ``seen``, shape (levels, bins), and ``responses``, shape (levels, bins of the longest response), are
    likelihoods of silence, breaks and response in units of ``exp(tops)``; silence and response are predicted from the past. A
    break is seen from behind, as the return is, so that nothing but its length tells the two apart.
    """
    bins = tops.size
    stay = math.exp(-bin_ms / STAY_MS)
    lasts, begins = math.exp(-bin_ms / BREAK_MS), 1.0 - math.exp(-bin_ms / BETWEEN_BREAKS_MS)
    going_on = math.exp(-bin_ms / RESPONSE_MS)
    mix = np.zeros(ACTIVE)
    for level in range(1, ACTIVE):
        mix[level] = shares[level] / (1.0 - shares[0])
    levels = LEVELS - 1
    response, going = np.full(levels, 1.0 / levels), 1.0
    # the silence after no, one and two breaks; the levels of the first and the second break, and their sums
    quiet, quiet_1, quiet_2 = 0.0, 0.0, 0.0
    first, second = np.zeros(ACTIVE), np.zeros(ACTIVE)
    in_first, in_second = 0.0, 0.0
    sums, sums_busy = np.full(bins + 1, 1e-300), np.full(bins + 1, 1e-300)
    scales, scale = np.zeros(bins + 1), 0.0
    sums_busy[0] = 1.0
    for b in range(bins):
        ended_first, ended_second = 0.0, 0.0
        for level in range(ACTIVE):
            first[level] = (stay * first[level] + (1.0 - stay) * mix[level] * in_first) * seen[level, b]
            second[level] = (stay * second[level] + (1.0 - stay) * mix[level] * in_second) * seen[level, b]
            ended_first += first[level]
            ended_second += second[level]
        # the bin is seen; now the regime may change
        into_first, into_second = begins * here[b] * quiet, begins * here[b] * quiet_1
        in_first, in_second = lasts * ended_first + into_first, lasts * ended_second + into_second
        quiet, quiet_1 = here[b] * quiet - into_first, here[b] * quiet_1 - into_second + (1.0 - lasts) * ended_first
        quiet_2 = here[b] * quiet_2 + (1.0 - lasts) * ended_second
        if b < responses.shape[1]:
            keep = going_on if b + 1 < responses.shape[1] else 0.0
            emitted = 0.0
            for level in range(levels):
                response[level] = (stay * response[level] + (1.0 - stay) / levels * going) * responses[level, b]
                emitted += response[level]
            for level in range(levels):
                response[level] *= keep
            quiet += (1.0 - keep) * emitted
            going = keep * emitted
        silence = quiet + quiet_1 + quiet_2
        total = silence + in_first + in_second + going
        back = 1.0
        scale += tops[b]
        if not TINY < total < HUGE:
            back = 1.0 / total
            for level in range(levels):
                response[level] *= back
            in_first, in_second, going, silence = back * in_first, back * in_second, back * going, back * silence
            into_first, into_second = back * into_first, back * into_second
            quiet, quiet_1, quiet_2 = back * quiet, back * quiet_1, back * quiet_2
            scale += math.log(total)
        for level in range(ACTIVE):
            first[level] = back * lasts * first[level] + into_first * mix[level]
            second[level] = back * lasts * second[level] + into_second * mix[level]
        sums[b + 1], sums_busy[b + 1], scales[b + 1] = silence, max(going, 1e-300), scale
    logarithms(sums, silent)
    logarithms(sums_busy, busy)
    for b in range(bins + 1):
        silent[b] += scales[b]
        busy[b] += scales[b]
