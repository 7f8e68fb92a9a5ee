"""Signals that start smoothly from nothing: the family of responses behind the model-based onset.

A response is a Gaussian process dx = F x dt + L dw that is zero before its onset and is driven from then on; its first
component is what an electrode sees. Spectra are those of Matern, smoothness 3/2 and 5/2, written as state equations
(Hartikainen and Sarkka 2010, doi 10.1109/MLSP.2010.5589113). How it starts is a matter of its own: from rest, with a bend or
with a kink. An information filter run backwards from the end of the window (Rauch, Tung and Striebel's problem seen from the
other side; Fraser and Potter 1969) gives the likelihood of every onset in one pass, between samples too.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Smoothness of the response (order of the state equation) and its time constants.
ORDERS = (2, 3)
TIME_CONSTANTS_MS = (0.6, 1.2, 2.4)
#: Sizes of the response in units of the whitened noise: every one an octave, equally likely beforehand.
SIZES = tuple(2.0**power for power in range(-2, 14))
#: Which derivatives jump at the onset (value, slope, curvature), and how likely each way to start is beforehand; what is left is
#: the likelihood of a jump of all three.
STARTS = ((0.0, 0.0, 0.0), (0.0, 0.0, 1.0), (0.0, 1.0, 1.0))
START_PRIOR = (0.25, 0.25, 0.25)
#: How far from the likely size of a response its size may lie (octaves), and for how many members there is room: a multiple of
#: what vector units take at once.
OCTAVES = 1
MEMBERS = 20
#: Where the costs of members begin in the row of a size.
MISS_COST, JUMP_COST, LEAST_COST, LOOK = 7 * MEMBERS, 8 * MEMBERS, 9 * MEMBERS, 10 * MEMBERS
#: The room for members where they are taken in single precision.
LANES = 24
#: What one sample says of the state.
_SEEN = np.diag([1.0, 0.0, 0.0])


class StartFamily(NamedTuple):
    """Steady-state filters of the family at one sampling rate, for every likely size of a response.

    The first axis counts the most likely size; members are that size and one octave around it, each with all dynamics. A filter
    foretells a sample from those after it, as an autoregressive moving average does; the squares of what it misses add up to the
    log likelihood of a response that begins with a jump, which is one as if it had always been there. Where a response starts
    otherwise its state is known better, and a quadratic form of the state takes off what does not fit.

    Parameters
    ----------
    filters : ndarray, shape (sizes, 19 * MEMBERS)
        Scale of the samples, three weights of a sample and three of the last prediction; ln SD of what a filter misses; cost of a
        jump and least cost of any start; a matrix, row by row, that takes the state of a filter to an information vector. Side by
        side as vector units take them, filled up with members of no weight. Costs of starts hold the prior, and are infinite for
        a size there is not.
    start_root, start_cost : ndarray of float32, shapes (sizes, starts, 6 * LANES) and (sizes, starts + 1, LANES)
        What is taken off for an onset at place p, that is (p + 1/2) / places samples before the sample, for every way to start
        but the jump, with every place: the squared length of an upper triangle, packed as (00, 01, 02, 11, 12, 22), times the
        information vector. The last cost is that of a jump.
    places : int
        Number of places between two samples.
    """

    filters: Array
    start_root: NDArray[np.float32]
    start_cost: NDArray[np.float32]
    places: int


@lru_cache(maxsize=8)
def start_family(rate_hz: float, grid_ms: float) -> StartFamily:
    """Return the filters for one sampling rate in Hz; onsets are tried about ``grid_ms`` apart."""
    places = max(1, round(1e3 / rate_hz / grid_ms))
    dynamics = [_filters(order, 1e3 / rate_hz / constant, places) for order in ORDERS for constant in TIME_CONSTANTS_MS]
    filters, miss_cost, jump_cost, look, root, cost = (
        _around(np.stack(parts, axis=1)) for parts in zip(*dynamics, strict=True)
    )
    prior = np.where(
        _around(np.ones((len(SIZES), len(dynamics)))) > 0.0, math.log(len(SIZES) * len(dynamics)), math.inf
    )
    jump_cost, cost = jump_cost + prior, cost + prior[:, :, None]
    least = np.minimum(jump_cost, cost.min(axis=2))
    sides = [filters, miss_cost[:, :, None], jump_cost[:, :, None], least[:, :, None], look]
    nothing = (0.0, 0.0, math.inf, math.inf, 0.0)
    rows = [_side_by_side(part, none, MEMBERS) for part, none in zip(sides, nothing, strict=True)]
    roots = _side_by_side(root.reshape(*root.shape[:2], -1), 0.0, LANES).reshape(len(SIZES), -1, 6 * LANES)
    costs = _side_by_side(np.concatenate([cost, jump_cost[:, :, None]], axis=2), math.inf, LANES)
    costs = costs.reshape(len(SIZES), -1, LANES)
    return StartFamily(np.concatenate(rows, axis=1), roots.astype(np.float32), costs.astype(np.float32), places)


def _around(values: Array) -> Array:
    """Put all dynamics of each size and of the sizes around it behind one another; zeros for a size there is not.

    ``values`` has shape (sizes, dynamics, ...).
    """
    sizes = values.shape[0]
    edge = np.zeros((OCTAVES, *values.shape[1:]))
    padded = np.concatenate([edge, values, edge])
    return np.concatenate([padded[octave : octave + sizes] for octave in range(2 * OCTAVES + 1)], axis=1)


def _side_by_side(values: Array, none: float, width: int) -> Array:
    """Put the members last, filled up with ``none``, rows behind one another; ``values`` has shape (sizes, members, rows)."""
    out = np.full((values.shape[0], values.shape[2], width), none)
    out[..., : values.shape[1]] = np.moveaxis(values, 1, -1)
    return out.reshape(values.shape[0], -1)


def _filters(order: int, step: float, places: int) -> tuple[Array, ...]:
    """Filters of one order and time constant for all sizes; ``step`` is a sample in units of the time constant."""
    spread, move = _spread(order), _transition(order, step)
    squares = np.square(SIZES)[:, None, None]
    drive = squares * (spread - move @ spread @ move.T)
    updated = _steady_information(move, drive, steps=max(60, math.ceil(12 / step)))
    carry = move.T @ np.linalg.inv(np.eye(3) + updated @ drive)
    later = updated - _SEEN
    known = squares * spread @ np.linalg.inv(np.eye(3) + later @ (squares * spread))
    variance = 1.0 + known[:, 0, 0]
    weights, past, look = _companion(carry, known[:, 0], order)
    scale = np.sqrt(0.5 / variance)[:, None]
    filters = np.concatenate([scale, scale * weights, past], axis=1)
    jump_form, free = _quadratic(squares * spread, updated)
    ending = 0.5 * np.log(np.linalg.det(np.eye(3) + later @ (squares * spread)))
    roots, costs = [], []
    for kind, share in zip(STARTS, _shares(order), strict=True):
        kick = _kick(spread, np.diag(kind))
        for place in range(places):
            part = _transition(order, step * (place + 0.5) / places)
            form, cost = _quadratic(squares * (spread - part @ (spread - kick) @ part.T), updated)
            roots.append(_root(jump_form - form))
            costs.append(cost - free + ending - (math.log(share) if share else -math.inf))
    jump_cost = ending - math.log(1.0 - sum(START_PRIOR))
    look = (look / scale[:, :, None]).reshape(len(SIZES), 9)
    return filters, 0.5 * np.log(variance), jump_cost, look, np.stack(roots, axis=1), np.stack(costs, axis=1)


def _shares(order: int) -> tuple[float, ...]:
    """How likely each way to start is; without a curvature in the state a start with a bend is one from rest."""
    rest, bend, kink = START_PRIOR
    return (rest, bend, kink) if order == 3 else (rest + bend, 0.0, kink)


def _companion(carry: Array, reading: Array, order: int) -> tuple[Array, Array, Array]:
    """Filter in companion form: weights of a sample and of the last prediction, and the matrix from its state to the vector.

    The vector goes over to ``carry`` times itself with the sample in its first place; ``reading`` of it is the prediction. The
    coefficients of the characteristic polynomial follow from traces (Faddeev and LeVerrier).
    """
    powers = [reading]
    for _ in range(2):
        powers.append(np.einsum("si,sij->sj", powers[-1], carry))
    squared = carry @ carry
    first, second = -np.trace(carry, axis1=1, axis2=2), -0.5 * np.trace(squared, axis1=1, axis2=2)
    second = second + 0.5 * first**2
    third = -np.linalg.det(carry)
    state = np.stack(
        [powers[0], powers[1] + first[:, None] * powers[0],
         powers[2] + first[:, None] * powers[1] + second[:, None] * powers[0]], axis=1,
    )  # fmt: skip
    look = np.zeros_like(carry)
    look[:, :order, :order] = np.linalg.inv(state[:, :order, :order])
    return (state @ carry)[:, :, 0], -np.stack([first, second, third], axis=1), look


def _transition(order: int, step: float) -> Array:
    """exp(F step) for F the companion matrix of (d/dt + 1)^order: exp(-step) times a polynomial of the nilpotent part."""
    nilpotent = np.zeros((3, 3))
    for row in range(order - 1):
        nilpotent[row, row + 1] = 1.0
    for column in range(order):
        nilpotent[order - 1, column] = -math.comb(order, column)
    keep = np.diag([1.0] * order + [0.0] * (3 - order))
    nilpotent = (nilpotent + keep) * step
    return np.asarray(math.exp(-step) * (keep + nilpotent + 0.5 * nilpotent @ nilpotent))


def _spread(order: int) -> Array:
    """Stationary covariance of the state, unit variance of the first component, time in time constants."""
    if order == 2:
        return np.diag([1.0, 1.0, 0.0])
    return np.array([[1.0, 0.0, -1 / 3], [0.0, 1 / 3, 0.0], [-1 / 3, 0.0, 1.0]])


def _kick(spread: Array, jumping: Array) -> Array:
    """Covariance of what jumps at an onset, as in the stationary process where the rest of the state is 0."""
    return np.asarray(np.linalg.pinv(jumping @ np.linalg.pinv(spread) @ jumping))


def _steady_information(move: Array, drive: Array, steps: int) -> Array:
    """Information about the state after seeing a sample and all later ones, in the steady state; unit noise."""
    information = np.zeros_like(drive)
    for _ in range(steps):
        updated = information + _SEEN
        information = move.T @ np.linalg.inv(np.eye(3) + updated @ drive) @ updated @ move
        information = 0.5 * (information + information.transpose(0, 2, 1))
    return information + _SEEN


def _quadratic(covariance: Array, information: Array) -> tuple[Array, Array]:
    """Form and cost of ln of the integral over a state of that covariance: 1/2 e'C(I + HC)^-1 e - 1/2 ln|I + HC|."""
    inner = np.eye(3) + information @ covariance
    form = 0.5 * covariance @ np.linalg.inv(inner)
    return 0.5 * (form + form.transpose(0, 2, 1)), 0.5 * np.log(np.linalg.det(inner))


def _root(form: Array) -> Array:
    """Upper triangle R, packed row by row, with R'R the form, which is nowhere negative."""
    values, vectors = np.linalg.eigh(form)
    triangle = np.linalg.qr(np.sqrt(np.maximum(values, 0.0))[:, :, None] * vectors.transpose(0, 2, 1), mode="r")
    rows, columns = np.triu_indices(3)
    return np.asarray(triangle)[:, rows, columns]
