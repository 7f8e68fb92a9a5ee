"""Building blocks against the certified results of the NIST Statistical Reference Datasets (www.itl.nist.gov/div898/strd)."""

from __future__ import annotations

import pytest

from decussa.estimate.anova import one_way_anova
from decussa.estimate.average import lag_one_autocorrelation, mean, standard_deviation

# NIST StRD, analysis of variance, SiRstv: silicon resistivity by five instruments.
SIRSTV = [
    [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
]


def test_moments_of_numacc1_are_exact() -> None:
    # CER-01: NIST StRD NumAcc1, certified exact values.
    values = [10000001.0, 10000003.0, 10000002.0]
    assert mean(values) == 10000002.0
    assert standard_deviation(values) == 1.0
    assert lag_one_autocorrelation(values) == -0.5


def test_moments_of_numacc4_keep_eight_digits() -> None:
    # CER-02: NIST StRD NumAcc4, certified exact values; 1e-8 is what the decimal data keep in double precision.
    values = [10000000.2] + [10000000.1, 10000000.3] * 500
    assert mean(values) == pytest.approx(10000000.2, rel=1e-8)
    assert standard_deviation(values) == pytest.approx(0.1, rel=1e-8)
    assert lag_one_autocorrelation(values) == pytest.approx(-0.999, rel=1e-8)


def test_f_ratio_of_sirstv() -> None:
    # CER-03: NIST StRD SiRstv.
    table = one_way_anova(SIRSTV)
    assert table.f == pytest.approx(1.18046237440255, rel=1e-8)
    assert (table.between_df, table.within_df) == (4, 20)


def test_sums_of_squares_of_sirstv() -> None:
    # CER-04: NIST StRD SiRstv.
    table = one_way_anova(SIRSTV)
    assert table.between_ss == pytest.approx(0.0511462616, rel=1e-8)
    assert table.within_ss == pytest.approx(0.21663656, rel=1e-8)


def test_residual_spread_and_r_squared_of_sirstv() -> None:
    # CER-05: NIST StRD SiRstv.
    table = one_way_anova(SIRSTV)
    assert table.residual_sd == pytest.approx(0.104076068334656, rel=1e-8)
    assert table.r_squared == pytest.approx(0.190999039051129, rel=1e-8)
