from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decussa.estimate.ratio import RatioMethod, paired_ratio, ratio
from decussa.model.errors import UsageError

METHODS: tuple[RatioMethod, ...] = ("log-t", "fieller", "log-delta", "geometric", "bootstrap")
sizes = st.lists(st.floats(10.0, 5000.0), min_size=2, max_size=15)


@pytest.mark.parametrize("method", METHODS[:4])
@given(conditioned=sizes, test=sizes, factor=st.floats(0.01, 100.0))
def test_scaling_all_sizes_leaves_the_ratio_alone(
    method: RatioMethod, conditioned: list[float], test: list[float], factor: float
) -> None:
    before = ratio(conditioned, test, method=method)
    after = ratio(np.array(conditioned) * factor, np.array(test) * factor, method=method)
    assert after.value == pytest.approx(before.value, rel=1e-9)
    assert after.low == pytest.approx(before.low, rel=1e-6, abs=1e-9)


def test_scaling_all_sizes_leaves_the_bootstrap_alone() -> None:
    random = np.random.default_rng(1)
    conditioned, test = random.lognormal(5, 0.5, 12), random.lognormal(6, 0.5, 12)
    before, after = ratio(conditioned, test, method="bootstrap"), ratio(conditioned * 3, test * 3, method="bootstrap")
    assert (after.value, after.low, after.high) == pytest.approx((before.value, before.low, before.high), rel=1e-9)


@pytest.mark.parametrize("method", METHODS)
def test_the_ratio_of_a_condition_to_itself_is_1_and_inside_its_interval(method: RatioMethod) -> None:
    values = np.random.default_rng(2).lognormal(6, 0.5, 12)
    found = ratio(values, values, method=method)
    assert found.value == pytest.approx(1.0, rel=1e-12)
    assert found.low < 1 < found.high


@pytest.mark.parametrize("method", METHODS)
def test_the_estimand_is_said(method: RatioMethod) -> None:
    found = ratio([1.0, 2.0, 3.0], [2.0, 3.0, 4.0], method=method)
    assert ("geometric means" if method == "geometric" else "arithmetic means") in found.method
    assert found.n == 6


def test_the_bootstrap_names_its_seed_and_repeats_itself() -> None:
    random = np.random.default_rng(3)
    conditioned, test = random.lognormal(5, 0.5, 10), random.lognormal(6, 0.5, 10)
    assert ratio(conditioned, test, method="bootstrap", seed=7) == ratio(conditioned, test, method="bootstrap", seed=7)
    assert "seed 7" in ratio(conditioned, test, method="bootstrap", seed=7).method


@pytest.mark.parametrize("method", METHODS[:2])
def test_a_test_size_not_clearly_above_0_opens_the_interval_and_says_so(method: RatioMethod) -> None:
    found = ratio([5.0, 6.0, 5.5], [0.0, 0.0, 30.0], method=method)
    assert found.high == math.inf
    assert math.isfinite(found.low)
    assert "unbounded" in found.reason
    assert found.low < found.value


@pytest.mark.parametrize(("method", "lowest"), [("log-t", 0.0), ("fieller", -math.inf)])
def test_nothing_is_excluded_where_neither_mean_is_clearly_above_0(method: RatioMethod, lowest: float) -> None:
    found = ratio([0.0, 0.0, 10.0], [0.0, 0.0, 30.0], method=method)
    assert (found.low, found.high) == (lowest, math.inf)
    assert "not clearly above 0" in found.reason


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize(
    ("conditioned", "test", "why"),
    [([], [1.0, 2.0], "no conditioned trial"), ([1.0, 2.0], [], "no unconditioned trial")],
)
def test_an_empty_condition_has_no_ratio(
    method: RatioMethod, conditioned: list[float], test: list[float], why: str
) -> None:
    found = ratio(conditioned, test, method=method)
    assert math.isnan(found.value)
    assert found.reason == why


