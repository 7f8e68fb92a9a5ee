"""Onset latency held against closed forms and published latencies."""

import numpy as np
import pytest
from scipy.special import ndtri
from scipy.stats import halfnorm

from decussa.measuring.classical_onsets import rectified_threshold
from decussa.measuring.m_wave import peripheral_latency
from decussa.model.muscle import muscle_and_side


def half_normal(n):
    """A sample of the half-normal distribution of SD 1 that has its moments: its own quantiles."""
    return np.abs(ndtri((np.arange(n) + 0.5) / n))


@pytest.mark.parametrize(("k", "threshold"), [(2, 2.003506), (3, 2.606316)])
def test_the_rectified_threshold_of_white_noise_is_the_half_normals_mean_plus_k_sd(k, threshold):
    """LAT-01. Closed form: mean sqrt(2/pi), SD sqrt(1 - 2/pi) of a half-normal distribution."""
    assert rectified_threshold(half_normal(4_000_000), k) == pytest.approx(threshold, abs=1e-5)


@pytest.mark.parametrize(("k", "share"), [(2, 0.045123), (3, 0.009152)])
def test_the_share_of_noise_above_it_is_that_of_the_half_normal(k, share):
    """LAT-02. Closed form, with scipy's half-normal distribution as the reference library."""
    assert halfnorm.sf(rectified_threshold(half_normal(4_000_000), k)) == pytest.approx(share, abs=1e-5)


@pytest.mark.parametrize(
    ("muscle", "mean_ms", "sd_ms", "source"),
    [
        ("LES", 20.8, 1.5, "LAT-03: Taniguchi 1999, doi 10.1097/00007632-199901150-00014"),
        ("FDI", 19.5, 1.45, "LAT-04: Cantone 2019, doi 10.3389/fnhum.2019.00185"),
    ],
)
def test_the_window_of_a_muscle_holds_its_published_latencies(muscle, mean_ms, sd_ms, source):
    start, end = muscle_and_side(muscle)[0].window_ms

    assert start <= mean_ms - 3 * sd_ms, source
    assert mean_ms + 3 * sd_ms <= end, source


def test_the_peripheral_latency_follows_from_f_wave_and_m_wave():
    """LAT-05. (26.0 + 3.6 - 1) / 2: Groppa 2012, doi 10.1016/j.clinph.2012.01.010."""
    assert peripheral_latency(26.0, 3.6) == pytest.approx(14.3, abs=1e-9)
