"""Estimates joined over sites, against a published set of studies."""

from __future__ import annotations

import numpy as np
import pytest

from decussa.pool.meta import join, without_each

# Colditz et al. 1994, JAMA 271:698: vaccine against tuberculosis, thirteen trials, cases and others with and without it;
# data from memory.
CASES = [4, 6, 3, 62, 33, 180, 8, 505, 29, 17, 186, 5, 27]
OTHERS = [119, 300, 228, 13536, 5036, 1361, 2537, 87886, 7470, 1699, 50448, 2493, 16886]
CASES_0 = [11, 29, 11, 248, 47, 372, 10, 499, 45, 65, 141, 3, 29]
OTHERS_0 = [128, 274, 209, 12619, 5761, 1079, 619, 87892, 7232, 1600, 27197, 2338, 17825]


def log_risks() -> tuple[np.ndarray, np.ndarray]:
    a, b, c, d = (np.array(column, dtype=float) for column in (CASES, OTHERS, CASES_0, OTHERS_0))
    return np.log(a / (a + b) / (c / (c + d))), np.sqrt(1 / a - 1 / (a + b) + 1 / c - 1 / (c + d))


def test_spread_between_trials_and_its_interval() -> None:
    # Viechtbauer 2010, J Stat Softw 36(3), doi 10.18637/jss.v036.i03: Q 152.2330; Q-profile interval of the variance 0.1197 to
    # 1.1115, of I squared 81.92 to 97.68 % (values from memory).
    joined = join(*log_risks())
    assert joined.q == pytest.approx(152.2330, abs=1e-4)
    assert (joined.spread.low**2, joined.spread.high**2) == pytest.approx((0.1197, 1.1115), abs=1e-4)
    assert (joined.i_squared.low, joined.i_squared.high) == pytest.approx((81.92, 97.68), abs=5e-3)


def test_the_mean_is_that_of_a_reference_library() -> None:
    library = pytest.importorskip("statsmodels.stats.meta_analysis")
    values, errors = log_risks()
    theirs = library.combine_effects(values, errors**2, method_re="iterated", use_t=True)
    joined = join(values, errors)
    assert joined.spread.value**2 == pytest.approx(theirs.tau2, rel=1e-4)
    assert joined.mean.value == pytest.approx(theirs.mean_effect_re, rel=1e-5)
    # Hartung and Knapp's standard error.
    assert joined.error == pytest.approx(theirs.sd_eff_w_re_hksj, rel=1e-4)


def test_members_alike_have_no_spread_between_them() -> None:
    joined = join([0.10, 0.12, 0.11], [0.1, 0.1, 0.1])
    assert joined.spread.value == 0
    assert joined.spread.low == 0
    assert joined.q_p > 0.9


def test_leaving_out_the_odd_one_changes_the_mean() -> None:
    without = without_each([0.1, 0.12, 0.09, 0.9], [0.05] * 4)
    assert without[3].value == pytest.approx(0.31 / 3, abs=1e-9)
    assert all(one.value > 0.3 for one in without[:3])
