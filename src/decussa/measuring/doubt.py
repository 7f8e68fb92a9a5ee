"""What a model of the signal does not know of its own errors: how a posterior is widened before an interval is read off it.

Three things make the posterior of a time too sure. Real background comes in bursts: its samples say less than as many
independent ones would, so their log likelihood counts by the share of them that are independent, learnt from the baseline
(a power likelihood, after Holmes and Walker 2017, doi 10.1093/biomet/asx010; the count of independent samples from the
autocorrelation of the squares as for any mean of dependent ones, Bartlett 1946, doi 10.2307/2983611; both from memory). And
what starts weakly is seen late: with some probability the true time lies before the one that is seen, by a time that grows
with the width of the posterior; and with a smaller one after it, as what starts at once was not as weak as it might have been.
How much was found on signals of other models than those of the tests and of ``bench/accuracy.py``.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled, fused, regrouped
from decussa.measuring.exponential import exponential

Array = NDArray[np.float64]

#: Lags, in ms, over which squares of background lean on each other.
LEANING_MS = 6.0


@fused
def independent_share(white: Array, step_ms: float) -> float:
    """Share of the samples that count as independent: 1 / (1 + 2 sum of the autocorrelation of their squares), at most 1.

    The autocorrelation is weighed by 1 - lag / lags; so weighed, the products of all samples up to so many lags apart add up to
    the squares of the sums over so many neighbours.
    """
    lags = max(1, int(LEANING_MS / step_ms))
    squares = np.zeros(white.size + lags)
    mean = 0.0
    for k in range(white.size):
        squares[k] = white[k] * white[k]
        mean += squares[k] / white.size
    power, running, together = 0.0, 0.0, 0.0
    for k in range(squares.size):
        if k < white.size:
            squares[k] -= mean
            power += squares[k] * squares[k]
        running += squares[k]
        if k >= lags:
            running -= squares[k - lags]
        together += running * running
    return min(1.0, power * lags / together) if power > 0.0 and together > 0.0 else 1.0


class Reach(NamedTuple):
    """Which share of a posterior lies elsewhere, and how far on average: so many cells and half-widths."""

    share: float
    cells: float
    per_width: float


@compiled
def central_95(weights: Array, earlier: Reach, later: Reach) -> tuple[float, float]:
    """Central 95 % of a posterior that reaches earlier and then later, as places in cells."""
    wide = reach_out(weights, earlier.share, earlier.cells, earlier.per_width, False)
    wide = reach_out(wide, later.share, later.cells, later.per_width, True)
    return quantile(wide, 0.025), quantile(wide, 0.975)


@compiled
def reach_out(weights: Array, share: float, least_cells: float, per_width: float, later: bool) -> Array:
    """Let ``share`` of the posterior lie earlier, or later, by exponential times: on average ``least_cells`` and half-widths.

    The half-width, of which they are ``per_width`` more, is half the central 68 %. What would leave the window stays in its last
    cell.
    """
    half = 0.5 * (quantile(weights, 0.84) - quantile(weights, 0.16))
    keep = math.exp(-1.0 / (least_cells + per_width * half))
    out = np.empty(weights.size)
    carried, last = 0.0, weights.size - 1
    for j in range(weights.size):
        k = j if later else last - j
        carried = keep * carried + (1.0 - keep) * weights[k]
        out[k] = (1.0 - share) * weights[k] + share * carried
    out[last if later else 0] += share * carried * keep / (1.0 - keep)
    return out


@compiled
def quantile(weights: Array, share: float) -> float:
    """Place, counted in cells from the left edge of the first, below which ``share`` of the weight lies."""
    total = 0.0
    for j in range(weights.size):
        if total + weights[j] >= share:
            return float(j + (share - total) / weights[j])
        total += weights[j]
    return float(weights.size)


@compiled
def blur(weights: Array, sd_cells: float) -> Array:
    """Spread every weight normally over its neighbours; what would leave the window stays on its edge."""
    out = np.zeros(weights.size)
    add_blurred(weights, 0, sd_cells, out)
    return out


@compiled
def add_blurred(weights: Array, start: int, sd_cells: float, out: Array) -> None:
    """Add ``weights``, the first of which belongs to cell ``start``, to ``out``, every one spread over its neighbours."""
    reach = int(3 * sd_cells) + 1
    padded = np.zeros(weights.size + 2 * reach)
    spread(weights, bell(sd_cells, reach), padded)
    for j in range(padded.size):
        out[min(max(start - reach + j, 0), out.size - 1)] += padded[j]


@compiled
def bell(sd_cells: float, reach: int) -> Array:
    """Shares of a normal distribution on the cells up to ``reach`` away."""
    shares, total = np.empty(2 * reach + 1), 0.0
    for k in range(shares.size):
        away = (k - reach) / sd_cells
        shares[k] = exponential(-0.5 * away * away)
        total += shares[k]
    for k in range(shares.size):
        shares[k] /= total
    return shares


@regrouped
def spread(weights: Array, shares: Array, out: Array) -> None:
    """Add every weight times each of the ``shares`` to as many cells of ``out`` from its own place on."""
    # the outer loop runs over the shorter of the two, the inner one over what lies side by side
    short, long = (weights, shares) if weights.size < shares.size else (shares, weights)
    for j in range(short.size):
        around = out[j : j + long.size]
        for k in range(long.size):
            around[k] += short[j] * long[k]


@compiled
def span_above(values: Array, least: float, start: int, stop: int) -> tuple[int, int]:
    """First place between ``start`` and ``stop`` whose value lies above ``least``, and the place after the last."""
    while start < stop and not values[start] > least:
        start += 1
    while stop > start and not values[stop - 1] > least:
        stop -= 1
    return start, stop
