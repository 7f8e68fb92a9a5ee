"""Posterior of the onset in one sweep, compiled: every number of a sweep depends on that sweep alone."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled, regrouped
from decussa.measuring.exponential import exponentials
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
    dynamics, _, starts, places = family.start_cost.shape
    before = np.zeros(n + 1)
    for k in range(first, n):
        before[k + 1] = before[k] + log_density(white[k], share)
    low, high = likely_sizes(white, first, rate_hz, family.start_cost.shape[1])
    count = (last - first + 1) * places
    scores = np.empty((dynamics * (high - low + 1) * starts * places, last - first + 1))
    tops = np.empty(scores.shape[0])
    so_far = np.empty((high - low + 1, last - first + 1))
    products = np.empty((high - low + 1, 6, last - first + 1))
    row = 0
    for d in range(dynamics):
        look_back(white, first, family, d, low, before, so_far, products)
        for size in range(low, high + 1):
            for start in range(starts):
                for place in range(places):
                    tops[row] = score_line(
                        so_far[size - low], products[size - low], family.start_form[d, size, start, place],
                        family.start_cost[d, size, start, place], scores[row],
                    )  # fmt: skip
                    row += 1
    top = tops.max()
    mass = add_members(scores, tops, top, 1.0, places, weights)
    if loose.size > 0:
        add_members(scores, tops, top, independent, places, loose)
    return float(top + math.log(mass / count)), float(before[n])


@compiled
def likely_sizes(white: Array, first: int, rate_hz: float, sizes: int) -> tuple[int, int]:
    """First and last size of a response that are reckoned with, from the strongest stretch."""
    width = max(3, int(STRENGTH_MS * rate_hz / 1e3))
    strength = math.sqrt(max(strongest(white, first, width) - 1.0, 0.25))
    centre = min(round(math.log2(strength)) + 2, sizes - 1)
    return max(0, centre - OCTAVES), min(sizes - 1, centre + OCTAVES)


@compiled
def look_back(
    white: Array, first: int, family: StartFamily, d: int, low: int, before: Array, so_far: Array, products: Array
) -> None:
    """Run the information filters of one dynamics backwards, for as many sizes from ``low`` on as ``so_far`` has rows.

    Fills the log likelihood of all samples given an onset just before each, but for the onset's own part, and the products of
    the information vector (00, 11, 22, 01, 02, 12), from ``white[first]`` on.
    """
    vector = np.zeros((so_far.shape[0], 3))
    total = np.zeros(so_far.shape[0])
    for k in range(white.size - 1, first - 1, -1):
        j = k - first
        square = 0.5 * white[k] * white[k]
        for i in range(so_far.shape[0]):
            e0, e1, e2 = vector[i, 0] + white[k], vector[i, 1], vector[i, 2]
            q00, q11, q22, q01, q02, q12 = e0 * e0, e1 * e1, e2 * e2, e0 * e1, e0 * e2, e1 * e2
            total[i] -= square
            if j < so_far.shape[1]:
                so_far[i, j] = before[k] + total[i]
                products[i, 0, j], products[i, 1, j], products[i, 2, j] = q00, q11, q22
                products[i, 3, j], products[i, 4, j], products[i, 5, j] = q01, q02, q12
            g = family.step_form[d, low + i]
            gained = g[0] * q00 + g[1] * q11 + g[2] * q22 + g[3] * q01 + g[4] * q02 + g[5] * q12
            total[i] += gained - family.step_cost[d, low + i]
            c = family.carry[d, low + i]
            vector[i, 0] = c[0, 0] * e0 + c[0, 1] * e1 + c[0, 2] * e2
            vector[i, 1] = c[1, 0] * e0 + c[1, 1] * e1 + c[1, 2] * e2
            vector[i, 2] = c[2, 0] * e0 + c[2, 1] * e1 + c[2, 2] * e2


@regrouped
def score_line(so_far: Array, products: Array, form: Array, cost: float, scores: Array) -> float:
    """Fill the log likelihood of an onset at one place before every sample; return the largest."""
    g0, g1, g2, g3, g4, g5 = form[0], form[1], form[2], form[3], form[4], form[5]
    q00, q11, q22, q01, q02, q12 = products[0], products[1], products[2], products[3], products[4], products[5]
    for j in range(scores.size):
        scores[j] = (
            so_far[j] - cost + (g0 * q00[j] + g1 * q11[j] + g2 * q22[j] + g3 * q01[j] + g4 * q02[j] + g5 * q12[j])
        )
    top = scores[0]
    for j in range(1, scores.size):
        top = max(top, scores[j])
    return float(top)


@compiled
def add_members(scores: Array, tops: Array, top: float, power: float, places: int, weights: Array) -> float:
    """Fill ``weights`` with the sum over all members of likelihood to the ``power``, as shares; return the sum.

    Rows of ``scores`` are the places of one member after the other; ``tops`` holds the largest of each row.
    """
    samples = scores.shape[1]
    sums = np.zeros((places, samples))
    logs, likely = np.empty(samples), np.empty(samples)
    for row in range(scores.shape[0]):
        if power * (tops[row] - top) > -FORGET:
            line, cells = scores[row], sums[row % places]
            for j in range(samples):
                logs[j] = power * (line[j] - top)
            exponentials(logs, likely)
            for j in range(samples):
                cells[j] += likely[j]
    mass = sums.sum()
    for place in range(places):
        for j in range(samples):
            weights[(j + 1) * places - 1 - place] = sums[place, j] / mass
    return float(mass)


@compiled
def merge_posteriors(weights: Array, others: Array, log_weight: float, log_other: float) -> float:
    """Mix two posteriors by their log likelihoods into ``weights``; return the log of the sum of likelihoods."""
    top = max(log_weight, log_other)
    mine, theirs = math.exp(log_weight - top), math.exp(log_other - top)
    for j in range(weights.size):
        weights[j] = (mine * weights[j] + theirs * others[j]) / (mine + theirs)
    return top + math.log(mine + theirs)
