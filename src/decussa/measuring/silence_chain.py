"""Sums over all paths of the chain of regimes: response, silence with rare short breaks, activity; compiled.

Regimes and levels hold for whole bins, but for breaks, which may begin and end within one. Sums are carried without logarithms
and brought back to 1 when they leave their bounds.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import regrouped
from decussa.measuring.exponential import logarithms
from decussa.measuring.silence_bins import Whole
from decussa.measuring.silence_kernel import ACTIVE, LEVELS

Array = NDArray[np.float64]

#: Levels last so long before they change, those down at the floor so long.
STAY_MS = 6.0
GAP_MS = 2.0
#: There may be two breaks, so long and so far apart. Without a limit a chain of breaks would do for activity.
BREAK_MS = 4.0
BETWEEN_BREAKS_MS = 100.0
#: There may be slow waves, so long and so far apart (a heart beats about once in 800 ms: common practice, no source). What
#: returns does so from a silence, not from a wave.
WAVE_LASTS_MS = 40.0
BETWEEN_WAVES_MS = 800.0
#: What is left of the response lasts so long, and never longer than that.
RESPONSE_MS = 15.0
LONGEST_RESPONSE_MS = 60.0
#: Bounds of the sums over paths.
TINY = 1e-100
HUGE = 1e100


@regrouped
def activity_ahead(
    seen: Array, tops: Array, shares: Array, bin_ms: float, later: Array, units: Array, ahead: Array
) -> None:
    """Fill ``ahead``, shape (bins,): log likelihoods of all bins from each on, given steady activity from there on.

    ``seen``, shape (bins, levels), are likelihoods of the bins in units of exp(``tops``), predicted from the future. ``later``,
    of the same shape, gets the likelihoods of what comes after each bin by the level in it, times the level's share, in units of
    exp(``units``).
    """
    bins = tops.size
    stays = np.full(ACTIVE, math.exp(-bin_ms / STAY_MS))
    stays[0] = math.exp(-bin_ms / GAP_MS)
    draws = shares * (1.0 - stays)
    drawn = weighted(seen, draws)
    # by the level in the bin, and their sum: the next sum does not wait for what is summed
    now, mean = shares.copy(), 1.0
    means, scale = np.empty(bins), 0.0
    for back in range(bins):
        b = bins - 1 - back
        units[b] = scale
        like, out, stayed = seen[b], later[b], 0.0
        for level in range(ACTIVE):
            before = stays[level] * now[level]
            stayed += like[level] * before
            now[level] = like[level] * before + like[level] * draws[level] * mean
            out[level] = before + draws[level] * mean
        mean = drawn[b] * mean + stayed
        means[b] = mean
        scale += tops[b]
        if mean < TINY:
            for level in range(ACTIVE):
                now[level] /= mean
            scale += math.log(mean)
            mean = 1.0
    logarithms(means, ahead)
    for b in range(bins):
        ahead[b] += units[b] + tops[b]


@regrouped
def weighted(seen: Array, weights: Array) -> Array:
    """Sum over the levels of ``seen``, shape (bins, levels), each times its weight."""
    out = np.empty(seen.shape[0])
    for b in range(out.size):
        row, total = seen[b], 0.0
        for level in range(row.size):
            total += weights[level] * row[level]
        out[b] = total
    return out


@regrouped
def silence_behind(
    here: Array, fresh: Array, seen: Array, tops: Array, responses: Array, shares: Array, starts: Whole, starting: Array,
    ends: Whole, ending: Array, places: int, bin_ms: float, silent: Array, busy: Array,
) -> None:  # fmt: skip
    """Log likelihood of the first b bins with the silence going on after them, or the response; shapes (bins + 1,).

    ``here``, shape (2, bins), for silence and for a slow wave in it, ``fresh`` for the first bin of a silence, shape (bins,),
    ``seen``, shape (bins, levels), and ``responses``, shape (bins of the longest response, levels), are likelihoods of silence,
    breaks and response in units of ``exp(tops)``; silence and response are predicted from the past. A break is seen from behind,
    as the return is, so that nothing but its length tells the two apart. ``starting`` and ``ending``, shape (chosen bins,
    levels), are likelihoods of the bins ``starts`` and ``ends`` of so many ``places`` if a break begins or ends within them. A
    silence has a bin at least.
    """
    bins, levels = tops.size, LEVELS - 1
    stay = math.exp(-bin_ms / STAY_MS)
    lasts, begins = math.exp(-bin_ms / BREAK_MS), 1.0 - math.exp(-bin_ms / BETWEEN_BREAKS_MS)
    going_on = math.exp(-bin_ms / RESPONSE_MS)
    mix = shares / (1.0 - shares[0])
    mix[0] = 0.0
    drawn, drawn_response = weighted(seen, mix), weighted(responses, np.full(levels, 1.0 / levels))
    # sums over the levels do not wait for the levels: what stays on its level, and what draws a new one
    staying, changed = stay * lasts, (1.0 - stay) * lasts
    response, emitted = np.full(levels, 1.0 / levels / going_on), 1.0 / going_on
    first, second = np.zeros(ACTIVE), np.zeros(ACTIVE)
    in_first, in_second, into_first, into_second = 0.0, 0.0, 0.0, 0.0
    # the silence after no, one and two breaks, a wave in it, and what has just turned silent
    quiet, quiet_1, quiet_2 = 0.0, 0.0, 0.0
    wave, wave_1, wave_2 = 0.0, 0.0, 0.0
    swells, calms = 1.0 - math.exp(-bin_ms / BETWEEN_WAVES_MS), 1.0 - math.exp(-bin_ms / WAVE_LASTS_MS)
    new, new_1, new_2 = 0.0, 0.0, 0.0
    sums, sums_busy = np.full(bins + 1, 1e-300), np.full(bins + 1, 1e-300)
    scales, scale = np.zeros(bins + 1), 0.0
    sums_busy[0] = 1.0
    start = end = 0
    for b in range(bins):
        new_first, new_second = into_first + changed * in_first, into_second + changed * in_second
        in_first, in_second = drawn[b] * new_first, drawn[b] * new_second
        over_first = over_second = 0.0
        begin_here, end_here = begins, 1.0 - lasts
        if end < ends.size and ends[end] == b:
            like = ending[end]
            for level in range(1, ACTIVE):
                over_first += like[level] * (staying * first[level] + mix[level] * new_first)
                over_second += like[level] * (staying * second[level] + mix[level] * new_second)
            over_first, over_second = end_here * over_first, end_here * over_second
            end, end_here = end + 1, end_here / places
        like = seen[b]
        for level in range(1, ACTIVE):
            stays, draws = staying * like[level], mix[level] * like[level]
            in_first += stays * first[level]
            in_second += stays * second[level]
            first[level] = stays * first[level] + draws * new_first
            second[level] = stays * second[level] + draws * new_second
        if start < starts.size and starts[start] == b:
            like = starting[start]
            for level in range(1, ACTIVE):
                draws = begins * mix[level] * like[level]
                in_first += draws * quiet
                in_second += draws * quiet_1
                first[level] += draws * quiet
                second[level] += draws * quiet_1
            start, begin_here = start + 1, begins / places
        # the bin is seen; now the regime may change
        calm, swell = here[0, b], here[1, b]
        quiet, quiet_1 = calm * quiet + fresh[b] * new, calm * quiet_1 + fresh[b] * new_1
        quiet_2 = calm * quiet_2 + fresh[b] * new_2
        wave, wave_1, wave_2 = swell * wave, swell * wave_1, swell * wave_2
        into_first, into_second = begin_here * quiet, begin_here * quiet_1
        quiet, quiet_1 = quiet - into_first, quiet_1 - into_second
        silence = (1.0 - swells) * (quiet + quiet_1 + quiet_2)
        quiet, wave = quiet + calms * wave - swells * quiet, wave - calms * wave + swells * quiet
        quiet_1, wave_1 = quiet_1 + calms * wave_1 - swells * quiet_1, wave_1 - calms * wave_1 + swells * quiet_1
        quiet_2, wave_2 = quiet_2 + calms * wave_2 - swells * quiet_2, wave_2 - calms * wave_2 + swells * quiet_2
        new, new_1, new_2 = 0.0, end_here * in_first + over_first, end_here * in_second + over_second
        going = 0.0
        if b < responses.shape[0]:
            changing = (1.0 - stay) * going_on * emitted
            like, emitted = responses[b], drawn_response[b] * changing
            for level in range(levels):
                stays = stay * going_on * like[level]
                emitted += stays * response[level]
                response[level] = stays * response[level] + like[level] * (1.0 / levels) * changing
            going = going_on * emitted if b + 1 < responses.shape[0] else 0.0
            new = emitted - going
        total = quiet + quiet_1 + quiet_2 + wave + wave_1 + wave_2 + new + new_1 + new_2 + going
        total += into_first + into_second + lasts * (in_first + in_second)
        scale += tops[b]
        if not TINY < total < HUGE:
            back = 1.0 / total
            for level in range(levels):
                response[level] *= back
            for level in range(ACTIVE):
                first[level] *= back
                second[level] *= back
            in_first, in_second, into_first = back * in_first, back * in_second, back * into_first
            into_second = back * into_second
            quiet, quiet_1, quiet_2, emitted = back * quiet, back * quiet_1, back * quiet_2, back * emitted
            wave, wave_1, wave_2 = back * wave, back * wave_1, back * wave_2
            new, new_1, new_2 = back * new, back * new_1, back * new_2
            silence, going = back * silence, back * going
            scale += math.log(total)
        sums[b + 1], sums_busy[b + 1], scales[b + 1] = silence, max(going, 1e-300), scale
    logarithms(sums, silent)
    logarithms(sums_busy, busy)
    for b in range(bins + 1):
        silent[b] += scales[b]
        busy[b] += scales[b]
