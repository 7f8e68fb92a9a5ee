"""Posterior of the onset in one sweep, compiled: every number of a sweep depends on that sweep alone."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled, fused
from decussa.measuring.exponential import exponential
from decussa.measuring.smooth_start import JUMP_COST, LEAST_COST, MEMBERS, MISS_COST, StartFamily
from decussa.measuring.whitening import log_densities

Array = NDArray[np.float64]

#: Order of the noise model.
ORDER = 5
#: Length over which the strength of the response is looked at.
STRENGTH_MS = 4.0
#: Onsets that together hold no more than this share of the posterior are left out; the same of the one for the interval, of
#: which the tails count.
LEFT_OUT = 1e-3
LEFT_OUT_LOOSE = 1e-5


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
def weigh_onsets(
    white: Array, first: int, last: int, rate_hz: float, share: float, family: StartFamily, weights: Array,
    independent: float, loose: Array,
) -> tuple[float, float]:  # fmt: skip
    """Fill ``weights`` with the posterior of the onset; return the log likelihood with a response and without one.

    Cell j of ``weights`` spans 1/places of a sample; the first begins one sample before ``white[first]``. Samples before the
    onset are noise with rare large ones (``share``), those after it a member of the family of smooth starts plus unit noise.
    ``loose``, where it has a size, is the posterior if only the share ``independent`` of the samples counts.
    """
    n, count = white.size - first, last - first + 1
    before = np.empty(n)
    log_densities(white[first:], share, before)
    noise = 0.0
    for k in range(n):
        noise, before[k] = noise + before[k], noise if k < count else -math.inf
    size = likely_size(white, first, rate_hz, family.start_cost.shape[0])
    tape, best = np.empty((n + 1, 4 * MEMBERS)), np.empty(MEMBERS)
    look_back(white, first, before, family.filters[size], tape, best)
    reached, near = near_jumps(tape, before[:count], family.filters[size], best)
    forget = math.log(family.start_cost[0].size * count / (LEFT_OUT * near))
    mass = add_starts(white[first:], tape, before[:count], family, size, reached, forget, 1.0, weights)
    if loose.size > 0:
        forget += math.log(LEFT_OUT / LEFT_OUT_LOOSE)
        add_starts(white[first:], tape, before[:count], family, size, reached, forget, independent, loose)
    return reached + math.log(mass / weights.size), noise


@compiled
def likely_size(white: Array, first: int, rate_hz: float, sizes: int) -> int:
    """The most likely size of a response, from the strongest stretch less its noise."""
    power = response_strength(white, first, rate_hz) ** 2
    return min(round(0.5 * math.log2(max(power - 1.0, 0.25))) + 2, sizes - 1)


@compiled
def response_strength(white: Array, first: int, rate_hz: float) -> float:
    """RMS of the strongest stretch in units of the noise."""
    width = max(3, int(STRENGTH_MS * rate_hz / 1e3))
    best = 0.0
    running = 0.0
    for k in range(first, white.size):
        running += white[k] * white[k]
        if k - width >= first:
            running -= white[k - width] * white[k - width]
        best = max(best, running)
    return math.sqrt(best / width)


@fused
def look_back(white: Array, first: int, before: Array, filters: Array, tape: Array, best: Array) -> None:
    """Run the filters of all members from the last sample back to ``white[first]``, side by side.

    Row k of ``tape``, shape (n + 1, 4 * MEMBERS), follows from the sample ``first`` + k and all later ones: prediction of the
    sample before, two more states, and minus the log likelihood of these samples if the response were there all along. ``best``
    is the largest log likelihood of an onset with a jump, ``before`` the one of the samples up to each if they are noise.
    """
    last = tape.shape[0] - 1
    for i in range(MEMBERS):
        best[i] = -math.inf
    for i in range(4 * MEMBERS):
        tape[last, i] = 0.0
    for k in range(last - 1, -1, -1):
        sample, so_far, later, here = white[first + k], before[k], tape[k + 1], tape[k]
        for i in range(MEMBERS):
            told = later[i]
            missed = filters[i] * sample - told
            here[i] = later[MEMBERS + i] + filters[MEMBERS + i] * sample + filters[4 * MEMBERS + i] * told
            here[MEMBERS + i] = (
                later[2 * MEMBERS + i] + filters[2 * MEMBERS + i] * sample + filters[5 * MEMBERS + i] * told
            )
            here[2 * MEMBERS + i] = filters[3 * MEMBERS + i] * sample + filters[6 * MEMBERS + i] * told
            here[3 * MEMBERS + i] = later[3 * MEMBERS + i] + (missed * missed + filters[MISS_COST + i])
        for i in range(MEMBERS):  # a loop of its own: vector units take no more of different arrays at once
            score = so_far - here[3 * MEMBERS + i] - filters[JUMP_COST + i]
            best[i] = score if score > best[i] else best[i]


@compiled
def near_jumps(tape: Array, before: Array, filters: Array, best: Array) -> tuple[float, float]:
    """Largest log likelihood of an onset with a jump, and least likelihood of all such onsets together in units of that one.

    From the number of samples where the best member comes within 1 of it.
    """
    member = 0
    for i in range(MEMBERS):
        member = i if best[i] > best[member] else member
    least, count = best[member] - 1.0 + filters[JUMP_COST + member], 0.0
    for k in range(before.size):
        count += 1.0 if before[k] - tape[k, 3 * MEMBERS + member] > least else 0.0
    return best[member], max(1.0, math.exp(-1.0) * count)


@fused
def spans_above(tape: Array, before: Array, filters: Array, least: float, starts: Array, stops: Array) -> None:
    """Fill, for every member, the first sample at which any start may score above ``least``, and the sample after the last."""
    for i in range(MEMBERS):
        starts[i], stops[i] = before.size, 0.0
    for k in range(before.size):
        row, most, place = tape[k], before[k] - least, float(k)
        for i in range(MEMBERS):
            reaches = row[3 * MEMBERS + i] + filters[LEAST_COST + i] < most
            starts[i] = place if reaches and place < starts[i] else starts[i]
            stops[i] = place + 1.0 if reaches else stops[i]


@compiled
def add_starts(
    white: Array, tape: Array, before: Array, family: StartFamily, size: int, reached: float, forget: float, power: float,
    weights: Array,
) -> float:  # fmt: skip
    """Fill ``weights`` with the sum over all starts of all members of likelihood to the ``power``, as shares; return the sum.

    Likelihoods are in units of that of a score ``reached``; those whose log lies more than ``forget`` below are left out.
    """
    count, places = before.size, family.places
    begins, ends = np.empty(MEMBERS), np.empty(MEMBERS)
    spans_above(tape, before, family.filters[size], reached - forget / power, begins, ends)
    cells, jumps = np.zeros((places, count)), np.zeros(count)
    room = np.empty(7 * count)
    for member in range(family.look.shape[1]):
        begin, end = int(begins[member]), int(ends[member])
        if begin >= end:
            continue
        lines = room[: 7 * (end - begin)]
        spread_out(white, tape, before, family.look[size, member], member, begin, reached, lines)
        add_jump(lines[6 * (end - begin) :], family.filters[size, JUMP_COST + member], power, jumps[begin:end])
        for start in range(family.start_cost.shape[2]):
            form, cost = family.start_form[size, member, start], family.start_cost[size, member, start]
            if cost < math.inf:
                add_start(lines, form, cost, power, cells[start % places, begin:end])
    mass = 0.0
    for place in range(places):
        for j in range(count):
            cells[place, j] += jumps[j]
            mass += cells[place, j]
    for place in range(places):
        for j in range(count):
            weights[(j + 1) * places - 1 - place] = cells[place, j] / mass
    return mass


@fused
def spread_out(
    white: Array, tape: Array, before: Array, look: Array, member: int, begin: int, reached: float, lines: Array
) -> None:  # fmt: skip
    """Fill the products of one member's information vector in their order in forms, and the score of a start for nothing."""
    width = lines.size // 7
    for j in range(width):
        k = begin + j
        s0, s1, s2 = tape[k + 1, member], tape[k + 1, MEMBERS + member], tape[k + 1, 2 * MEMBERS + member]
        e0 = white[k] + look[0] * s0 + look[1] * s1 + look[2] * s2
        e1 = look[3] * s0 + look[4] * s1 + look[5] * s2
        e2 = look[6] * s0 + look[7] * s1 + look[8] * s2
        lines[j], lines[width + j], lines[2 * width + j] = e0 * e0, e1 * e1, e2 * e2
        lines[3 * width + j], lines[4 * width + j], lines[5 * width + j] = e0 * e1, e0 * e2, e1 * e2
        lines[6 * width + j] = before[k] - tape[k, 3 * MEMBERS + member] - reached


