"""Intervals of a share against the worked examples of Newcombe 1998 (Stat Med 17:857).

The printed four digits are carried on to five by recomputation from the same formulas; scipy is the second witness.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from decussa.estimate.binomial import clopper_pearson, wilson


def test_wilson_interval_of_81_of_263() -> None:
    # BIN-01: Newcombe 1998, table I.
    share = wilson(81, 263)
    assert (share.low, share.high) == pytest.approx((0.25529, 0.36621), abs=1e-5)


def test_clopper_pearson_interval_of_81_of_263() -> None:
    # BIN-02: Newcombe 1998, table I.
    share = clopper_pearson(81, 263)
    assert (share.low, share.high) == pytest.approx((0.25274, 0.36762), abs=1e-5)


def test_five_of_ten_leaves_the_share_between_a_quarter_and_three_quarters() -> None:
    # BIN-03: exact formula of Wilson 1927, doi 10.1080/01621459.1927.10502953.
    share = wilson(5, 10)
    assert (share.low, share.high) == pytest.approx((0.23659, 0.76341), abs=1e-5)


def test_wilson_interval_of_none_of_twenty() -> None:
    # BIN-04: Newcombe 1998, table I.
    share = wilson(0, 20)
    assert share.low == 0.0
    assert share.high == pytest.approx(0.16113, abs=1e-5)


def test_clopper_pearson_interval_of_none_of_ten() -> None:
    # BIN-05: exact, 1 - 0.025^(1/10).
    assert clopper_pearson(0, 10).high == pytest.approx(1 - 0.025**0.1, rel=1e-12)
    assert clopper_pearson(0, 10).high == pytest.approx(0.30850, abs=1e-5)


@given(st.integers(1, 300).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_both_intervals_are_those_of_scipy(case: tuple[int, int]) -> None:
    count, n = case
    test = stats.binomtest(count, n)
    for ours, theirs in (
        (wilson(count, n), test.proportion_ci(0.95, method="wilson")),
        (clopper_pearson(count, n), test.proportion_ci(0.95, method="exact")),
    ):
        assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high), abs=1e-10)
