"""Level, power, neighbours and extremes of a stretch in one pass, held against numpy in double precision."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from decussa.measuring.extent import extremes, span_of
from decussa.measuring.moments import level_and_steps, moments

FINITE = arrays(np.float32, st.integers(2, 70), elements=st.floats(-1e6, 1e6, width=32))


@settings(deadline=None)
@given(FINITE)
def test_extremes_are_those_of_numpy(samples):
    assert extremes(samples) == (samples.min(), samples.max())
    assert span_of(samples) == np.ptp(samples.astype(np.float64))


@settings(deadline=None)
@given(FINITE)
def test_moments_are_those_of_numpy_about_the_mean(samples):
    exact = samples.astype(np.float64)
    about = exact - exact.mean()
    scale = ((exact - exact[0]) ** 2).sum() + 1e-300

    mean, power, lean = moments(samples)

    assert mean == pytest.approx(exact.mean(), rel=1e-12, abs=1e-8)
    assert power == pytest.approx((about**2).sum(), rel=1e-12, abs=1e-12 * scale)
    assert lean == pytest.approx((about[1:] * about[:-1]).sum(), rel=1e-12, abs=1e-12 * scale)


@settings(deadline=None)
@given(FINITE)
def test_level_and_steps_are_those_of_numpy(samples):
    exact = samples.astype(np.float64)
    scale = np.abs(exact - exact[1]).max()

    level, rms, step_rms, largest = level_and_steps(samples)

    assert level == pytest.approx(exact[1:].mean(), rel=1e-12, abs=1e-8)
    assert rms == pytest.approx(exact[1:].std(), rel=1e-6, abs=1e-6 * scale + 1e-300)
    assert step_rms == pytest.approx(np.sqrt((np.diff(exact) ** 2).mean()), rel=1e-12)
    assert largest == np.abs(np.diff(samples)).max()


@pytest.mark.parametrize("offset", [0.0, 3e4, -1e5])
def test_a_constant_has_no_power_wherever_it_lies(offset):
    flat = np.full(451, offset, dtype=np.float32)

    assert moments(flat) == (offset, 0.0, 0.0)
    assert level_and_steps(flat) == (offset, 0.0, 0.0, 0.0)


def test_noise_of_a_microvolt_on_a_large_offset_keeps_its_power():
    noise = np.round(np.random.default_rng(1).standard_normal(451) * 64) / 64
    on_offset = (noise + 1e5).astype(np.float32)

    assert moments(on_offset)[1] == pytest.approx(451 * noise.var(), rel=1e-12)