@pytest.mark.parametrize("method", METHODS)
def test_nothing_is_divided_by_0(method: RatioMethod) -> None:
    found = ratio([1.0, 2.0], [0.0, 0.0], method=method)
    assert math.isnan(found.value)
    assert "0" in found.reason


@pytest.mark.parametrize("method", METHODS)
def test_one_trial_gives_a_ratio_without_interval(method: RatioMethod) -> None:
    found = ratio([2.0], [4.0, 4.0, 4.0], method=method)
    assert found.value == pytest.approx(0.5)
    assert math.isnan(found.low)
    assert "one trial" in found.reason


def test_sizes_of_0_have_no_geometric_ratio() -> None:
    assert "2 sizes are 0" in ratio([0.0, 0.0, 1.0], [1.0, 2.0], method="geometric").reason


@pytest.mark.parametrize("bad", [-1.0, math.nan, math.inf])
def test_sizes_that_are_none_are_refused(bad: float) -> None:
    with pytest.raises(UsageError, match="conditioned_uv: value 2"):
        ratio([1.0, bad], [1.0, 2.0])


def test_an_unknown_method_is_refused() -> None:
    with pytest.raises(UsageError, match="Method of the ratio"):
        ratio([1.0], [1.0], method="guess")  # type: ignore[arg-type]


def test_second_responses_must_pair_up_with_first_ones() -> None:
    with pytest.raises(UsageError, match="pair up"):
        paired_ratio([1.0, 2.0], [1.0])


def test_a_constant_paired_ratio_is_known_exactly() -> None:
    first = np.array([100.0, 150.0, 120.0, 80.0])
    found = paired_ratio(0.3 * first, first)
    assert (found.low, found.high) == pytest.approx((0.3, 0.3), abs=1e-6)


def _coverage(method: RatioMethod, variations: tuple[float, float], n: tuple[int, int], repeats: int) -> float:
    """Share of intervals that hold the truth of the method's own estimand, log-normal sizes."""
    random = np.random.default_rng(30)
    spreads = [math.sqrt(math.log1p(variation**2)) for variation in variations]
    arithmetic = 0.0 if method == "geometric" else 1.0
    held = 0
    for _ in range(repeats):
        sizes = [
            random.lognormal(-arithmetic * spread**2 / 2, spread, count)
            for spread, count in zip(spreads, n, strict=True)
        ]
        found = ratio(0.4 * sizes[0], sizes[1], method=method)
        held += found.low <= 0.4 <= found.high
    return held / repeats


@pytest.mark.parametrize(
    ("variations", "n"),
    [((0.5, 0.5), (10, 10)), ((0.8, 0.8), (20, 20)), ((0.8, 0.5), (10, 20)), ((0.5, 0.8), (20, 10))],
)
def test_intervals_of_the_default_hold_93_to_97_percent(variations: tuple[float, float], n: tuple[int, int]) -> None:
    # The method is approximate here, hence a range; beside it three binomial errors of 1500 intervals.
    slack = 3 * math.sqrt(0.95 * 0.05 / 1500)
    assert 0.93 - slack < _coverage("log-t", variations, n, 1500) < 0.97 + slack


def test_pooled_degrees_of_freedom_cost_fieller_its_level_and_it_says_so() -> None:
    assert _coverage("fieller", (0.8, 0.5), (10, 20), 1500) < _coverage("log-t", (0.8, 0.5), (10, 20), 1500)
    assert "less than 95 %" in ratio([1.0, 2.0], [2.0, 3.0], method="fieller").method


def test_geometric_intervals_of_log_normal_sizes_hold_their_level() -> None:
    assert abs(_coverage("geometric", (0.7, 0.5), (12, 18), 1500) - 0.95) < 3 * math.sqrt(0.95 * 0.05 / 1500)


def test_a_ratio_of_nothing_has_no_limit_on_the_log_scale():
    found = ratio([0.0, 0.0, 0.0], [400.0, 500.0, 600.0])

    assert found.value == 0.0
    assert math.isnan(found.low)
    assert math.isnan(found.high)
    assert "no interval" in found.reason
