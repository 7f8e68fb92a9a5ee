"""How posteriors are widened: closed forms, and intervals over backgrounds that come in bursts."""

import numpy as np
import pytest
from scipy.signal import butter, lfilter, sosfilt
from scipy.stats import norm

from decussa.measuring.doubt import blur, independent_share, quantile, reach_out
from decussa.measuring.latency import model_onsets
from decussa.measuring.onset_posterior import middle

RATE_HZ, ONSET = 5000, 600


def test_white_samples_count_as_themselves():
    rng = np.random.default_rng(1)
    shares = [independent_share(rng.standard_normal(20_000), 0.2) for _ in range(5)]

    assert np.mean(shares) > 0.95


@pytest.mark.parametrize("correlation", [0.5, 0.8])
def test_an_autoregression_of_first_order_counts_by_its_closed_form(correlation):
    """Squares of normal samples correlate by the square of the correlation; Bartlett's sum is then a geometric series."""
    rng = np.random.default_rng(2)
    samples = lfilter([1.0], [1.0, -correlation], rng.standard_normal(400_000))
    lags = np.arange(1, 30)  # 6 ms at 5 kHz, the weights falling to zero over them
    expected = 1 / (1 + 2 * np.sum((1 - lags / 30) * correlation ** (2 * lags)))

    assert independent_share(samples, 0.2) == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize("later", [False, True])
def test_reaching_out_keeps_the_sum_and_moves_the_mean_by_what_it_says(later):
    cells = np.arange(400)
    weights = np.exp(-0.5 * ((cells - (100 if later else 300)) / 4.0) ** 2)
    weights /= weights.sum()
    half = 0.5 * (quantile(weights, 0.84) - quantile(weights, 0.16))
    wide = reach_out(weights, 0.3, 5.0, 0.6, later)
    # a geometric series with mean q / (1 - q), q = exp(-1 / mean of the exponential)
    keep = np.exp(-1 / (5.0 + 0.6 * half))

    assert wide.sum() == pytest.approx(1.0, abs=1e-12)
    moved = 0.3 * keep / (1 - keep)
    assert (cells * (wide - weights)).sum() == pytest.approx(moved if later else -moved, rel=1e-6)
    near = weights[:150] if later else weights[250:]
    assert reach_out(near, 0.3, 50.0, 0.6, later).sum() == pytest.approx(1.0, abs=1e-12)


def test_blurring_adds_the_variance_of_the_bell():
    weights = np.zeros(201)
    weights[100] = 1.0
    out = blur(weights, 5.0)
    cells = np.arange(201) - 100

    assert out.sum() == pytest.approx(1.0, abs=1e-12)
    assert (cells**2 * out).sum() == pytest.approx(25.0, rel=0.05)  # the bell ends at 3 SD


def bursts(rng, n):
    """EMG-like noise whose level wanders within 15 ms, as that of few motor units does; 10 uV RMS."""
    band = butter(2, (20, 400), "bandpass", fs=RATE_HZ, output="sos")
    keep = np.exp(-1 / (0.015 * RATE_HZ))
    level = lfilter([np.sqrt(1 - keep**2)], [1, -keep], rng.standard_normal(n + 2000))[2000:]
    wave = sosfilt(band, rng.standard_normal(n + 1000))[1000:] * np.exp(0.45 * level)
    return 10 * wave / wave.std() + 0.7 * rng.standard_normal(n)


def test_over_bursts_the_interval_holds_the_onset_about_as_often_as_it_says():
    rng = np.random.default_rng(7)
    time_ms = (np.arange(1200) - ONSET) * 1e3 / RATE_HZ
    truth = rng.uniform(15, 30, 300)
    late = np.clip(time_ms - truth[:, None], 0, None) / rng.uniform(1.5, 2.5, (300, 1))
    wave = late**1.5 * np.exp(-late) * (1 - late / 3.5)
    wave *= rng.uniform(600, 2000, (300, 1)) / np.ptp(wave, axis=1, keepdims=True)
    sweeps = wave + np.stack([bursts(rng, 1200) for _ in truth])
    found = model_onsets(sweeps.astype(np.float32), RATE_HZ, ONSET)
    held = (found.low_ms <= truth) & (truth <= found.high_ms)

    assert np.median(np.abs(found.latency_ms - truth)) < 0.5
    # 95 % less three standard errors of a share of 300 is 91.2 %
    assert held.mean() >= 0.912
    assert (found.low_ms <= found.latency_ms).all()
    assert (found.latency_ms <= found.high_ms).all()


@pytest.mark.parametrize(("half_ms", "share"), [(0.05, 0.508), (1.0, 0.585), (4.0, 0.636)])
def test_the_value_of_a_wide_posterior_lies_later_than_its_median(half_ms, share):
    cell_ms = 0.02
    cells = np.arange(4000)
    weights = np.exp(-0.5 * ((cells - 2000) * cell_ms / half_ms) ** 2)
    place = middle(weights / weights.sum(), cell_ms)
    assert place == pytest.approx(2000.5 + half_ms / cell_ms * norm.ppf(share), abs=0.05 * half_ms / cell_ms)
