"""Posterior of the onset in one sweep, compiled: every number of a sweep depends on that sweep alone."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled, fused, regrouped
from decussa.measuring.exponential import exponential, exponential_single
from decussa.measuring.smooth_start import JUMP_COST, LANES, LEAST_COST, LOOK, MEMBERS, MISS_COST, STARTS, StartFamily
from decussa.measuring.whitening import log_densities

Array = NDArray[np.float64]
Singles = NDArray[np.float32]

#: Order of the noise model.
ORDER = 5
#: Length over which the strength of the response is looked at.
STRENGTH_MS = 4.0
#: Onsets that together hold no more than this share of the posterior are left out; the same of the one for the interval, of
#: which the tails count.
LEFT_OUT = 1e-2
LEFT_OUT_LOOSE = 1e-4
#: Numbers in a row of the tape of filters; samples whose onsets are looked at, or left out, together.
ROW = 4 * MEMBERS
BLOCK = 8
_NOTHING = np.float32(0.0)


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
    blocks = (count + BLOCK - 1) // BLOCK
    rows = max(n + n % 2, blocks * BLOCK)
    before = np.empty(rows)
    log_densities(white[first:], share, before[:n])
    noise = 0.0
    for k in range(rows):
        here = before[k] if k < n else 0.0
        noise, before[k] = noise + here, noise if k < count else -math.inf
    size = likely_size(white, first, rate_hz, family.start_cost.shape[0])
    filters = family.filters[size]
    tape, tops = np.empty((rows + 1) * ROW), np.empty(blocks * MEMBERS)
    look_back(white[first:], filters, tape)
    find_tops(tape, before, tops)
    reached = best_jump(tops, filters)
    mass = add_starts(white[first:], tape, before, tops, family, size, reached, LEFT_OUT, 1.0, weights)
    if loose.size > 0:
        add_starts(white[first:], tape, before, tops, family, size, reached, LEFT_OUT_LOOSE, independent, loose)
    return reached + math.log(mass / weights.size), noise


@compiled
def likely_size(white: Array, first: int, rate_hz: float, sizes: int) -> int:
    """The most likely size of a response, from the strongest stretch less its noise."""
    power = response_strength(white, first, rate_hz) ** 2
    return min(round(0.5 * math.log2(max(power - 1.0, 0.25))) + 2, sizes - 1)


@fused
def response_strength(white: Array, first: int, rate_hz: float) -> float:
    """RMS of the strongest stretch in units of the noise."""
    return strongest_stretch(white, first, rate_hz)[0]


@fused
def strongest_stretch(white: Array, first: int, rate_hz: float) -> tuple[float, int]:
    """RMS of the strongest stretch in units of the noise, and the sample after it."""
    width = max(3, int(STRENGTH_MS * rate_hz / 1e3))
    running, end = 0.0, min(first + width, white.size)
    for k in range(first, end):
        running += white[k] * white[k]
    best = running
    for k in range(first + width, white.size):
        running += white[k] * white[k] - white[k - width] * white[k - width]
        end = k + 1 if running > best else end
        best = running if running > best else best
    return math.sqrt(best / width), end


@fused
def look_back(white: Array, filters: Array, tape: Array) -> None:
    """Run the filters of all members from the last sample back to the first, side by side.

    The numbers k * ROW and on of ``tape`` follow from sample k and all later ones: for every member the prediction of the sample
    before, two more states, and minus the log likelihood of these samples if the response were there all along. Rows that come
    after the last sample are 0.
    """
    n = white.size
    last = n + n % 2  # two samples at a time: one more than there are would add its cost, so that is taken off before
    for i in range(last * ROW, tape.size):
        tape[i] = 0.0
    for i in range(MEMBERS):
        tape[last * ROW + 3 * MEMBERS + i] = -filters[MISS_COST + i] * (n % 2)
    for k in range(last - 2, -1, -2):
        sample, after = white[k], white[k + 1] if k + 1 < n else 0.0
        rows = tape[k * ROW : (k + 3) * ROW]  # one array for all, so that vector units need ask less
        for i in range(MEMBERS):
            scale, cost = filters[i], filters[MISS_COST + i]
            a0, a1, a2 = filters[MEMBERS + i], filters[2 * MEMBERS + i], filters[3 * MEMBERS + i]
            b0, b1, b2 = filters[4 * MEMBERS + i], filters[5 * MEMBERS + i], filters[6 * MEMBERS + i]
            told, missed = rows[2 * ROW + i], scale * after - rows[2 * ROW + i]
            s0 = rows[2 * ROW + MEMBERS + i] + a0 * after + b0 * told
            s1 = rows[2 * ROW + 2 * MEMBERS + i] + a1 * after + b1 * told
            s2 = a2 * after + b2 * told
            so_far = rows[2 * ROW + 3 * MEMBERS + i] + (missed * missed + cost)
            missed = scale * sample - s0
            rows[i] = s1 + a0 * sample + b0 * s0
            rows[MEMBERS + i] = s2 + a1 * sample + b1 * s0
            rows[2 * MEMBERS + i] = a2 * sample + b2 * s0
            rows[3 * MEMBERS + i] = so_far + (missed * missed + cost)
            rows[ROW + i], rows[ROW + MEMBERS + i], rows[ROW + 2 * MEMBERS + i] = s0, s1, s2
            rows[ROW + 3 * MEMBERS + i] = so_far


@fused
def find_tops(tape: Array, before: Array, tops: Array) -> None:
    """Fill the largest log likelihood of a start that costs nothing, of every block of samples and member."""
    for block in range(tops.size // MEMBERS):
        rows, so_far = tape[block * BLOCK * ROW + 3 * MEMBERS :], before[block * BLOCK : (block + 1) * BLOCK]
        top = tops[block * MEMBERS :]
        for i in range(MEMBERS):
            best = -math.inf
            for j in range(BLOCK):
                score = so_far[j] - rows[j * ROW + i]
                best = score if score > best else best
            top[i] = best


@regrouped
def sum_of_tops(tops: Array, costs: Array, reached: float, power: float) -> float:
    """Sum over members of the likelihood to the ``power`` of the best start of a block, in units of that of ``reached``."""
    total = 0.0
    for i in range(MEMBERS):
        total += exponential(power * (tops[i] - reached - costs[i]))
    return total


@fused
def best_jump(tops: Array, filters: Array) -> float:
    """Largest log likelihood of an onset with a jump."""
    best = -math.inf
    for start in range(0, tops.size, MEMBERS):
        for i in range(MEMBERS):
            score = tops[start + i] - filters[JUMP_COST + i]
            best = score if score > best else best
    return best


@compiled
def add_starts(
    white: Array, tape: Array, before: Array, tops: Array, family: StartFamily, size: int, reached: float, left_out: float,
    power: float, weights: Array,
) -> float:  # fmt: skip
    """Fill ``weights`` with the sum over all starts of all members of likelihood to the ``power``, as shares; return the sum.

    Likelihoods are in units of that of a score ``reached``, which some jump has at all places. A block is left out where all
    its starts, were they as likely as its best, held less than its part of the share ``left_out`` of that jump.
    """
    places, filters, costs = family.places, family.filters[size], family.start_cost[size]
    blocks, kinds = tops.size // MEMBERS, len(STARTS)
    least = left_out / (blocks * BLOCK * (kinds + 1))
    cells, lines = np.zeros((blocks * BLOCK, places)), np.full((BLOCK, 4 * LANES), -math.inf, np.float32)
    for block in range(blocks):
        if sum_of_tops(tops[block * MEMBERS :], filters[LEAST_COST:], reached, power) > least:
            begin, end = block * BLOCK, (block + 1) * BLOCK
            spread_out(white[begin:], tape[begin * ROW :], before[begin:end], reached, filters[LOOK:], lines)
            add_block(lines, family.start_root[size], costs, np.float32(power), cells[begin:end])
    mass, count = 0.0, weights.size // places
    for place in range(places):
        for j in range(count):
            weights[(j + 1) * places - 1 - place] = cells[j, place]
    for j in range(weights.size):
        mass += weights[j]
    for j in range(weights.size):
        weights[j] /= mass
    return mass


@fused
def spread_out(white: Array, tape: Array, before: Array, reached: float, look: Array, lines: Singles) -> None:
    """Fill the information vectors of all members before the samples of a block, and the scores of starts for nothing."""
    for k in range(BLOCK):
        sample, score = white[k] if k < white.size else 0.0, before[k] - reached
        rows, line = tape[k * ROW : (k + 2) * ROW], lines[k]
        for i in range(MEMBERS):
            s0, s1, s2 = rows[ROW + i], rows[ROW + MEMBERS + i], rows[ROW + 2 * MEMBERS + i]
            line[i] = sample + look[i] * s0 + look[MEMBERS + i] * s1 + look[2 * MEMBERS + i] * s2
            line[LANES + i] = look[3 * MEMBERS + i] * s0 + look[4 * MEMBERS + i] * s1 + look[5 * MEMBERS + i] * s2
            line[2 * LANES + i] = look[6 * MEMBERS + i] * s0 + look[7 * MEMBERS + i] * s1 + look[8 * MEMBERS + i] * s2
            line[3 * LANES + i] = score - rows[3 * MEMBERS + i]


@regrouped
def add_block(lines: Singles, roots: Singles, costs: Singles, power: np.float32, cells: Array) -> None:
    """Fill the sums over members of the likelihoods of starts at all places before the samples of a block."""
    places = cells.shape[1]
    jump = costs[len(STARTS) * places]
    for k in range(BLOCK):
        line, jumps = lines[k], _NOTHING
        for i in range(LANES):
            jumps += exponential_single(power * (line[3 * LANES + i] - jump[i]))
        for place in range(places):
            total = jumps
            for kind in range(len(STARTS)):
                root, cost = roots[kind * places + place], costs[kind * places + place]
                for i in range(LANES):
                    e0, e1, e2 = line[i], line[LANES + i], line[2 * LANES + i]
                    a = root[i] * e0 + root[LANES + i] * e1 + root[2 * LANES + i] * e2
                    b, c = root[3 * LANES + i] * e1 + root[4 * LANES + i] * e2, root[5 * LANES + i] * e2
                    total += exponential_single(power * (line[3 * LANES + i] - cost[i] - (a * a + b * b + c * c)))
            cells[k, place] = total


@compiled
def merge_posteriors(weights: Array, others: Array, log_weight: float, log_other: float) -> float:
    """Mix two posteriors by their log likelihoods into ``weights``; return the log of the sum of likelihoods."""
    top = max(log_weight, log_other)
    mine, theirs = math.exp(log_weight - top), math.exp(log_other - top)
    for j in range(weights.size):
        weights[j] = (mine * weights[j] + theirs * others[j]) / (mine + theirs)
    return top + math.log(mine + theirs)
