"""Posterior of the onset in one sweep, compiled: every number of a sweep depends on that sweep alone."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled
from decussa.measuring.smooth_start import StartFamily
from decussa.measuring.whitening import log_density

Array = NDArray[np.float64]

#: Order of the noise model.
ORDER = 5
#: Length over which the strength of the response is looked at, and how far from it its size may lie (octaves).
STRENGTH_MS = 4.0
OCTAVES = 1
#: Scores so far below the best add nothing.
FORGET = 30.0


@compiled
def thin(sweep: NDArray[np.float32], start: int, stop: int, factor: int) -> Array:
    """Mean of every ``factor`` samples of ``sweep[start:stop]``."""
    out = np.empty((stop - start) // factor)
    for j in range(out.size):
        total = 0.0
        for k in range(factor):
            total += sweep[start + j * factor + k]
        out[j] = total / factor
    return out


@compiled
def strongest(white: Array, first: int, width: int) -> float:
    """Largest mean square of ``width`` neighbours from ``first`` on."""
    best = 0.0
    running = 0.0
    for k in range(first, white.size):
        running += white[k] * white[k]
        if k - width >= first:
            running -= white[k - width] * white[k - width]
        best = max(best, running / width)
    return float(best)


@compiled
def weigh_onsets(
    white: Array, first: int, last: int, rate_hz: float, share: float, family: StartFamily, weights: Array,
    independent: float, loose: Array,
) -> tuple[float, float]:  # fmt: skip
    """Fill ``weights`` with the posterior of the onset; return the log likelihood with a response and without one.

    Cell j of ``weights`` spans 1/places of a sample; the first begins one sample before ``white[first]``. Samples before the
    onset are noise with rare large ones (``share``), those after it a member of the family of smooth starts plus unit noise.
    ``loose``, where it has a size, is the posterior if only the share ``independent`` of the samples counts.
    """
    n = white.size
    carry, step_form, step_cost, start_form, start_cost = family
    dynamics, sizes = step_cost.shape
    starts, places = start_cost.shape[2], start_cost.shape[3]
    before = np.zeros(n + 1)
    for k in range(first, n):
        before[k + 1] = before[k] + log_density(white[k], share)
    width = max(3, int(STRENGTH_MS * rate_hz / 1e3))
    strength = math.sqrt(max(strongest(white, first, width) - 1.0, 0.25))
    centre = min(round(math.log2(strength)) + 2, sizes - 1)
    low, high = max(0, centre - OCTAVES), min(sizes - 1, centre + OCTAVES)
    count = (last - first + 1) * places
    scores = np.empty((dynamics * (high - low + 1) * starts, count))
    top = -1e300
    row = 0
    for d in range(dynamics):
        for size in range(low, high + 1):
            c = carry[d, size]
            e0 = e1 = e2 = total = 0.0
            for k in range(n - 1, first - 1, -1):
                e0 += white[k]
                total -= 0.5 * white[k] * white[k]
                q00, q11, q22, q01, q02, q12 = e0 * e0, e1 * e1, e2 * e2, e0 * e1, e0 * e2, e1 * e2
                if k <= last:
                    so_far = before[k] + total
                    for start in range(starts):
                        for place in range(places):
                            g = start_form[d, size, start, place]
                            score = (
                                so_far
                                - start_cost[d, size, start, place]
                                + (g[0] * q00 + g[1] * q11 + g[2] * q22 + g[3] * q01 + g[4] * q02 + g[5] * q12)
                            )
                            scores[row + start, (k - first + 1) * places - 1 - place] = score
                            top = max(top, score)
                g = step_form[d, size]
                total += (
                    g[0] * q00 + g[1] * q11 + g[2] * q22 + g[3] * q01 + g[4] * q02 + g[5] * q12 - step_cost[d, size]
                )
                f0 = c[0, 0] * e0 + c[0, 1] * e1 + c[0, 2] * e2
                f1 = c[1, 0] * e0 + c[1, 1] * e1 + c[1, 2] * e2
                e2 = c[2, 0] * e0 + c[2, 1] * e1 + c[2, 2] * e2
                e0, e1 = f0, f1
            row += starts
    mass = add_members(scores, top, 1.0, weights)
    if loose.size > 0:
        add_members(scores, top, independent, loose)
    return float(top + math.log(mass / count)), float(before[n])


@compiled
def add_members(scores: Array, top: float, power: float, weights: Array) -> float:
    """Fill ``weights`` with the sum over all members of likelihood to the ``power``, as shares; return the sum."""
    mass = 0.0
    for j in range(weights.size):
        weights[j] = 0.0
        for r in range(scores.shape[0]):
            below = power * (scores[r, j] - top)
            if below > -FORGET:
                weights[j] += math.exp(below)
        mass += weights[j]
    for j in range(weights.size):
        weights[j] /= mass
    return mass


@compiled
def merge_posteriors(weights: Array, others: Array, log_weight: float, log_other: float) -> float:
    """Mix two posteriors by their log likelihoods into ``weights``; return the log of the sum of likelihoods."""
    top = max(log_weight, log_other)
    mine, theirs = math.exp(log_weight - top), math.exp(log_other - top)
    for j in range(weights.size):
        weights[j] = (mine * weights[j] + theirs * others[j]) / (mine + theirs)
    return top + math.log(mine + theirs)
