"""Exponentials and logarithms for vector units, held against numpy's."""

import numpy as np

from decussa.measuring.exponential import exponential_single, exponentials, logarithms


def test_it_is_numpys_within_a_millionth_of_the_value_and_far_closer_near_zero():
    logs = np.concatenate([np.linspace(-79.9, 0, 20_001), [-80.5, -1e300, -np.inf, -0.0]])
    out = np.empty(logs.size)
    exponentials(logs, out)
    expected = np.where(logs > -80, np.exp(logs), 0.0)

    np.testing.assert_allclose(out, expected, rtol=1e-6)
    near = logs >= -1
    np.testing.assert_allclose(out[near], expected[near], rtol=1e-11)


def test_in_single_precision_it_is_numpys_within_what_such_a_number_holds():
    logs = np.concatenate([np.linspace(-79.9, 79.9, 2_001), [-80.5, -1e30, -np.inf, np.nan]]).astype(np.float32)
    found = np.array([exponential_single(log) for log in logs])
    with np.errstate(invalid="ignore"):
        expected = np.where(logs > -80, np.exp(logs.astype(np.float64)), 0.0)

    # a rounding of the logarithm grows with it
    np.testing.assert_allclose(found, expected, rtol=1e-5)
    near = np.abs(logs) <= 1
    np.testing.assert_allclose(found[near], expected[near], rtol=3e-7)


def test_logarithms_are_numpys():
    values = np.exp(np.linspace(-600, 600, 20_001))
    out = np.empty(values.size)
    logarithms(values, out)

    np.testing.assert_allclose(out, np.log(values), rtol=1e-13, atol=1e-13)
