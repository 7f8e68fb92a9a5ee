from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decussa.estimate.recruitment import fit_recruitment
from decussa.model.errors import UsageError

LEVELS = np.linspace(40, 80, 9)


def _responses(
    seed: int, levels: np.ndarray = LEVELS, *, s50: float = 56.0, k: float = 4.0, spread: float = 0.5, each: int = 8
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Invented sizes of a Hill curve, with a noise of about 15 µV: not the curve and not the noise that is fitted."""
    random = np.random.default_rng(seed)
    intensity = np.repeat(levels, each).astype(float)
    steepness = s50 / k
    size = 3000 / (1 + (s50 / intensity) ** steepness) * np.exp(spread * random.standard_normal(intensity.size))
    noise = 15 * np.exp(0.15 * random.standard_normal(intensity.size))
    return intensity, size, noise


def test_the_curve_is_found_from_raw_and_from_corrected_sizes() -> None:
    intensity, size, noise = _responses(1)
    raw = fit_recruitment(intensity, size + noise)
    corrected = fit_recruitment(intensity, np.where(size > noise, size, 0.0), noise_uv=noise)
    for curve in (raw, corrected):
        assert curve.reason == ""
        assert curve.s50.low < 56 < curve.s50.high
        assert curve.mep_max.low < 3000 < curve.mep_max.high
        assert curve.s50.high - curve.s50.low < 8
    assert math.isnan(corrected.floor_uv)


def test_derived_quantities_fit_together() -> None:
    intensity, size, noise = _responses(2)
    curve = fit_recruitment(intensity, size + noise)
    assert curve.slope.value == pytest.approx(curve.mep_max.value / (4 * curve.k.value), rel=1e-9)
    assert curve.threshold.value == pytest.approx(curve.s50.value - 2 * curve.k.value, rel=1e-9)
    assert curve.predict(curve.s50.value) == pytest.approx(curve.mep_max.value / 2, rel=1e-9)


def test_the_band_surrounds_the_curve_and_meets_the_plateau() -> None:
    intensity, size, noise = _responses(3)
    curve = fit_recruitment(intensity, size + noise)
    at = np.array([45.0, 55.0, 65.0, 200.0])
    low, high = curve.band(at)
    assert np.all(low < curve.predict(at))
    assert np.all(curve.predict(at) < high)
    assert (low[-1], high[-1]) == pytest.approx((curve.mep_max.low, curve.mep_max.high), rel=1e-3)


def test_a_plateau_that_was_not_reached_is_said_and_not_invented() -> None:
    intensity, size, noise = _responses(4, np.arange(40, 58, 3), s50=68, each=10)
    curve = fit_recruitment(intensity, size + noise)
    assert curve.mep_max.high == math.inf
    assert curve.s50.high == math.inf
    assert math.isfinite(curve.s50.low)
    assert "plateau not reached up to 55 % MSO" in curve.reason


def test_sizes_that_do_not_depend_on_intensity_have_no_curve() -> None:
    random = np.random.default_rng(5)
    curve = fit_recruitment(np.repeat(LEVELS, 6), 15 * np.exp(0.15 * random.standard_normal(54)))
    assert math.isnan(curve.s50.value)
    assert (curve.s50.low, curve.s50.high) == (-math.inf, math.inf)
    assert curve.reason


def test_no_response_at_all_is_said() -> None:
    curve = fit_recruitment(np.repeat(LEVELS, 6), np.zeros(54), noise_uv=12.0)
    assert math.isnan(curve.mep_max.value)
    assert curve.reason == "no size above the noise up to 80 % MSO"
    assert np.all(np.isnan(curve.predict(LEVELS)))
    assert np.all(np.isnan(curve.band(LEVELS)[0]))


def test_three_intensities_are_too_few() -> None:
    curve = fit_recruitment([40, 50, 60] * 5, [20, 300, 900] * 5)
    assert "3 intensities are too few" in curve.reason
    assert math.isnan(curve.s50.value)


def test_sizes_of_0_without_noise_are_censored_and_that_is_said() -> None:
    intensity, size, noise = _responses(6)
    curve = fit_recruitment(intensity, np.where(size > noise, size, 0.0))
    assert "sizes of 0 censored" in curve.method
    assert curve.s50.low < 56 < curve.s50.high


@pytest.mark.parametrize("bad", [-5.0, math.nan, math.inf])
def test_sizes_that_are_none_are_refused(bad: float) -> None:
    with pytest.raises(UsageError, match="amplitude_uv: value 4"):
        fit_recruitment([40, 50, 60, 70], [10, 20, 30, bad])


def test_unequal_lengths_are_refused() -> None:
    with pytest.raises(UsageError, match="do not fit"):
        fit_recruitment([40, 50, 60, 70], [10, 20, 30])


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.tuples(st.integers(30, 90), st.floats(0.0, 1e4)), max_size=25), st.one_of(st.none(), st.floats(0.1, 50))
)
def test_any_sizes_give_an_ordered_interval_or_a_reason(trials: list[tuple[int, float]], noise: float | None) -> None:
    curve = fit_recruitment([level for level, _ in trials], [size for _, size in trials], noise_uv=noise)
    for estimate in (curve.mep_max, curve.s50, curve.slope, curve.threshold, curve.k):
        if math.isnan(estimate.value) or math.isinf(estimate.high) or math.isinf(estimate.low):
            assert estimate.reason
        else:
            assert estimate.low <= estimate.value <= estimate.high


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 10_000), st.floats(0.01, 100.0))
def test_scaled_sizes_give_the_same_s50_and_a_scaled_plateau(seed: int, factor: float) -> None:
    intensity, size, noise = _responses(seed)
    before, after = fit_recruitment(intensity, size + noise), fit_recruitment(intensity, (size + noise) * factor)
    assert after.s50.value == pytest.approx(before.s50.value, rel=1e-3)
    assert after.mep_max.value == pytest.approx(before.mep_max.value * factor, rel=1e-2)


@pytest.mark.parametrize("given_noise", [True, False])
def test_intervals_hold_their_level_for_invented_people(given_noise: bool) -> None:
    # People whose curve is a Boltzmann curve; plateau, S50, steepness and variability drawn afresh. 300 intervals of each
    # quantity; three binomial errors beside the 93 to 97 % that a profile interval of this size of sample is good for.
    random = np.random.default_rng(40)
    slack = 3 * math.sqrt(0.95 * 0.05 / 300)
    held = {"s50": 0, "mep_max": 0}
    for _ in range(300):
        top, s50, k = random.uniform(1000, 5000), random.uniform(50, 60), random.uniform(2, 6)
        intensity = np.repeat(LEVELS, 8)
        median = top / (1 + np.exp((s50 - intensity) / k))
        size = median * np.exp(random.uniform(0.3, 0.7) * random.standard_normal(intensity.size))
        noise = 15 * np.exp(0.15 * random.standard_normal(intensity.size))
        if given_noise:
            curve = fit_recruitment(intensity, np.where(size > noise, size, 0.0), noise_uv=noise)
        else:
            curve = fit_recruitment(intensity, size + noise)
        held["s50"] += curve.s50.low <= s50 <= curve.s50.high
        held["mep_max"] += curve.mep_max.low <= top <= curve.mep_max.high
    assert all(0.93 - slack < count / 300 < 0.97 + slack for count in held.values()), held


def test_a_plateau_that_was_not_seen_is_open_above_whatever_the_shape_would_make_of_it() -> None:
    # log size rises in a line up to 72 % MSO, then levels off within 20 % MSO: no sigmoid's shape; levels end at 70
    random = np.random.default_rng(8)
    intensity = np.repeat(np.linspace(45, 70, 6), 8)
    size = 50 * np.exp(0.12 * (intensity - 50) + 0.4 * random.standard_normal(intensity.size))
    curve = fit_recruitment(intensity, size, noise_uv=12.0)
    assert curve.mep_max.high == math.inf
    assert "plateau not reached up to 70 % MSO" in curve.mep_max.reason
    assert "plateau not reached" in curve.s50.reason


def test_a_plateau_that_was_seen_is_closed() -> None:
    intensity, size, noise = _responses(9, np.linspace(40, 95, 12), k=3.0, spread=0.3)
    curve = fit_recruitment(intensity, size, noise_uv=noise)
    assert curve.mep_max.low < 3000 < curve.mep_max.high < 3600
    assert curve.mep_max.reason == curve.s50.reason == ""
