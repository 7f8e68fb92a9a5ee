"""Sums over a stretch of samples, held against numpy in double precision."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from decussa.measuring import stretch
from decussa.measuring.filters import smooth_stretch, smoothing_taps

FINITE = arrays(np.float32, st.integers(1, 70), elements=st.floats(-1e6, 1e6, width=32))


@settings(deadline=None)
@given(FINITE, st.floats(-1e3, 1e3))
def test_sums_are_those_of_numpy(samples, level):
    exact = samples.astype(np.float64)

    assert stretch.mean_of(samples) == pytest.approx(exact.mean(), rel=1e-12, abs=1e-8)
    assert stretch.power_about(samples, level) == pytest.approx(((exact - level) ** 2).sum(), rel=1e-12)
    assert stretch.magnitude_about(samples, level) == pytest.approx(np.abs(exact - level).sum(), rel=1e-12)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@settings(deadline=None)
@given(FINITE, st.data())
def test_one_sample_that_is_not_finite_is_seen(bad, samples, data):
    assert stretch.all_finite(samples)
    samples[data.draw(st.integers(0, samples.size - 1))] = bad
    assert not stretch.all_finite(samples)


@pytest.mark.parametrize("rate_hz", [1000, 2000, 4000, 5000, 10_000])
@pytest.mark.parametrize(("start", "stop"), [(0, 300), (50, 200), (100, 300), (3, 297)])
def test_smoothing_is_the_convolution_of_numpy_with_the_sweep_going_on_level(rate_hz, start, stop):
    rng = np.random.default_rng(1)
    row = rng.normal(5, 30, 300).astype(np.float32)
    taps = smoothing_taps(rate_hz)
    half = taps.size // 2
    level = 5.0
    expected = np.convolve(np.pad(row.astype(float) - level, half, mode="edge"), taps.astype(float), "valid")[
        start:stop
    ]
    out = np.empty(stop - start, dtype=np.float32)
    smooth_stretch(row, level, start, stop, taps, out)

    np.testing.assert_allclose(out, expected, atol=2e-4)
