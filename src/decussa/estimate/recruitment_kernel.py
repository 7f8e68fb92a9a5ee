"""The likelihood of a recruitment curve on the log scale, and its minimiser.

Model, for trial i at intensity s_i:

    m(s) = MEPmax / (1 + exp((S50 - s) / k))                       median response
    ln y_i ~ Normal(ln(m_i + f), q_i^2 sigma^2 + (1 - q_i)^2 tau^2),    q_i = m_i / (m_i + f)

The response varies by a factor (sigma), the floor f that recording noise adds varies by its own (tau). Where the noise
of each trial is known, f is 0 and a size at or below that noise is censored: it counts with the probability of lying
below. Parameters are p0, p1, ln k, ln sigma, ln f, ln tau; the ``view`` says what p0 and p1 stand for, so that each
quantity of interest is a coordinate and can be held while the others are fitted (a profile).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.estimate.compiled import compiled

Values = NDArray[np.float64]

#: ln of the standard normal density at 0.
LOG_ROOT_TWO_PI = 0.9189385332046727


@compiled
def soft_step(x: float) -> float:
    """Return ln(1 + e^x)."""
    if x > 35.0:
        return x
    if x < -35.0:
        return math.exp(x)
    return math.log1p(math.exp(x))


@compiled
def rise(x: float) -> float:
    """Return 1 / (1 + e^-x)."""
    if x >= 0:
        return 1.0 / (1.0 + math.exp(-x))
    e = math.exp(x)
    return e / (1.0 + e)


@compiled
def log_below(z: float) -> float:
    """Return ln Phi(z), by its continued tail where Phi underflows."""
    if z > -25.0:
        return math.log(0.5 * math.erfc(-z / math.sqrt(2.0)))
    square = 1.0 / (z * z)
    return -0.5 * z * z - LOG_ROOT_TWO_PI - math.log(-z) + math.log1p(-square + 3.0 * square * square)


@compiled
def plain_parameters(p: Values, view: Values) -> tuple[float, float, float]:
    """Return (ln MEPmax, S50, k) from parameters under ``view`` = (c, d, s0, e).

    S50 = p1 + c k; ln MEPmax = p0 + d ln k + e S50, plus ln(1 + exp((S50 - s0) / k)) where s0 is finite, so that p0 is then
    the log of the response at s0.
    """
    k = math.exp(p[2])
    s50 = p[1] + view[0] * k
    top = p[0] + view[1] * p[2] + view[3] * s50
    if math.isfinite(view[2]):
        top += soft_step((s50 - view[2]) / k)
    return top, s50, k


@compiled
def cost(p: Values, view: Values, held: int, rows: Values, grad: Values, info: Values) -> float:
    """Return the negative log likelihood; fill its gradient and a positive information matrix.

    ``held`` is the coordinate kept fixed, -1 for none. ``p`` has 4 entries without a floor and 6 with one. ``rows`` has
    shape (5, n): intensity, number of trials, mean and variance of their log sizes, and 1 where the row is a single
    censored trial, whose noise then stands for the mean. Trials of one intensity share a row: their sum of squares about
    any value follows from mean and variance, so nothing is approximated.
    """
    n_par = p.size
    top, s50, k = plain_parameters(p, view)
    spread = math.exp(p[3])
    floor = n_par == 6
    log_f = p[4] if floor else -math.inf
    tau = math.exp(p[5]) if floor else 1.0
    grad[:] = 0.0
    info[:, :] = 0.0
    d_mean = np.zeros(n_par)
    d_log_sd = np.zeros(n_par)
    anchor = 0.0
    h = 0.0
    if math.isfinite(view[2]):
        h = (s50 - view[2]) / k
        anchor = rise(h)
    total = 0.0
    for i in range(rows.shape[1]):
        g = (s50 - rows[0, i]) / k
        log_m = top - soft_step(g)
        low = rise(g)
        slope1 = (anchor - low) / k + view[3]
        slope2 = view[1] + view[3] * view[0] * k + anchor * (view[0] - h) - low * (view[0] - g)
        if floor:
            q = rise(log_m - log_f)
            mean = max(log_m, log_f) + math.log1p(math.exp(-abs(log_m - log_f)))
            variance = (q * spread) ** 2 + ((1.0 - q) * tau) ** 2
            d_q = q * (1.0 - q) * (q * spread * spread - (1.0 - q) * tau * tau) / variance
            d_mean[0], d_mean[1], d_mean[2], d_mean[4] = q, q * slope1, q * slope2, 1.0 - q
            d_log_sd[0], d_log_sd[1], d_log_sd[2], d_log_sd[4] = d_q, d_q * slope1, d_q * slope2, -d_q
            d_log_sd[3] = (q * spread) ** 2 / variance
            d_log_sd[5] = ((1.0 - q) * tau) ** 2 / variance
            sd = math.sqrt(variance)
        else:
            mean = log_m
            sd = spread
            d_mean[0], d_mean[1], d_mean[2] = 1.0, slope1, slope2
            d_log_sd[3] = 1.0
        z = (rows[2, i] - mean) / sd
        if rows[4, i] > 0.0:
            below = log_below(z)
            total -= below
            ratio = math.exp(-0.5 * z * z - LOG_ROOT_TWO_PI - below)
            weight = ratio * (ratio + z)
            for a in range(n_par):
                pull_a = d_mean[a] / sd + z * d_log_sd[a]
                grad[a] += ratio * pull_a
                for b in range(a + 1):
                    info[a, b] += weight * pull_a * (d_mean[b] / sd + z * d_log_sd[b])
        else:
            n = rows[1, i]
            squares = n * z * z + n * rows[3, i] / (sd * sd)
            total += 0.5 * squares + n * math.log(sd)
            inv = n / (sd * sd)
            for a in range(n_par):
                grad[a] += -n * z * d_mean[a] / sd + (n - squares) * d_log_sd[a]
                for b in range(a + 1):
                    info[a, b] += inv * d_mean[a] * d_mean[b] + 2.0 * n * d_log_sd[a] * d_log_sd[b]
    for a in range(n_par):
        for b in range(a):
            info[b, a] = info[a, b]
    if held >= 0:
        grad[held] = 0.0
        info[held, :] = 0.0
        info[:, held] = 0.0
        info[held, held] = 1.0
    return total


@compiled
def solve(matrix: Values, right: Values) -> None:
    """Solve a small symmetric positive system in place: ``right`` becomes the solution (elimination with pivots)."""
    n = right.size
    for c in range(n):
        pivot = c
        for r in range(c + 1, n):
            if abs(matrix[r, c]) > abs(matrix[pivot, c]):
                pivot = r
        if pivot != c:
            for j in range(n):
                matrix[c, j], matrix[pivot, j] = matrix[pivot, j], matrix[c, j]
            right[c], right[pivot] = right[pivot], right[c]
        for r in range(c + 1, n):
            factor = matrix[r, c] / matrix[c, c]
            for j in range(c, n):
                matrix[r, j] -= factor * matrix[c, j]
            right[r] -= factor * right[c]
    for c in range(n - 1, -1, -1):
        for j in range(c + 1, n):
            right[c] -= matrix[c, j] * right[j]
        right[c] /= matrix[c, c]


@compiled
def minimise(
    start: Values, view: Values, held: int, rows: Values, lower: Values, upper: Values, found: Values
) -> float:
    """Fill ``found`` with the parameters of least cost within the bounds, from ``start``; return that cost.

    Fisher scoring, damped as by Marquardt 1963 (doi 10.1137/0111030); a coordinate at its bound is held while the cost
    pulls it outwards.
    """
    n_par = start.size
    grad, info = np.zeros(n_par), np.zeros((n_par, n_par))
    try_grad, try_info = np.zeros(n_par), np.zeros((n_par, n_par))
    matrix, step, trial = np.zeros((n_par, n_par)), np.zeros(n_par), start.copy()
    found[:] = start
    for a in range(n_par):
        if a != held:
            found[a] = min(max(found[a], lower[a]), upper[a])
    best = cost(found, view, held, rows, grad, info)
    damping = 1e-3
    quiet = 0
    for _ in range(300):
        matrix[:, :] = info
        for a in range(n_par):
            at_bound = (found[a] <= lower[a] and grad[a] > 0) or (found[a] >= upper[a] and grad[a] < 0)
            if a != held and at_bound:
                matrix[a, :] = 0.0
                matrix[:, a] = 0.0
                matrix[a, a] = 1.0
                grad[a] = 0.0
            else:
                matrix[a, a] = matrix[a, a] * (1.0 + damping) + 1e-9
        step[:] = grad
        solve(matrix, step)
        for a in range(n_par):
            trial[a] = found[a]
            if a != held:
                trial[a] = min(max(found[a] - min(max(step[a], -20.0), 20.0), lower[a]), upper[a])
        value = cost(trial, view, held, rows, try_grad, try_info)
        if value < best:
            gain = best - value
            best = value
            found[:] = trial
            grad[:] = try_grad
            info[:, :] = try_info
            damping = max(damping * 0.2, 1e-9)
            quiet = quiet + 1 if gain < 1e-9 * (1.0 + abs(best)) else 0
            if quiet >= 2:
                break
        else:
            damping *= 8.0
            if damping > 1e9:
                break
    return best
