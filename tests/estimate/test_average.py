from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from decussa.estimate.average import arithmetic_mean, geometric_mean, median, standard_deviation_of_logs
from decussa.model.errors import UsageError

sizes = st.lists(st.floats(1.0, 1e4), min_size=3, max_size=30)


@given(sizes, st.floats(0.01, 100.0))
def test_every_average_of_scaled_sizes_is_the_scaled_average(values: list[float], factor: float) -> None:
    for average in (arithmetic_mean, geometric_mean, median):
        before, after = average(values), average(np.array(values) * factor)
        assert after.value == pytest.approx(before.value * factor, rel=1e-9)
        assert after.high == pytest.approx(before.high * factor, rel=1e-6)


@given(sizes)
def test_the_geometric_mean_is_never_above_the_arithmetic_mean(values: list[float]) -> None:
    assert geometric_mean(values).value <= arithmetic_mean(values).value * (1 + 1e-12)


@given(sizes)
def test_noise_below_every_size_changes_nothing(values: list[float]) -> None:
    assert geometric_mean(values, 0.5) == geometric_mean(values)


def test_no_value_gives_nan_and_says_so() -> None:
    for average in (arithmetic_mean, geometric_mean, median):
        assert math.isnan(average([]).value)
        assert average([]).reason == "no value"


def test_one_value_has_no_interval() -> None:
    assert arithmetic_mean([3.0]).value == 3.0
    assert math.isnan(arithmetic_mean([3.0]).low)
    assert geometric_mean([3.0]).value == pytest.approx(3.0)
    assert geometric_mean([3.0]).reason == "one value has no interval"


def test_a_median_of_five_is_open_at_both_ends() -> None:
    found = median([20.0, 21.0, 22.0, 23.0, 24.0])
    assert (found.value, found.low, found.high) == (22.0, -math.inf, math.inf)
    assert "6 needed" in found.reason


def test_a_size_below_the_noise_counts_as_below_it_and_not_as_measured() -> None:
    measured = [200.0, 300.0, 250.0, 400.0, 150.0]
    tiny, zero = geometric_mean([*measured, 1e-6], 20.0), geometric_mean([*measured, 0.0], 20.0)
    assert tiny == zero
    assert geometric_mean([*measured, 1e-6]).value < zero.value < geometric_mean(measured).value
    assert "1 of 6" in zero.reason


def test_nothing_above_the_noise_leaves_only_an_upper_end() -> None:
    found = geometric_mean([0.0, 3.0, 0.0], [12.0, 15.0, 10.0])
    assert math.isnan(found.value)
    assert (found.low, found.high) == (0.0, 15.0)
    assert "every size is below the noise" in found.reason


def test_sizes_of_0_without_a_noise_level_have_no_geometric_mean() -> None:
    found = geometric_mean([0.0, 100.0, 200.0])
    assert math.isnan(found.value)
    assert "1 sizes are 0" in found.reason
    assert math.isnan(standard_deviation_of_logs([0.0, 100.0]))


@pytest.mark.parametrize("bad", [[-1.0, 2.0], [math.nan, 2.0], [math.inf, 2.0]])
def test_sizes_that_are_none_are_refused(bad: list[float]) -> None:
    with pytest.raises(UsageError, match="sizes: value 1"):
        geometric_mean(bad)


def test_noise_of_another_length_is_refused() -> None:
    with pytest.raises(UsageError, match="do not fit"):
        geometric_mean([1.0, 2.0, 3.0], [0.1, 0.2])


def test_the_censored_interval_holds_its_level_where_a_third_is_censored() -> None:
    # Log-normal sizes, median 60, noise 45: about a third below. Binomial error of 600 intervals: 0.9 %, three of them.
    random = np.random.default_rng(20)
    held = sum(
        found.low <= 60 <= found.high
        for found in (geometric_mean(random.lognormal(math.log(60), 0.6, 20), 45.0) for _ in range(600))
    )
    assert abs(held / 600 - 0.95) < 3 * math.sqrt(0.95 * 0.05 / 600)


def test_leaving_the_censored_sizes_out_would_be_biased() -> None:
    # The mistake that censoring avoids, so that the test above is not an easy one.
    random = np.random.default_rng(21)
    kept = np.concatenate([draw[draw > 45] for draw in random.lognormal(math.log(60), 0.6, (100, 20))])
    assert stats.gmean(kept) > 75
