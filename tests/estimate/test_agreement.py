"""Agreement of two raters, against the papers' own data and reference libraries."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decussa.estimate.agreement import (
    absolute_agreement,
    cross_table,
    kappa,
    limits_of_agreement,
    observed_agreement,
)
from decussa.model.errors import UsageError

# Shrout and Fleiss 1979, Psychol Bull 86:420, table 2: six targets by four judges.
SHROUT_FLEISS = [(9, 2, 5, 8), (6, 1, 3, 2), (8, 4, 6, 8), (7, 1, 2, 6), (10, 5, 6, 9), (6, 2, 4, 7)]
# Bland and Altman 1986, Lancet 327:307, table 1: peak flow in l/min, first readings of two meters.
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]

VERDICTS = ("accept", "doubtful", "reject")


@pytest.mark.parametrize(
    ("table", "value", "low", "high"),
    [
        # statsmodels 0.15.0, stats.inter_rater.cohens_kappa: kappa, kappa_low, kappa_upp.
        ([[88, 10, 2], [14, 40, 6], [18, 10, 12]], 0.49152542372881347, 0.3915637020535469, 0.59148714540408),
        ([[9, 1, 0], [2, 3, 1], [0, 1, 2]], 0.5518867924528301, 0.23059421749321773, 0.8731793674124425),
        ([[44, 5], [2, 49]], 0.8597756410256411, 0.7597820113719728, 0.9597692706793095),
    ],
)
def test_kappa_and_its_interval_are_those_of_a_reference_library(table, value, low, high):
    found = kappa(table)
    assert (found.value, found.low, found.high) == pytest.approx((value, low, high), abs=1e-12)
    assert found.n == np.sum(table)


def test_kappa_of_raters_who_never_differ_is_one_and_claims_no_interval():
    found = kappa([[12, 0], [0, 5]])
    assert found.value == 1
    assert math.isnan(found.low)
    assert "never differ" in found.reason


def test_kappa_is_not_known_where_both_use_one_category():
    found = kappa([[17, 0], [0, 0]])
    assert math.isnan(found.value)
    assert "one category" in found.reason


def test_kappa_claims_no_interval_where_one_rater_uses_one_category():
    found = kappa([[19, 9], [0, 0]])
    assert found.value == 0
    assert math.isnan(found.low)
    assert "one rater" in found.reason


def test_marks_that_differ_by_the_same_everywhere_have_no_interval():
    found = limits_of_agreement([20.0, 21.1, 22.2], [20.5, 21.6, 22.7])
    assert found.bias.value == pytest.approx(-0.5)
    assert math.isnan(found.upper.low)


def test_the_order_of_the_raters_does_not_matter_to_kappa():
    table = np.array([[9, 1, 0], [2, 3, 1], [0, 1, 2]])
    assert kappa(table) == kappa(table.T)


@given(st.lists(st.tuples(st.sampled_from(VERDICTS), st.sampled_from(VERDICTS)), min_size=1, max_size=60))
def test_kappa_lies_within_its_interval_and_within_its_bounds(pairs):
    table = cross_table([one for one, _ in pairs], [other for _, other in pairs], VERDICTS)
    assert table.sum() == len(pairs)
    found = kappa(table)
    if not math.isnan(found.low):
        assert -1 <= found.low <= found.value <= found.high <= 1
    assert observed_agreement(table).value == pytest.approx(sum(a == b for a, b in pairs) / len(pairs))


def test_icc_is_that_of_the_paper_and_its_interval_that_of_a_reference_library():
    found = absolute_agreement(SHROUT_FLEISS)
    # Shrout and Fleiss print .29; pingouin 0.7.0 intraclass_corr, ICC(A,1): 0.289764 [0.02, 0.76].
    assert found.value == pytest.approx(0.289764, abs=1e-6)
    assert (round(found.low, 2), round(found.high, 2)) == (0.02, 0.76)


def test_icc_counts_a_constant_difference_of_raters_as_error():
    # pingouin 0.7.0 intraclass_corr, ICC(A,1) of invented onsets in ms: 0.98562467 [0.81, 1.0].
    one = [24.1, 14.9, 20.8, 18.9, 19.1, 19.6, 16.0, 19.5, 18.3, 26.6, 20.5, 19.3]
    other = [24.4, 15.0, 20.7, 19.1, 19.7, 19.9, 16.9, 19.8, 18.7, 27.8, 21.2, 19.4]
    found = absolute_agreement(np.column_stack([one, other]))
    assert found.value == pytest.approx(0.98562467, abs=1e-8)
    assert (round(found.low, 2), round(found.high, 2)) == (0.81, 1.0)
    shifted = absolute_agreement(np.column_stack([one, np.array(one) + 3]))
    assert shifted.value < 0.9


def test_icc_of_raters_who_never_differ_is_one_and_claims_no_interval():
    marks = np.array([20.0, 21.0, 22.0, 20.3])
    found = absolute_agreement(np.column_stack([marks, marks]))
    assert found.value == 1
    assert math.isnan(found.low)
    # The same up to rounding of the floats.
    assert absolute_agreement(np.column_stack([marks, marks * 3 / 3 + 1e-15])).value == 1


def test_limits_of_agreement_are_those_of_the_paper():
    found = limits_of_agreement(LARGE, MINI)
    # The paper: mean difference -2.1, SD 38.8, interval of the bias -22.0 to 17.8.
    assert (round(found.bias.value, 1), round(found.sd, 1)) == (-2.1, 38.8)
    assert (round(found.bias.low, 1), round(found.bias.high, 1)) == (-22.0, 17.8)
    # The paper's limits are bias ± 2 SD; with 1.96 SD they are -78.097302 and 73.862007 (computed by hand).
    assert found.lower.value == pytest.approx(-78.0973, abs=2e-3)
    assert found.upper.value == pytest.approx(73.8620, abs=2e-3)
    # Standard error of a limit, sqrt(3 SD²/n) = 16.284612, times t(16) = 2.119905.
    assert found.upper.high - found.upper.value == pytest.approx(16.284612 * 2.119905, rel=1e-5)


def test_two_marks_are_too_few_for_limits_and_say_so():
    found = limits_of_agreement([17.0, 18.0], [17.5, 18.0])
    assert math.isnan(found.bias.value)
    assert "cannot tell" in found.bias.reason


def test_raters_of_different_trials_are_refused():
    with pytest.raises(UsageError, match="judged different trials"):
        cross_table(["accept"], [], VERDICTS)
    with pytest.raises(UsageError, match="Category is not known"):
        cross_table(["accept"], ["fine"], VERDICTS)
