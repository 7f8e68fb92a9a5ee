"""Posterior of onset and end of the response in one sweep: drift followed, noise made white, doubt added; compiled."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled
from decussa.measuring.doubt import Reach, blur, central_95, independent_share, quantile
from decussa.measuring.drift import DriftFilters, follow_drift
from decussa.measuring.onset_kernel import (
    ORDER,
    STRENGTH_MS,
    merge_posteriors,
    response_strength,
    strongest_stretch,
    weigh_onsets,
)
from decussa.measuring.smooth_start import StartFamily
from decussa.measuring.whitening import OUTLIER_SPREAD, log_densities, outlier_share, take_drift_away, whiten

Array = NDArray[np.float64]

#: What the amplifier's delay and the difference between any model and a real start leave unknown, SD: of value and interval.
VALUE_DOUBT_MS = 0.18
LIMIT_DOUBT_MS = 0.1
#: What lies early in a posterior are starts too weak to be seen, and those are rarer than the model has them: so much of it holds
#: nothing where its half-width is far above that time.
EMPTY_SHARE = 0.17
EMPTY_MS = 1.0
#: For the interval the log likelihood counts by this power of the share of independent samples; this share of the posterior
#: lies earlier by a time that falls with the strength of the response, and by so much of its half-width more (``doubt``); this
#: share lies later.
LEAN_POWER = 0.75
EARLIER_SHARE, LATER_SHARE = 0.2, 0.08
EARLIER_PER_WIDTH, LATER_PER_WIDTH = 0.2, 0.7
LATER_MS = 0.05
#: A start that grows as a power of time stays below the noise for a time that falls with a power of the strength: on average so
#: long at the strength of the noise, but never longer or shorter than this. The shorter one is of strong responses whose first
#: motor unit is small: seen on invented pools of units.
HIDDEN_MS = 4.5
HIDDEN_POWER = 0.7
LONGEST_HIDDEN_MS = 1.0
SHORTEST_HIDDEN_MS = 0.3
#: What comes so long after the strongest stretch of a response says nothing of its start: it may be over. That it could have been
#: strongest elsewhere counts against it.
AFTER_STRONGEST_MS = 10.0
#: What lies within so long at the end of a sweep's window is noise; SD of a normal distribution over its median absolute
#: deviation; least noise after a response, in parts of the baseline's.
TAIL_MS = 15.0
SD_PER_MAD = 1.4826
LEAST_LEVEL = 0.02


class Weighed(NamedTuple):
    """What is known of a sweep besides the posterior of its onset.

    Parameters
    ----------
    share : float
        Share of large noise.
    independent : float
        Power of the log likelihood for the interval.
    evidence, wander : float
        Log evidence of a response against none, and of a wandering sweep against a calm one.
    hidden_ms : float
        For how long the start of a response may lie below the noise; 0 where no interval is asked for.
    """

    share: float
    independent: float
    evidence: float
    wander: float
    hidden_ms: float


@compiled
def weigh_under_drift(
    white: Array, baseline: Array, coefficients: Array, clear: int, first: int, last: int, step_ms: float,
    family: StartFamily, drift: DriftFilters, weights: Array, loose: Array,
) -> Weighed:  # fmt: skip
    """Posterior of the onset, summed over a calm and a wandering sweep; ``loose`` gets the one for the interval, or has no size.

    Whitened samples from ``clear`` on are free of artifact; the ``coefficients`` that made them white leave unit noise.
    """
    quiet = np.empty(baseline.size)
    whiten(baseline, coefficients, quiet)
    share = outlier_share(quiet[ORDER:])
    independent = independent_share(quiet[ORDER:], step_ms) ** LEAN_POWER
    gain = slow_gain(baseline, coefficients)
    calm, beating = np.empty(white.size), np.empty(white.size)
    cost, other_cost = follow_drift(white, clear, drift, gain, calm, beating)
    other, other_loose = np.zeros(weights.size), np.zeros(loose.size)
    for j in range(weights.size):
        weights[j] = 0.0
    for j in range(loose.size):
        loose[j] = 0.0
    hz = 1e3 / step_ms
    stop = min(white.size, strongest_stretch(beating, first, hz)[1] + int(AFTER_STRONGEST_MS / step_ms))
    last = min(last, stop - 1)
    cells = (last - first + 1) * family.places
    near, near_loose, other_near, other_near_loose = weights[:cells], loose[:cells], other[:cells], other_loose[:cells]
    some, none = weigh_onsets(calm[:stop], first, last, hz, share, family, near, independent, near_loose)
    other_some, other_none = weigh_onsets(
        beating[:stop], first, last, hz, share, family, other_near, independent, other_near_loose
    )
    cost -= rest_density(calm[stop:], share)
    other_cost -= rest_density(beating[stop:], share)
    merge_posteriors(loose, other_loose, some - cost, other_some - other_cost)
    calm_total, other_total = max(some, none) - cost, max(other_some, other_none) - other_cost
    some = merge_posteriors(weights, other, some - cost, other_some - other_cost)
    none = merge_posteriors(other, other, none - cost, other_none - other_cost)
    wander = independent * (other_total - calm_total)
    hidden = hidden_ms(beating, first, hz) if loose.size > 0 else 0.0
    evidence = some - none - math.log((white.size - first) * step_ms / STRENGTH_MS)
    return Weighed(share, independent, independent * evidence, wander, hidden)


@compiled
def rest_density(white: Array, share: float) -> float:
    """Log density of samples most of which are noise; how far one is from it that is not does not count."""
    densities, total = np.empty(white.size), 0.0
    log_densities(white, share, densities)
    least = math.log(share / OUTLIER_SPREAD) - 0.5
    for k in range(white.size):
        total += max(densities[k], least)
    return total


@compiled
def slow_gain(baseline: Array, coefficients: Array) -> float:
    """By how much the whitening enlarges slow signals, in units of the noise."""
    total = power = 0.0
    for k in range(coefficients.size):
        total += coefficients[k]
    for k in range(baseline.size):
        power += baseline[k] * baseline[k]
    return abs(total) * math.sqrt(power / baseline.size)


@compiled
def hidden_ms(white: Array, first: int, rate_hz: float) -> float:
    """For how long on average the start of a response lies below the noise, where it does."""
    hidden = HIDDEN_MS * math.pow(response_strength(white, first, rate_hz), -HIDDEN_POWER)
    return min(LONGEST_HIDDEN_MS, max(SHORTEST_HIDDEN_MS, hidden))


@compiled
def weigh_ends(
    raw: Array, coefficients: Array, share: float, independent: float, step_ms: float, family: StartFamily, weights: Array,
    loose: Array,
) -> None:  # fmt: skip
    """Posterior of the end of a response that fills the beginning of ``raw``, from the last place backwards.

    The end is the onset of the reversed samples: drift is taken away and noise made white backwards, so that nothing of the
    response is seen after its end. The noise may be weaker than in the baseline: a contracting muscle is silent after its
    response.
    """
    n = raw.size
    turned, flat, white = np.empty(n), np.empty(n), np.empty(n)
    for k in range(n):
        turned[k] = raw[n - 1 - k]
    take_drift_away(turned, 1e3 / step_ms, flat)
    whiten(flat, coefficients, white)
    tail = max(ORDER + 3, int(TAIL_MS / step_ms)) - ORDER
    level = min(max(SD_PER_MAD * middle_magnitude(white[ORDER : ORDER + tail]), LEAST_LEVEL), 1.0)
    for k in range(n):
        white[k] /= level
    first = min(ORDER, n - 1)  # not a constant, for which all would be compiled once more
    weigh_onsets(white, first, n - 1, 1e3 / step_ms, share, family, weights, independent, loose)


@compiled
def middle_magnitude(samples: Array) -> float:
    """Median of the samples without their signs."""
    low, high = math.inf, 0.0
    for k in range(samples.size):
        below = same = 0
        for j in range(samples.size):
            below += abs(samples[j]) < abs(samples[k])
            same += abs(samples[j]) == abs(samples[k])
        if below <= (samples.size - 1) // 2 < below + same:
            low = abs(samples[k])
        if below <= samples.size // 2 < below + same:
            high = abs(samples[k])
    return 0.5 * (low + high)


@compiled
def middle(weights: Array, cell_ms: float) -> float:
    """The place that onsets lie before as often as after it: the median of a narrow posterior, later in a wide one."""
    half_ms = 0.5 * cell_ms * (quantile(weights, 0.84) - quantile(weights, 0.16))
    return quantile(weights, 0.5 + EMPTY_SHARE * half_ms / (half_ms + EMPTY_MS))


@compiled
def read_posterior(weights: Array, loose: Array, cell_ms: float, hidden: float) -> tuple[float, float, float]:
    """Value, central 95 % of the posterior for the interval, in ms from the first cell; NaN where it has no size."""
    value = cell_ms * middle(blur(weights, VALUE_DOUBT_MS / cell_ms), cell_ms)
    if loose.size == 0:
        return value, math.nan, math.nan
    earlier = Reach(EARLIER_SHARE, hidden / cell_ms, EARLIER_PER_WIDTH)
    later = Reach(LATER_SHARE, LATER_MS / cell_ms, LATER_PER_WIDTH)
    low, high = central_95(blur(loose, LIMIT_DOUBT_MS / cell_ms), earlier, later)
    return value, min(value, cell_ms * low), max(value, cell_ms * high)
