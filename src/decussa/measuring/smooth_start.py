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
#: Which derivatives jump at the onset (value, slope, curvature), and how likely each way to start is beforehand.
STARTS = ((0.0, 0.0, 0.0), (0.0, 0.0, 1.0), (0.0, 1.0, 1.0), (1.0, 1.0, 1.0))
START_PRIOR = (0.25, 0.25, 0.25, 0.25)
#: Onsets are tried so close together.
GRID_MS = 0.1
#: How far from the likely size of a response its size may lie (octaves), and for how many members there is room: a multiple of
#: what vector units take at once.
OCTAVES = 1
MEMBERS = 20


class StartFamily(NamedTuple):
    """Steady-state filters of the family at one sampling rate, for every likely size of a response.

    The first axis counts the most likely size; the last one the members reckoned with then: that size and one octave around it,
    each with all dynamics, side by side as vector units take them, filled up with members of no weight; rows of members lie
    behind one another. Quadratic forms are packed as (00, 11, 22, 01, 02, 12), off-diagonal terms doubled.

    Parameters
    ----------
    carry : ndarray, shape (sizes, 9 * members)
        Takes the information vector one sample back: a matrix, row by row.
    step_form, step_cost : ndarray, shapes (sizes, 6 * members) and (sizes, members)
        Log likelihood gained on that step.
    start_form, start_cost : ndarray, shapes (sizes, members, starts, 6) and (sizes, members, starts)
        Log likelihood of an onset at place p, that is (p + 1/2) / places samples before the sample, for every way to start with
        every place. Costs hold the prior, and are infinite for a size there is not. Members that fill up are left out.
    places : int
        Number of places between two samples.
    """

    carry: Array
    step_form: Array
    step_cost: Array
    start_form: Array
    start_cost: Array
    places: int


@lru_cache(maxsize=8)
def start_family(rate_hz: float) -> StartFamily:
    """Return the filters for one sampling rate in Hz."""
    places = max(1, round(1e3 / rate_hz / GRID_MS))
    dynamics = [
        _filters(order, 1e3 / rate_hz / constant, places, len(ORDERS) * len(TIME_CONSTANTS_MS))
        for order in ORDERS
        for constant in TIME_CONSTANTS_MS
    ]
    carry, step_form, step_cost, start_form, start_cost = (np.stack(parts) for parts in zip(*dynamics, strict=True))
    sizes, starts = len(SIZES), len(STARTS) * places
    members = len(dynamics) * (2 * OCTAVES + 1)
    forms, costs = _side_by_side(start_form), _side_by_side(start_cost, none=math.inf)
    return StartFamily(
        _side_by_side(carry).reshape(sizes, -1),
        _side_by_side(step_form).reshape(sizes, -1),
        _side_by_side(step_cost),
        np.ascontiguousarray(np.moveaxis(forms, -1, 1)[:, :members].reshape(sizes, members, starts, 6)),
        np.ascontiguousarray(np.moveaxis(costs, -1, 1)[:, :members].reshape(sizes, members, starts)),
        places,
    )


def _side_by_side(values: Array, none: float = 0.0) -> Array:
    """Put the members around each size last, filled up with ``none``, which also stands for a size there is not.

    ``values`` has shape (dynamics, sizes, ...).
    """
    sizes = values.shape[1]
    out = np.full((sizes, *values.shape[2:], MEMBERS), none)
    for size in range(sizes):
        members = [
            values[:, other] if 0 <= other < sizes else np.full_like(values[:, size], none)
            for other in range(size - OCTAVES, size + OCTAVES + 1)
        ]
        joined = np.moveaxis(np.concatenate(members), 0, -1)
        out[size, ..., : joined.shape[-1]] = joined
    return out


def _filters(order: int, step: float, places: int, dynamics: int) -> tuple[Array, ...]:
    """Filters of one order and time constant for all sizes; ``step`` is a sample in units of the time constant."""
    spread, move = _spread(order), _transition(order, step)
    squares = np.square(SIZES)[:, None, None]
    drive = squares * (spread - move @ spread @ move.T)
    updated = _steady_information(move, drive, steps=max(60, math.ceil(12 / step)))
    mixing = np.linalg.inv(np.eye(3) + updated @ drive)
    step_form, step_cost = _quadratic(drive, updated)
    log_prior = -math.log(len(SIZES) * dynamics)
    forms, costs = [], []
    for kind, share in zip(STARTS, START_PRIOR, strict=True):
        kick = np.diag(np.diag(spread) * np.array(kind))
        for place in range(places):
            part = _transition(order, step * (place + 0.5) / places)
            form, cost = _quadratic(squares * (spread - part @ (spread - kick) @ part.T), updated)
            forms.append(form)
            costs.append(cost - log_prior - math.log(share))
    start_form = np.stack(forms, axis=1).reshape(len(SIZES), len(STARTS), places, 6)
    start_cost = np.stack(costs, axis=1).reshape(len(SIZES), len(STARTS), places)
    return move.T @ mixing, step_form, step_cost, start_form, start_cost


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


def _steady_information(move: Array, drive: Array, steps: int) -> Array:
    """Information about the state after seeing a sample and all later ones, in the steady state; unit noise."""
    seen = np.zeros((3, 3))
    seen[0, 0] = 1.0
    information = np.zeros_like(drive)
    for _ in range(steps):
        updated = information + seen
        information = move.T @ np.linalg.inv(np.eye(3) + updated @ drive) @ updated @ move
        information = 0.5 * (information + information.transpose(0, 2, 1))
    return information + seen


def _quadratic(covariance: Array, information: Array) -> tuple[Array, Array]:
    """Form and cost of ln of the integral over a state of that covariance: 1/2 e'C(I + HC)^-1 e - 1/2 ln|I + HC|."""
    inner = np.eye(3) + information @ covariance
    form = 0.5 * covariance @ np.linalg.inv(inner)
    packed = np.stack(
        [form[:, 0, 0], form[:, 1, 1], form[:, 2, 2]]
        + [form[:, i, j] + form[:, j, i] for i, j in ((0, 1), (0, 2), (1, 2))],
        axis=1,
    )
    return packed, 0.5 * np.log(np.linalg.det(inner))
