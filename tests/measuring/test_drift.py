"""Drift under a sweep: what its filters leave against the dense Gaussian density of the same model."""

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from decussa.measuring.drift import (
    BEATING,
    CALM,
    GAINS_PER_OCTAVE,
    LEVEL_SIZE,
    SLOPE_SIZE,
    TAIL_SIZES,
    TAILS_MS,
    drift_filters,
    follow_drift,
)

STEP_MS, N = 0.4, 60
FILTERS = drift_filters(1e3 / STEP_MS, N)


def covariance(gain, change):
    """Covariance of N samples: tails, level and slope, a slope that changes at random, unit noise.

    The last term is that of an integrated Wiener process: the integral of (s - u) (t - u) up to the earlier time.
    """
    times = np.arange(N) * STEP_MS
    out = np.zeros((N, N))
    for constant, size in zip(TAILS_MS, TAIL_SIZES, strict=True):
        decay = np.exp(-times / constant)
        out += size**2 * np.outer(decay, decay)
    out += LEVEL_SIZE**2 + SLOPE_SIZE**2 * np.outer(times, times)
    early, late = np.minimum.outer(times, times), np.maximum.outer(times, times)
    out += change * early**2 * (late / 2 - early / 6)
    return gain**2 * out + np.eye(N)


@pytest.mark.parametrize("octaves", [-2, 0, 1])
def test_what_is_left_has_the_density_of_the_model(octaves):
    """A filter that only looks back splits the density of all samples into those of each given the earlier ones."""
    gain = 2.0**octaves
    rng = np.random.default_rng(octaves + 5)
    white = rng.standard_normal(N + 3) + 20.0 * np.exp(-np.arange(N + 3) / 30)
    calm, beating = np.empty(N + 3), np.empty(N + 3)
    costs = follow_drift(white, 3, FILTERS, gain, calm, beating)
    for left, cost, change in zip((calm, beating), costs, (CALM, BEATING), strict=True):
        found = -0.5 * np.sum(left[3:] ** 2) - cost - 0.5 * N * np.log(2 * np.pi)
        expected = multivariate_normal(cov=covariance(gain, change)).logpdf(white[3:])

        assert found == pytest.approx(expected, abs=1e-6)


def test_a_gain_between_two_is_taken_for_the_nearer_and_one_beyond_all_for_the_last():
    white = np.random.default_rng(8).standard_normal(N)
    room = [np.empty(N) for _ in range(2)]

    def costs(gain):
        return follow_drift(white, 0, FILTERS, gain, *room)

    assert costs(2.0 ** (0.4 / GAINS_PER_OCTAVE)) == costs(1.0)
    assert costs(2.0 ** (0.6 / GAINS_PER_OCTAVE)) == costs(2.0 ** (1 / GAINS_PER_OCTAVE))
    assert costs(0.0) == costs(1e-9)
    assert costs(1e9) == costs(1e12)
