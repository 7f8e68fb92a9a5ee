"""Range of noise against published tables and a reference library.

Sources: the distribution of the range is Tippett 1925, Biometrika 17:364, doi 10.1093/biomet/17.3-4.364. The table of d2 and
d3 is the one of control-chart manuals (ASTM Manual on Presentation of Data and Control Chart Analysis, MNL 7), d3 in four
decimals recomputed from the formula, because circulating copies hold misprints. The studentised range with infinite degrees of
freedom is scipy's.
"""

import math

import numpy as np
import pytest
from scipy import signal, stats

from decussa.measuring.noise import (
    LEVEL,
    crossing_probability,
    independence,
    known_means,
    mean_range,
    range_cdf,
    range_mean,
    range_quantile,
    range_sd,
)
from decussa.model.errors import UsageError

# ASTM-type table of d2, three decimals, n = 2 to 25
D2 = (
    1.128, 1.693, 2.059, 2.326, 2.534, 2.704, 2.847, 2.970, 3.078, 3.173, 3.258, 3.336,
    3.407, 3.472, 3.532, 3.588, 3.640, 3.689, 3.735, 3.778, 3.819, 3.858, 3.895, 3.931,
)  # fmt: skip


def test_noi_01_two_samples_span_two_over_root_pi():
    assert range_mean(2) == pytest.approx(1.12838, abs=1e-5)
    assert range_mean(2) == pytest.approx(2 / math.sqrt(math.pi), abs=1e-9)


def test_noi_02_and_03_ten_and_twenty_five_samples_span_what_the_table_says():
    assert range_mean(10) == pytest.approx(3.07751, abs=1e-5)
    assert range_mean(25) == pytest.approx(3.93063, abs=1e-5)


@pytest.mark.parametrize(("n", "table"), list(enumerate(D2, start=2)))
def test_noi_04_the_whole_column_of_d2_is_met(n, table):
    assert range_mean(n) == pytest.approx(table, abs=5e-4)


def test_noi_05_the_spread_of_the_range_is_d3():
    assert range_sd(5) == pytest.approx(0.8641, abs=1e-4)
    assert range_sd(20) == pytest.approx(0.7287, abs=1e-4)


def test_noi_06_long_windows_follow_the_same_integral():
    # the integral of 1 - Phi^n - (1 - Phi)^n, evaluated to five decimals
    assert range_mean(100) == pytest.approx(5.01519, abs=1e-4)
    assert range_mean(250) == pytest.approx(5.63837, abs=1e-4)


def test_noi_07_ten_microvolts_of_noise_pass_for_a_response_of_fifty_half_the_time():
    # P(range of 100 samples >= 5 sigma), from the distribution of the range
    assert 1 - range_cdf(50 / 10, 100) == pytest.approx(0.4785, abs=1e-3)


def test_noi_08_the_distribution_is_the_studentised_range_of_known_spread():
    assert range_cdf(5, 60) == pytest.approx(0.732672, abs=1e-5)
    for q, n in ((1.0, 3), (3.5, 20), (5.0, 60), (6.2, 150)):
        assert range_cdf(q, n) == pytest.approx(stats.studentized_range.cdf(q, n, np.inf), abs=1e-7)


def test_noi_09_its_upper_five_per_cent_point_for_ten_samples_is_the_tabled_one():
    # q(0.05; 10, infinite df) of tables of the studentised range: 4.47
    assert range_quantile(0.95, 10) == pytest.approx(4.474124, abs=1e-5)


def test_means_between_those_that_are_kept_agree_with_the_integral():
    for n in (2.0, 7.3, 33.0, 480.0):
        assert mean_range(n, known_means()) == pytest.approx(range_mean(n), abs=1e-3)
    assert np.isnan(mean_range(np.nan, known_means()))


def test_crossings_are_those_of_the_bivariate_normal_distribution():
    # reference: scipy's bivariate normal; P(X <= u < Y) = Phi(u) - P(X <= u, Y <= u)
    for level, correlation in ((0.0, 0.5), (1.0, 0.9), (2.4, 0.0), (2.4, 0.97)):
        both = stats.multivariate_normal([0, 0], [[1, correlation], [correlation, 1]]).cdf([level, level])
        assert crossing_probability(level, correlation) == pytest.approx(stats.norm.cdf(level) - both, abs=2e-6)


def test_independent_samples_count_as_themselves():
    assert 1 + 136 * independence(0.0) == pytest.approx(137.0, abs=1e-6)


def test_leaning_samples_count_as_so_many_that_stay_below_a_level_with_the_same_probability():
    # by definition, with scipy's normal distribution: P(stay) of a neighbour over that of an independent one
    for correlation in np.linspace(0.0, 0.9999, 40):
        stay = 1 - crossing_probability(LEVEL, correlation) / stats.norm.cdf(LEVEL)
        expected = np.log(stay) / stats.norm.logcdf(LEVEL)
        assert independence(correlation) == pytest.approx(expected, abs=1e-11)


@pytest.mark.parametrize(("low_hz", "high_hz", "rate_hz"), [(20, 450, 2000), (20, 450, 5000), (10, 1000, 5000)])
def test_band_limited_noise_spans_what_its_effective_samples_say(low_hz, high_hz, rate_hz):
    # outside truth: the mean range over windows of 30 ms of noise that scipy made
    sections = signal.butter(4, [low_hz, min(high_hz, 0.45 * rate_hz)], "bandpass", fs=rate_hz, output="sos")
    noise = signal.sosfilt(sections, np.random.default_rng(8).standard_normal(600_000))[5000:]
    noise /= noise.std()
    n = round(0.03 * rate_hz)
    ranges = np.ptp(noise[: noise.size // n * n].reshape(-1, n), axis=1)
    count = 1 + (n - 1) * independence(float(np.mean(noise[1:] * noise[:-1])))

    assert range_mean(count) == pytest.approx(ranges.mean(), rel=0.02)


@pytest.mark.parametrize("n", [1, 0, -3, math.nan, math.inf])
def test_a_range_of_fewer_than_two_samples_is_refused(n):
    with pytest.raises(UsageError, match="range needs samples"):
        range_mean(n)
