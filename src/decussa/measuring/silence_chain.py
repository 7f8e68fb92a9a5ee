"""Sums over all paths of the chain of regimes: response, silence with rare short breaks, activity; compiled.

Sums are carried without logarithms and brought back to 1 when they leave their bounds. The seven levels that are not silent stand
in tuples, so that they stay in registers from sample to sample.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import regrouped
from decussa.measuring.exponential import exponentials, logarithms
from decussa.measuring.silence_kernel import ACTIVE, LEAST_LIKELY

Array = NDArray[np.float64]
Active = tuple[float, float, float, float, float, float, float]

#: Levels last so long before they change, those down at the floor so long.
STAY_MS = 6.0
GAP_MS = 2.0
#: So many breaks there may be, so long and so far apart. Without a limit a chain of breaks would do for activity.
BREAKS = 2
BREAK_MS = 4.0
BETWEEN_BREAKS_MS = 100.0
#: What is left of the response lasts so long, and never longer than that.
RESPONSE_MS = 15.0
LONGEST_RESPONSE_MS = 60.0
#: Cap on how much better than every forward prediction a sample may look from behind.
MOST_SURPRISE = 30.0
#: Bounds of the sums over paths.
TINY = 1e-100
HUGE = 1e100


@regrouped
def column(rows: Array, k: int) -> Active:
    """Column ``k`` of the active levels."""
    return rows[1, k], rows[2, k], rows[3, k], rows[4, k], rows[5, k], rows[6, k], rows[7, k]


@regrouped
def likened(likelihoods: Active, factor: float, most: float) -> Active:
    """Likelihoods times ``factor``, at most ``most``."""
    a, b, c, d, e, f, g = likelihoods
    return (
        min(a * factor, most), min(b * factor, most), min(c * factor, most), min(d * factor, most),
        min(e * factor, most), min(f * factor, most), min(g * factor, most),
    )  # fmt: skip


@regrouped
def passed(now: Active, stays: Active, comes: Active, total: float, seen: Active) -> Active:
    """Levels after one more sample: each stays or comes from the ``total``, and is weighed by what is ``seen``."""
    return (
        (stays[0] * now[0] + total * comes[0]) * seen[0], (stays[1] * now[1] + total * comes[1]) * seen[1],
        (stays[2] * now[2] + total * comes[2]) * seen[2], (stays[3] * now[3] + total * comes[3]) * seen[3],
        (stays[4] * now[4] + total * comes[4]) * seen[4], (stays[5] * now[5] + total * comes[5]) * seen[5],
        (stays[6] * now[6] + total * comes[6]) * seen[6],
    )  # fmt: skip


@regrouped
def scaled(now: Active, factor: float, entering: float, shares: Active) -> Active:
    """Levels times ``factor``, and ``entering`` spread over them by ``shares``."""
    return (
        factor * now[0] + entering * shares[0], factor * now[1] + entering * shares[1],
        factor * now[2] + entering * shares[2], factor * now[3] + entering * shares[3],
        factor * now[4] + entering * shares[4], factor * now[5] + entering * shares[5],
        factor * now[6] + entering * shares[6],
    )  # fmt: skip


@regrouped
def weighed(now: Active, weights: Active) -> float:
    """Sum of the levels by their weights."""
    return (
        now[0] * weights[0] + now[1] * weights[1] + now[2] * weights[2] + now[3] * weights[3]
        + now[4] * weights[4] + now[5] * weights[5] + now[6] * weights[6]
    )  # fmt: skip


@regrouped
def activity_ahead(seen: Array, tops: Array, shares: Array, step_ms: float) -> Array:
    """Log likelihood of all samples from k on, given steady activity from k on; shape (n + 1,).

    ``seen`` and ``tops`` are the likelihoods predicted from the future.
    """
    n = tops.size
    stay, stay_low = math.exp(-step_ms / STAY_MS), math.exp(-step_ms / GAP_MS)
    stays = (stay_low, stay, stay, stay, stay, stay, stay)
    comes = (1.0 - stay_low, 1.0 - stay, 1.0 - stay, 1.0 - stay, 1.0 - stay, 1.0 - stay, 1.0 - stay)
    weights = column(shares.reshape(ACTIVE, 1), 0)
    silent, active, mean = 1.0, (1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0), 1.0
    sums, scales, scale = np.ones(n + 1), np.zeros(n + 1), 0.0
    for k in range(n - 1, -1, -1):
        silent = (stay_low * silent + (1.0 - stay_low) * mean) * seen[0, k]
        active = passed(active, stays, comes, mean, column(seen, k))
        mean = shares[0] * silent + weighed(active, weights)
        scale += tops[k]
        if mean < TINY:
            silent, active = silent / mean, scaled(active, 1.0 / mean, 0.0, active)
            scale += math.log(mean)
            mean = 1.0
        sums[k], scales[k] = mean, scale
    out = np.empty(n + 1)
    logarithms(sums, out)
    out += scales
    return out


@regrouped
def silence_behind(
    ahead: Array,
    ahead_tops: Array,
    behind: Array,
    behind_tops: Array,
    shares: Array,
    step_ms: float,
    silent: Array,
    busy: Array,
) -> None:
    """Log likelihood of the first k samples with the silence going on at k, or the response going on at k; shapes (n + 1,).

    ``ahead`` and ``behind`` are likelihoods predicted from the past and from the future. A break is seen from behind, as the
    return is, so that nothing but its length tells the two apart.
    """
    n = ahead_tops.size
    stay = math.exp(-step_ms / STAY_MS)
    lasts, begins = math.exp(-step_ms / BREAK_MS), 1.0 - math.exp(-step_ms / BETWEEN_BREAKS_MS)
    going_on = math.exp(-step_ms / RESPONSE_MS)
    mix = column((shares / shares[1:].sum()).reshape(ACTIVE, 1), 0)
    stays = (stay, stay, stay, stay, stay, stay, stay)
    comes = scaled(mix, 1.0 - stay, 0.0, mix)
    ones = (1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0)
    beyond, most = surprises(behind_tops, ahead_tops), math.exp(MOST_SURPRISE)
    levels = ahead.shape[0] - 1
    response, going = np.full(levels, 1.0 / levels), 1.0
    # the silence after no, one and two breaks; the levels of the first and the second break, and their sums
    quiet, quiet_1, quiet_2 = 0.0, 0.0, 0.0
    first = second = scaled(mix, 0.0, 0.0, mix)
    in_first, in_second = 0.0, 0.0
    sums, sums_busy = np.full(n + 1, 1e-300), np.full(n + 1, 1e-300)
    scales, scale = np.zeros(n + 1), 0.0
    sums_busy[0] = 1.0
    for k in range(n):
        here = ahead[0, k]
        seen = likened(column(behind, k), beyond[k], most)
        first, second = passed(first, stays, comes, in_first, seen), passed(second, stays, comes, in_second, seen)
        ended_first, ended_second = weighed(first, ones), weighed(second, ones)
        # the sample is seen; now the regime may change
        into_first, into_second = begins * here * quiet, begins * here * quiet_1
        first, second = scaled(first, lasts, into_first, mix), scaled(second, lasts, into_second, mix)
        in_first, in_second = lasts * ended_first + into_first, lasts * ended_second + into_second
        quiet, quiet_1 = here * quiet - into_first, here * quiet_1 - into_second + (1.0 - lasts) * ended_first
        quiet_2 = here * quiet_2 + (1.0 - lasts) * ended_second
        if going > 0.0:
            keep = going_on if (k + 1) * step_ms < LONGEST_RESPONSE_MS else 0.0
            emitted = pass_response(response, stay, going, ahead, k, keep)
            quiet += (1.0 - keep) * emitted
            going = keep * emitted
        scale += ahead_tops[k]
        silence = quiet + quiet_1 + quiet_2
        total = silence + in_first + in_second + going
        if not TINY < total < HUGE:
            back = 1.0 / total
            response *= back
            first, second = scaled(first, back, 0.0, mix), scaled(second, back, 0.0, mix)
            in_first, in_second, going, silence = back * in_first, back * in_second, back * going, back * silence
            quiet, quiet_1, quiet_2 = back * quiet, back * quiet_1, back * quiet_2
            scale += math.log(total)
        sums[k + 1], sums_busy[k + 1], scales[k + 1] = silence, max(going, 1e-300), scale
    logarithms(sums, silent)
    logarithms(sums_busy, busy)
    silent += scales
    busy += scales


@regrouped
def pass_response(response: Array, stay: float, going: float, ahead: Array, k: int, keep: float) -> float:
    """Take what is left of the response over sample ``k``, keep a share of it; return the sum before that."""
    levels = response.size
    mean = (1.0 - stay) * going / levels
    total = 0.0
    for level in range(levels):
        part = (stay * response[level] + mean) * ahead[1 + level, k]
        total += part
        response[level] = keep * part
    return total


@regrouped
def surprises(behind_tops: Array, ahead_tops: Array) -> Array:
    """How many times likelier samples are in their best level from behind than from ahead, within bounds."""
    logs, out = np.empty(ahead_tops.size), np.empty(ahead_tops.size)
    for k in range(out.size):
        logs[k] = max(LEAST_LIKELY, min(behind_tops[k] - ahead_tops[k], 2.0 * MOST_SURPRISE))
    exponentials(logs, out)
    return out
