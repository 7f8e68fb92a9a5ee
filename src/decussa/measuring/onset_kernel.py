"""Posterior of the onset in one sweep, compiled: every number of a sweep depends on that sweep alone."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled, fused, regrouped
from decussa.measuring.doubt import span_above
from decussa.measuring.exponential import exponentials
from decussa.measuring.smooth_start import MEMBERS, StartFamily
from decussa.measuring.whitening import log_densities

Array = NDArray[np.float64]

#: Order of the noise model.
ORDER = 5
#: Length over which the strength of the response is looked at.
STRENGTH_MS = 4.0
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
    n = white.size - first
    before = np.zeros(n + 1)
    log_densities(white[first:], share, before[1:])
    for k in range(n):
        before[k + 1] += before[k]
    sizes, members, starts = family.start_cost.shape
    size = likely_size(white, first, rate_hz, sizes)
    count = last - first + 1
    states = np.empty((members, 4, count))
    look_back(white[first:], before, family.carry[size], family.step_form[size], family.step_cost[size], states)
    scores, best = np.empty((members * starts, count)), np.empty(count)
    score_starts(states, family.start_form[size], family.start_cost[size], scores, best)
    top = best.max()
    mass = add_members(scores, best, top, 1.0, weights)
    if loose.size > 0:
        add_members(scores, best, top, independent, loose)
    return float(top + math.log(mass / weights.size)), float(before[n])


@compiled
def response_strength(white: Array, first: int, rate_hz: float) -> float:
    """RMS of the strongest stretch in units of the noise."""
    return math.sqrt(strongest(white, first, max(3, int(STRENGTH_MS * rate_hz / 1e3))))


@compiled
def likely_size(white: Array, first: int, rate_hz: float, sizes: int) -> int:
    """The most likely size of a response, from the strongest stretch less its noise."""
    power = response_strength(white, first, rate_hz) ** 2
    return min(round(0.5 * math.log2(max(power - 1.0, 0.25))) + 2, sizes - 1)


@compiled
def look_back(white: Array, before: Array, carry: Array, form: Array, cost: Array, states: Array) -> None:
    """Run the information filters of all members backwards, side by side.

    Fills the information vector of all samples from each on and their log likelihood given an onset just before it, but for the
    onset's own part, shape (members, 4, n); ``before`` is the log likelihood of the samples up to each if they are noise.
    """
    vectors, products = np.zeros(3 * MEMBERS), np.empty(6 * MEMBERS)
    totals, gained = np.zeros(MEMBERS), np.empty(MEMBERS)
    for k in range(white.size - 1, -1, -1):
        sample, square = white[k], 0.5 * white[k] * white[k]
        if k < states.shape[2]:
            for i in range(states.shape[0]):
                states[i, 0, k], states[i, 1, k] = vectors[i] + sample, vectors[MEMBERS + i]
                states[i, 2, k], states[i, 3, k] = vectors[2 * MEMBERS + i], totals[i] + (before[k] - square)
        multiply(vectors, sample, products)
        gain(totals, square, products, form, cost, gained)
        totals, gained = gained, totals
        step_back(vectors, sample, carry)


@fused
def multiply(vectors: Array, sample: float, products: Array) -> None:
    """Fill the products (00, 11, 22, 01, 02, 12) of every member's information vector with this sample seen."""
    for i in range(MEMBERS):
        e0, e1, e2 = vectors[i] + sample, vectors[MEMBERS + i], vectors[2 * MEMBERS + i]
        products[i] = e0 * e0
        products[MEMBERS + i] = e1 * e1
        products[2 * MEMBERS + i] = e2 * e2
        products[3 * MEMBERS + i] = e0 * e1
        products[4 * MEMBERS + i] = e0 * e2
        products[5 * MEMBERS + i] = e1 * e2


