"""From the curve of greatest likelihood to the ends of a profile interval: the search, compiled."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.estimate.compiled import compiled
from decussa.estimate.recruitment_kernel import cost, minimise, solve

Values = NDArray[np.float64]

#: Differences of the negative log likelihood below this are no second valley.
SAME_RISE = 0.01


@compiled
def fit_from(starts: Values, view: Values, rows: Values, lower: Values, upper: Values, best: Values) -> float:
    """Fill ``best`` with the parameters of greatest likelihood from any of ``starts`` (one a row); return their cost."""
    least = math.inf
    found = np.empty(starts.shape[1])
    for i in range(starts.shape[0]):
        value = minimise(starts[i], view, -1, rows, lower, upper, found)
        if value < least - 1e-9:
            least = value
            best[:] = found
    return least


@compiled
def follow_ridge(at: Values, view: Values, held: int, rows: Values) -> Values:
    """Return how the other parameters follow the held one where the information is greatest, per unit of it."""
    n = at.size
    info = np.zeros((n, n))
    cost(at, view, -1, rows, np.empty(n), info)
    trace = 0.0
    for a in range(n):
        trace += info[a, a]
    direction = -info[:, held].copy()
    for a in range(n):
        info[held, a] = 0.0
        info[a, held] = 0.0
        info[a, a] += 1e-9 * trace + 1e-12
    info[held, held] = 1.0
    direction[held] = 0.0
    solve(info, direction)
    return direction


@compiled
def cost_at(
    value: float, near: Values, view: Values, held: int, rows: Values, lower: Values, upper: Values, solved: Values
) -> float:
    """Return the least cost with the coordinate held at ``value``; fill ``solved`` with where it is.

    Two first guesses: the neighbour's solution, and that solution moved along the ridge of the likelihood. Alone, the
    first can lose the ridge (a far S50 needs a far plateau), the second can overshoot it.
    """
    guess = near + follow_ridge(near, view, held, rows) * (value - near[held])
    guess[held] = value
    least = minimise(guess, view, held, rows, lower, upper, solved)
    guess[:] = near
    guess[held] = value
    other = np.empty(near.size)
    plain = minimise(guess, view, held, rows, lower, upper, other)
    if plain < least:
        solved[:] = other
        return plain
    return least


@compiled
def cost_from_centre(
    value: float, centre: Values, view: Values, held: int, rows: Values, lower: Values, upper: Values, solved: Values
) -> float:
    """Return the least cost with the coordinate held at ``value`` as found afresh, from curves of several steepnesses or places.

    A likelihood of few trials can have two valleys; following one outwards can miss that the other has become the lower.
    """
    guess, other = np.empty(centre.size), np.empty(centre.size)
    least = math.inf
    for turn in range(-2, 2):
        guess[:] = centre
        if held == 2:
            guess[1] += turn * math.exp(centre[2])
        else:
            guess[2] += turn
        guess[held] = value
        found = minimise(guess, view, held, rows, lower, upper, other)
        if found < least:
            least = found
            solved[:] = other
    return least


@compiled
def likely_distance(at: Values, allowed: float, view: Values, held: int, rows: Values) -> float:
    """Return how far the end of the interval would lie if the likelihood were Gaussian: se sqrt(2 allowed)."""
    n = at.size
    info = np.zeros((n, n))
    cost(at, view, -1, rows, np.empty(n), info)
    for a in range(n):
        info[a, a] = info[a, a] * (1.0 + 1e-9) + 1e-12
    unit = np.zeros(n)
    unit[held] = 1.0
    solve(info, unit)
    return math.sqrt(2.0 * allowed * max(unit[held], 0.0))


@compiled
def profile_end(
    centre: Values, least: float, allowed: float, side: int, first_step: float, furthest: float,
    view: Values, held: int, rows: Values, lower: Values, upper: Values,
) -> float:  # fmt: skip
    """Return where the least cost has risen by ``allowed``; infinite where it has not at ``furthest``.

    The first step goes where a Gaussian likelihood would end, not beyond a few ``first_step``; steps double outwards until
    the limit is passed.
    """
    inside, outside, other = centre.copy(), np.empty(centre.size), np.empty(centre.size)
    inner_rise, step = 0.0, first_step
    expected = likely_distance(centre, allowed, view, held, rows)
    if math.isfinite(expected):
        step = min(max(1.1 * expected, 0.1 * first_step), first_step)
    for _ in range(60):
        outer = inside[held] + side * step
        if side * (outer - furthest) >= 0:
            outer = furthest
        rise = cost_at(outer, inside, view, held, rows, lower, upper, outside) - least
        if rise >= allowed:
            end = between(inside, inner_rise, outside, rise, least, allowed, view, held, rows, lower, upper)
            rise = cost_from_centre(end, centre, view, held, rows, lower, upper, other) - least
            if rise >= allowed - SAME_RISE:
                return end
            outside[:] = other
            outer = end
        if outer == furthest:
            break
        inner_rise = rise
        inside[:] = outside
        step *= 2.0
    return float(side * math.inf)


@compiled
def between(
    inside: Values, inner_rise: float, outside: Values, outer_rise: float, least: float, allowed: float,
    view: Values, held: int, rows: Values, lower: Values, upper: Values,
) -> float:  # fmt: skip
    """Return where the rise meets ``allowed`` between two solutions, by false position on its root (nearly linear).

    Guesses lie on the line between both solutions. An end that stays has its value halved (the Illinois variant).
    """
    target = math.sqrt(allowed)
    fa, fb = math.sqrt(max(inner_rise, 0.0)) - target, math.sqrt(outer_rise) - target
    solved = np.empty(inside.size)
    middle = outside[held]
    last = 0
    for _ in range(40):
        a, b = inside[held], outside[held]
        share = fa / (fa - fb) if fa != fb else 0.5
        middle = a + share * (b - a)
        guess = inside + share * (outside - inside)
        guess[held] = middle
        value = minimise(guess, view, held, rows, lower, upper, solved)
        f = math.sqrt(max(value - least, 0.0)) - target
        if abs(f) < 1e-4 or abs(b - a) < 1e-7:
            break
        if f < 0:
            fa = f
            inside[:] = solved
            fb *= 0.5 if last < 0 else 1.0
            last = -1
        else:
            fb = f
            outside[:] = solved
            fa *= 0.5 if last > 0 else 1.0
            last = 1
    return float(middle)
