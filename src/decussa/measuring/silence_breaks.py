"""Breaks of a silence that begin or end within a bin: what the samples say about the two parts of it; compiled."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled
from decussa.measuring.silence_bins import ORDER, Single, Whole, columns
from decussa.measuring.silence_kernel import ACTIVE, STEPS, judge, likelihoods, squares_ahead

Array = NDArray[np.float64]

#: A bin in which a break may begin is less likely silent than active by this factor or more, and the one before it is not; the
#: same of the one after, where it may end.
LIKELIER = math.exp(-4.0)


@compiled
def bins_at_edges(quiet: Array, beside: Array, step: int) -> Whole:
    """Bins that may be part silent, part active: those whose likelihood of silence is low, and not in the bin at ``step``.

    ``quiet`` and ``beside``, shape (bins,), are likelihoods of silence in the bin and in the one beside it, in units of that of
    the likeliest level of activity.
    """
    out, count = np.empty(quiet.size, dtype=np.int64), 0
    for b in range(max(0, -step), quiet.size - max(0, step)):
        out[count] = b
        count += quiet[b] < LIKELIER <= beside[b + step]
    return out[:count]


@compiled
def split_bins(
    samples: Single, past: Single, filters: Array, levels: Array, tops: Array, chosen: Whole, ending: bool
) -> Array:
    """Likelihoods of ``chosen`` bins that activity begins in, or ends in, by its level, shape (chosen, levels).

    The edge is before any sample but the first, each equally likely; before the first, whose share this lacks, a bin is whole.
    ``samples`` come ``by_place``, ``past`` are ``squares_left`` in silence. Activity is predicted from the future; silence before
    it from the past, silence after it from the future. In units of exp(``tops``).
    """
    places, count = samples.shape[0] - 2 * ORDER, chosen.size
    if count == 0:
        return np.zeros((0, ACTIVE))
    rest, cells = squares_ahead(columns(samples, chosen), filters), places * count
    # silence before each sample, or from it on
    silent = np.zeros(cells)
    constant, factor = filters[0, ORDER + 2], filters[0, ORDER + 1]
    for c in range(count):
        so_far = 0.0
        for i in range(places):
            place = places - 1 - i if ending else i
            k = place * count + c
            if ending:
                so_far += constant - factor * rest[0, k]
                silent[k] = so_far
            else:
                silent[k] = so_far
                so_far += constant - factor * past[place * samples.shape[1] + chosen[c]]
    # activity from each sample on, or before it
    counted = np.empty(cells)
    for k in range(cells):
        counted[k] = k // count if ending else places - k // count
    for level in range(1 + STEPS):
        row = rest[level]
        for c in range(count):
            so_far = 0.0
            for i in range(places):
                k = (i if ending else places - 1 - i) * count + c
                here = row[k]
                row[k] = so_far if ending else so_far + here
                so_far += here
    logs, units, seen = np.empty((ACTIVE, cells)), np.empty(cells), np.empty((ACTIVE, cells))
    judge(rest, filters, levels, counted, units, logs)
    for k in range(cells):
        units[k] = tops[chosen[k % count]] - silent[k]
    likelihoods(logs, units, seen)
    out = np.zeros((count, ACTIVE))
    for level in range(ACTIVE):
        for k in range(count, cells):
            out[k % count, level] += seen[level, k] / places
    return out