@fused
def gain(totals: Array, square: float, products: Array, form: Array, cost: Array, out: Array) -> None:
    """Fill every member's total after a step back: less the sample's square and the cost, plus what the form gains."""
    for i in range(MEMBERS):
        out[i] = (
            totals[i] - square - cost[i] + form[i] * products[i]
            + form[MEMBERS + i] * products[MEMBERS + i] + form[2 * MEMBERS + i] * products[2 * MEMBERS + i]
            + form[3 * MEMBERS + i] * products[3 * MEMBERS + i] + form[4 * MEMBERS + i] * products[4 * MEMBERS + i]
            + form[5 * MEMBERS + i] * products[5 * MEMBERS + i]
        )  # fmt: skip


@fused
def step_back(vectors: Array, sample: float, carry: Array) -> None:
    """Take every member's information vector, with this sample seen, one sample back."""
    for i in range(MEMBERS):
        e0, e1, e2 = vectors[i] + sample, vectors[MEMBERS + i], vectors[2 * MEMBERS + i]
        vectors[i] = carry[i] * e0 + carry[MEMBERS + i] * e1 + carry[2 * MEMBERS + i] * e2
        vectors[MEMBERS + i] = carry[3 * MEMBERS + i] * e0 + carry[4 * MEMBERS + i] * e1 + carry[5 * MEMBERS + i] * e2
        vectors[2 * MEMBERS + i] = (
            carry[6 * MEMBERS + i] * e0 + carry[7 * MEMBERS + i] * e1 + carry[8 * MEMBERS + i] * e2
        )


@compiled
def score_starts(states: Array, forms: Array, costs: Array, scores: Array, best: Array) -> None:
    """Fill the log likelihood of an onset before every sample, and into ``best`` the largest of each.

    Rows of ``scores`` are the starts, with all their places, of one member after the other.
    """
    products = np.empty((6, best.size))
    best[:] = -math.inf
    starts = costs.shape[1]
    for member in range(states.shape[0]):
        multiply_lines(states[member], products)
        for start in range(starts):
            form = forms[member, start]
            score_line(states[member, 3], products, form, costs[member, start], scores[member * starts + start], best)


@regrouped
def multiply_lines(state: Array, products: Array) -> None:
    """Fill the products of one member's information vector before every sample, in their order in forms."""
    e0, e1, e2 = state[0], state[1], state[2]
    q00, q11, q22, q01, q02, q12 = products[0], products[1], products[2], products[3], products[4], products[5]
    for j in range(e0.size):
        q00[j], q11[j], q22[j] = e0[j] * e0[j], e1[j] * e1[j], e2[j] * e2[j]
        q01[j], q02[j], q12[j] = e0[j] * e1[j], e0[j] * e2[j], e1[j] * e2[j]


@regrouped
def score_line(so_far: Array, products: Array, form: Array, cost: float, scores: Array, best: Array) -> None:
    """Fill the log likelihood of one start at one place before every sample."""
    g0, g1, g2, g3, g4, g5 = form[0], form[1], form[2], form[3], form[4], form[5]
    q00, q11, q22, q01, q02, q12 = products[0], products[1], products[2], products[3], products[4], products[5]
    for j in range(scores.size):
        score = so_far[j] - cost + (g0 * q00[j] + g1 * q11[j] + g2 * q22[j] + g3 * q01[j] + g4 * q02[j] + g5 * q12[j])
        scores[j] = score
        best[j] = max(best[j], score)


@compiled
def add_members(scores: Array, best: Array, top: float, power: float, weights: Array) -> float:
    """Fill ``weights`` with the sum over all members of likelihood to the ``power``, as shares; return the sum.

    Rows of ``scores`` are the places of one member after the other; ``best`` holds the largest score of each sample.
    """
    samples = scores.shape[1]
    places = weights.size // samples
    least = top - FORGET / power
    first, stop = span_above(best, least, 0, samples)
    rows, width = scores.shape[0], stop - first
    logs, likely = np.empty(rows * width), np.empty(rows * width)
    for row in range(rows):
        line, part = scores[row, first:stop], logs[row * width : (row + 1) * width]
        for j in range(width):
            part[j] = power * (line[j] - top)
    exponentials(logs, likely)
    sums = np.zeros((places, samples))
    for row in range(rows):
        cells, part = sums[row % places, first:stop], likely[row * width : (row + 1) * width]
        for j in range(width):
            cells[j] += part[j]
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