@fused
def add_jump(score: Array, cost: float, power: float, out: Array) -> None:
    """Add the likelihood of a jump before every sample."""
    for j in range(out.size):
        out[j] += exponential(power * (score[j] - cost))


@fused
def add_start(lines: Array, form: Array, cost: float, power: float, out: Array) -> None:
    """Add the likelihood of one start at one place before every sample."""
    g0, g1, g2, g3, g4, g5 = form[0], form[1], form[2], form[3], form[4], form[5]
    n = out.size
    q00, q11, q22, q01 = lines[:n], lines[n : 2 * n], lines[2 * n : 3 * n], lines[3 * n : 4 * n]
    q02, q12, score = lines[4 * n : 5 * n], lines[5 * n : 6 * n], lines[6 * n :]
    for j in range(n):
        less = g0 * q00[j] + g1 * q11[j] + g2 * q22[j] + g3 * q01[j] + g4 * q02[j] + g5 * q12[j]
        out[j] += exponential(power * (score[j] - cost - less))


@compiled
def merge_posteriors(weights: Array, others: Array, log_weight: float, log_other: float) -> float:
    """Mix two posteriors by their log likelihoods into ``weights``; return the log of the sum of likelihoods."""
    top = max(log_weight, log_other)
    mine, theirs = math.exp(log_weight - top), math.exp(log_other - top)
    for j in range(weights.size):
        weights[j] = (mine * weights[j] + theirs * others[j]) / (mine + theirs)
    return top + math.log(mine + theirs)
