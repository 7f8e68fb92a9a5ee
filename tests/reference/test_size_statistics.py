"""Averages of sizes against exact relations of the log-normal distribution (Johnson, Kotz and Balakrishnan 1994, ch. 14)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from decussa.estimate.average import (
    arithmetic_mean,
    coefficient_of_variation,
    geometric_mean,
    log_spread_of_variation,
    mean_over_median,
    median,
    standard_deviation_of_logs,
    trials_needed,
)

SIZES_MV = [0.5, 1.0, 2.0, 4.0]


def test_spread_of_logs_follows_from_the_coefficient_of_variation() -> None:
    # STA-01: sigma_ln = sqrt(ln(1 + CV^2)), exact; scipy's log-normal is the second witness.
    assert log_spread_of_variation(0.5) == pytest.approx(0.472381, abs=1e-5)
    mean, variance = stats.lognorm.stats(log_spread_of_variation(0.7), moments="mv")
    assert math.sqrt(variance) / mean == pytest.approx(0.7, rel=1e-9)


def test_mean_over_median_follows_from_the_coefficient_of_variation() -> None:
    # STA-02: mean / median = exp(sigma_ln^2 / 2) = sqrt(1 + CV^2), exact.
    assert mean_over_median(0.5) == pytest.approx(1.118034, abs=1e-5)
    law = stats.lognorm(log_spread_of_variation(1.0))
    assert mean_over_median(1.0) == pytest.approx(law.mean() / law.median(), rel=1e-9)


@pytest.mark.parametrize(
    ("variation", "half_width", "trials"), [(0.5, 0.1, 97), (0.5, 0.2, 25), (0.7, 0.15, 84), (0.3, 0.3, 4)]
)
def test_trials_needed_for_a_half_width(variation: float, half_width: float, trials: int) -> None:
    # STA-03: n = ceil((z CV / e)^2), exact.
    assert trials_needed(variation, half_width) == trials


def test_geometric_mean_of_four_doublings() -> None:
    # STA-04: (0.5 x 1 x 2 x 4)^(1/4) = sqrt(2), exact.
    assert geometric_mean(SIZES_MV).value == pytest.approx(math.sqrt(2), abs=1e-6)


def test_spread_of_four_doublings() -> None:
    # STA-05: SD of ln and its exponential, from the definition.
    spread = standard_deviation_of_logs(SIZES_MV)
    assert spread == pytest.approx(0.894849, abs=1e-6)
    assert math.exp(spread) == pytest.approx(2.446967, abs=1e-6)
    assert coefficient_of_variation(SIZES_MV) == pytest.approx(0.82552, abs=1e-5)


def test_t_interval_of_a_mean_is_that_of_scipy() -> None:
    values = np.random.default_rng(4).normal(22, 1.5, 13)
    low, high = stats.ttest_1samp(values, 0.0).confidence_interval(0.95)
    mean = arithmetic_mean(values)
    assert (mean.low, mean.high) == pytest.approx((low, high), rel=1e-12)


def test_interval_of_a_geometric_mean_is_the_t_interval_of_the_logs() -> None:
    values = np.random.default_rng(5).lognormal(6, 0.5, 20)
    low, high = stats.ttest_1samp(np.log(values), 0.0).confidence_interval(0.95)
    mean = geometric_mean(values)
    assert (mean.value, mean.low, mean.high) == pytest.approx(
        (stats.gmean(values), math.exp(low), math.exp(high)), rel=1e-12
    )


@pytest.mark.parametrize("n", [6, 9, 20, 31])
def test_interval_of_a_median_is_that_of_the_exact_quantile_test(n: int) -> None:
    values = np.random.default_rng(n).normal(22, 1.5, n)
    test = stats.quantile_test(values, p=0.5, q=22)
    interval = test.confidence_interval(0.95)
    estimate = median(values)
    assert (estimate.low, estimate.high) == (interval.low, interval.high)


def test_censored_mean_is_that_of_scipys_censored_fit() -> None:
    # Cohen 1959 censored normal: scipy.stats.CensoredData is an independent implementation.
    random = np.random.default_rng(6)
    sizes = random.lognormal(math.log(60), 0.8, 30)
    noise = 40.0
    below = sizes <= noise
    assert 5 < below.sum() < 20
    data = stats.CensoredData(uncensored=np.log(sizes[~below]), left=np.full(below.sum(), math.log(noise)))
    centre, _ = stats.norm.fit(data)
    assert geometric_mean(sizes, noise).value == pytest.approx(math.exp(centre), rel=1e-3)
