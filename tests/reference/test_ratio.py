"""Ratios of paired-pulse sizes against worked examples, exact relations and scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize, stats

from decussa.estimate.ratio import paired_ratio, percent_inhibition, ratio
from decussa.estimate.tracking import tracked_inhibition

# Worked example, computed by hand from the formulas of Fieller 1954 (doi 10.1111/j.2517-6161.1954.tb00159.x): T 1.0, C 0.4,
# squared standard errors 0.005 and 0.00125, t(8) 2.306004.
TEST_MV = [1.0, 1.2, 0.8, 1.1, 0.9]
CONDITIONED_MV = [0.40, 0.50, 0.30, 0.45, 0.35]


def test_ratio_of_means_and_its_inhibition() -> None:
    # PP-01: exact.
    value = ratio(CONDITIONED_MV, TEST_MV).value
    assert value == pytest.approx(0.4, abs=1e-12)
    assert percent_inhibition(value) == pytest.approx(60, abs=1e-10)


def test_fieller_limits_of_the_worked_example() -> None:
    # PP-02: Fieller 1954.
    found = ratio(CONDITIONED_MV, TEST_MV, method="fieller")
    assert (found.low, found.high) == pytest.approx((0.304538, 0.517313), abs=1e-5)


def test_fieller_limits_are_where_a_t_test_just_fails() -> None:
    # PP-03 from its meaning: with g = t^2 v / T^2 = 0.0265883, the limits are the ratios r at which the statistic
    # (C - r T) / sqrt(vC + r^2 vT) equals t(8); solved here by root finding, not by the quadratic formula.
    t = stats.t.ppf(0.975, 8)
    assert t**2 * 0.005 == pytest.approx(0.0265883, abs=1e-6)
    found = ratio(CONDITIONED_MV, TEST_MV, method="fieller")

    def excess(r: float) -> float:
        return abs(0.4 - r) / math.sqrt(0.00125 + r * r * 0.005) - float(t)

    assert found.low == pytest.approx(optimize.brentq(excess, 0.0, 0.4), rel=1e-9)
    assert found.high == pytest.approx(optimize.brentq(excess, 0.4, 2.0), rel=1e-9)


def test_log_delta_limits_of_the_worked_example() -> None:
    # PP-04: delta method on the log scale, computed by hand.
    found = ratio(CONDITIONED_MV, TEST_MV, method="log-delta")
    assert (found.low, found.high) == pytest.approx((0.308106, 0.519302), abs=1e-5)


def test_geometric_ratio_of_the_worked_example() -> None:
    # PP-05: exact; the interval is that of scipy's Welch test of the logarithms.
    found = ratio(CONDITIONED_MV, TEST_MV, method="geometric")
    welch = stats.ttest_ind(np.log(CONDITIONED_MV), np.log(TEST_MV), equal_var=False).confidence_interval(0.95)
    assert found.value == pytest.approx(0.397654, abs=1e-5)
    assert (found.low, found.high) == pytest.approx((math.exp(welch.low), math.exp(welch.high)), rel=1e-9)


def test_threshold_tracking_gives_inhibition_in_percent() -> None:
    # PP-06: exact, 100 (58.5 - 52) / 52.
    assert tracked_inhibition(52.0, 58.5) == pytest.approx(12.5, abs=1e-9)


def test_bootstrap_agrees_with_scipys_bca() -> None:
    # Both ends carry Monte Carlo error: 2 % of the ratio is above five standard errors at 9999 resamples each.
    random = np.random.default_rng(8)
    conditioned, test = random.lognormal(-0.9, 0.5, 15), random.lognormal(0, 0.5, 18)
    theirs = stats.bootstrap(
        (conditioned, test), lambda c, t, axis: c.mean(axis) / t.mean(axis), vectorized=True, method="BCa", rng=1
    ).confidence_interval
    ours = ratio(conditioned, test, method="bootstrap", seed=3)
    assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high), rel=0.02)


def test_paired_limits_are_where_a_paired_t_test_just_fails() -> None:
    # Fieller for paired values: r is inside where scipy's one-sample t test of second - r first keeps p above 0.05.
    random = np.random.default_rng(9)
    first = random.lognormal(0, 0.4, 12)
    second = 0.4 * first * random.lognormal(0, 0.3, 12)
    found = paired_ratio(second, first)
    for end in (found.low, found.high):
        assert stats.ttest_1samp(second - end * first, 0.0).pvalue == pytest.approx(0.05, abs=1e-9)


def test_log_t_limits_join_two_student_intervals() -> None:
    # Zou and Donner 2008 (doi 10.1002/sim.3095, from memory): squares of the distances of both limits add up. Each
    # distance is scipy's Student interval of the mean, as a share of the mean, on the log scale.
    distances = []
    for sizes in (CONDITIONED_MV, TEST_MV):
        interval = stats.ttest_1samp(sizes, 0.0).confidence_interval(0.95)
        distances.append((interval.high - interval.low) / 2 / np.mean(sizes))
    found = ratio(CONDITIONED_MV, TEST_MV)
    assert math.log(found.high / found.value) == pytest.approx(math.hypot(*distances), rel=1e-9)
    assert found.low * found.high == pytest.approx(found.value**2, rel=1e-9)
