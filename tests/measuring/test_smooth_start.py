"""The family of smooth starts: its filters against dense Gaussian densities, and what is left out of a posterior."""

import math

import numpy as np
import pytest
from scipy.linalg import expm
from scipy.stats import multivariate_normal

from decussa.measuring.onset_kernel import (
    BLOCK,
    LEFT_OUT,
    ROW,
    add_starts,
    best_jump,
    find_tops,
    likely_size,
    look_back,
)
from decussa.measuring.smooth_start import LANES, LOOK, MEMBERS, ORDERS, SIZES, STARTS, TIME_CONSTANTS_MS, start_family

RATE_HZ = 5000.0
STEP_MS = 1e3 / RATE_HZ
FAMILY = start_family(RATE_HZ, 0.1)


def dense_covariance(order, constant_ms, size, jumps, place, n):
    """Covariance of n samples of a response of variance size^2, by matrix exponentials of its state equation.

    The state is 0 at an onset (place + 1/2) / places samples before the first sample, but for the derivatives that jump.
    """
    companion = np.eye(order, k=1)
    companion[-1] = [-math.comb(order, column) for column in range(order)]
    spread = np.diag([1.0, 1.0]) if order == 2 else np.array([[1, 0, -1 / 3], [0, 1 / 3, 0], [-1 / 3, 0, 1]])
    jumping = [j for j in range(order) if jumps[j]]
    start = np.zeros((order, order))
    if jumping:
        # of a normal distribution given that the others are 0: the inverse of a block of the precision
        start[np.ix_(jumping, jumping)] = np.linalg.inv(np.linalg.inv(spread)[np.ix_(jumping, jumping)])
    times = (np.arange(n) + (place + 0.5) / FAMILY.places) * STEP_MS / constant_ms
    moves = np.stack([expm(companion * time) for time in times])
    lags = np.array([(expm(companion * STEP_MS / constant_ms * lag) @ spread)[0, 0] for lag in range(n)])
    away = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    out = lags[away] - moves[:, 0] @ (spread - start) @ moves[:, 0].T
    return size**2 * out


def scores(white, size):
    """Log likelihoods of all samples of all members if the onset lies just before the first one: jump, and other starts."""
    tape, filters = np.empty((white.size + 2) * ROW), FAMILY.filters[size]
    look_back(white, filters, tape)
    first, second = tape[: 2 * ROW].reshape(2, 4, MEMBERS)
    e = np.einsum("abm,bm->am", filters[LOOK:].reshape(3, 3, MEMBERS), second[:3])
    e[0] += white[0]
    roots = FAMILY.start_root[size].reshape(-1, 6, LANES)[..., :MEMBERS]
    costs = FAMILY.start_cost[size, :, :MEMBERS]
    length = (
        (roots[:, 0] * e[0] + roots[:, 1] * e[1] + roots[:, 2] * e[2]) ** 2
        + (roots[:, 3] * e[1] + roots[:, 4] * e[2]) ** 2
        + (roots[:, 5] * e[2]) ** 2
    )
    return -first[3] - costs[-1], -first[3] - costs[:-1] - length


@pytest.mark.parametrize("size", [3, 6])
@pytest.mark.parametrize("member", [0, 2, 3, 4])
def test_starts_compare_with_a_jump_as_dense_gaussian_densities_do(size, member):
    """A jump is the stationary process; the other starts have less variance after the onset."""
    order, constant_ms = ORDERS[member // 3], TIME_CONSTANTS_MS[member % 3]
    n = 100
    white = np.random.default_rng(member).standard_normal(n)
    white[:40] += SIZES[size - 1] * np.sin(np.arange(40) / 4)  # the first members are one octave below the likely size
    jump, other = scores(white, size)
    flat = multivariate_normal(cov=dense_covariance(order, constant_ms, SIZES[size - 1], (1, 1, 1), 0, n) + np.eye(n))
    for kind, jumps in enumerate(STARTS):
        if order == 2 and jumps == (0.0, 0.0, 1.0):
            continue  # there is no curvature to jump
        share = math.log(2.0) if order == 2 and not any(jumps) else 0.0  # from rest counts for both
        for place in range(FAMILY.places):
            covariance = dense_covariance(order, constant_ms, SIZES[size - 1], jumps, place, n) + np.eye(n)
            expected = multivariate_normal(cov=covariance).logpdf(white) - flat.logpdf(white)
            found = other[kind * FAMILY.places + place, member] - jump[member] - share
            assert found == pytest.approx(expected, abs=1e-5 * max(1.0, abs(expected)))


@pytest.mark.parametrize("member", [1, 5])
def test_one_sample_more_adds_the_log_density_of_it_given_those_after_it(member):
    size, n = 5, 120
    white = 4.0 * np.random.default_rng(9).standard_normal(n)
    order, constant_ms = ORDERS[member // 3], TIME_CONSTANTS_MS[member % 3]
    covariance = dense_covariance(order, constant_ms, SIZES[size - 1], (1, 1, 1), 0, n) + np.eye(n)
    expected = multivariate_normal(cov=covariance).logpdf(white) - multivariate_normal(cov=covariance[1:, 1:]).logpdf(
        white[1:]
    )
    normal_at_zero = -0.5 * math.log(2 * math.pi)

    assert scores(white, size)[0][member] - scores(white[1:], size)[0][member] == pytest.approx(
        expected - normal_at_zero, abs=1e-6
    )


@pytest.mark.parametrize("strength", [0.0, 1.0, 3.0, 30.0])
@pytest.mark.parametrize("power", [1.0, 0.4])
def test_what_is_left_out_of_a_posterior_holds_nothing(strength, power):
    rng = np.random.default_rng(3)
    n, count = 275, 200
    white = rng.standard_normal(n)
    white[80:150] += strength * np.sin(np.arange(70) / 9)
    before = np.where(np.arange(n) < count, np.concatenate([[0.0], np.cumsum(-0.5 * white**2)[:-1]]), -np.inf)
    size = likely_size(white, 0, RATE_HZ, len(SIZES))
    tape, tops = np.empty((n + 2) * ROW), np.empty(count // BLOCK * MEMBERS)
    look_back(white, FAMILY.filters[size], tape)
    find_tops(tape, before, tops)
    reached = best_jump(tops, FAMILY.filters[size])
    weights, whole = np.empty(count * FAMILY.places), np.empty(count * FAMILY.places)
    add_starts(white, tape, before, tops, FAMILY, size, reached, LEFT_OUT, power, weights)
    add_starts(white, tape, before, tops, FAMILY, size, reached, 0.0, power, whole)

    assert 0.5 * np.abs(weights - whole).sum() < LEFT_OUT
    assert weights.sum() == pytest.approx(1.0, abs=1e-12)


def test_the_best_jump_is_that_of_all_samples_and_members():
    rng = np.random.default_rng(4)
    n, size = 8 * BLOCK, 6
    white = rng.standard_normal(n)
    white[50:90] += 5.0
    before = np.concatenate([[0.0], np.cumsum(-0.5 * white**2)[:-1]])
    tape, tops = np.empty((n + 2) * ROW), np.empty(n // BLOCK * MEMBERS)
    look_back(white, FAMILY.filters[size], tape)
    find_tops(tape, before, tops)
    every = [before[k] + scores(white[k:], size)[0].max() for k in range(n)]

    assert best_jump(tops, FAMILY.filters[size]) == pytest.approx(max(every), abs=1e-5)
