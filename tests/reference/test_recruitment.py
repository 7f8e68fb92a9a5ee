"""Recruitment curves against certified values (NIST StRD, nonlinear regression) and against lmfit."""

from __future__ import annotations

import math

import lmfit
import numpy as np
import pytest
from scipy import stats

from decussa.estimate.logistic import boltzmann, fit_generalised_logistic, fit_logistic
from decussa.estimate.recruitment import fit_recruitment

# NIST StRD Rat42 (www.itl.nist.gov/div898/strd/nls/data/ratkowsky2.shtml): pasture yield against growing time.
RAT42_X = [9, 14, 21, 28, 42, 57, 63, 70, 79]
RAT42_Y = [8.930, 10.800, 18.590, 22.330, 39.350, 56.110, 61.730, 64.620, 67.080]
RAT42 = (72.462237576, 2.6180768402, 0.067359200066)
RAT42_STARTS = [None, (100.0, 1.0, 0.1), (75.0, 2.5, 0.07)]
# NIST StRD Rat43 (.../ratkowsky3.shtml): dry weight of onions against growing time.
RAT43_X = list(range(1, 16))
RAT43_Y = [
    16.08, 33.83, 65.80, 97.20, 191.55, 326.20, 386.87, 520.53, 590.03, 651.92, 724.93, 699.56, 689.96, 637.56, 717.41,
]  # fmt: skip
RAT43 = (699.64151270, 5.2771253025, 0.75962938329, 1.2792483859)
RAT43_STARTS = [(100.0, 10.0, 1.0, 1.0), (700.0, 5.0, 0.75, 1.3)]


@pytest.mark.parametrize("start", RAT42_STARTS)
def test_rat42_parameters(start: tuple[float, float, float] | None) -> None:
    # IO-01 and IO-02: certified parameters and standard errors.
    fit = fit_logistic(RAT42_X, RAT42_Y, start=start)
    assert fit.parameters == pytest.approx(RAT42, rel=1e-6)
    assert fit.standard_errors == pytest.approx((1.7340283401, 0.088295217536, 0.0034465663377), rel=1e-5)


@pytest.mark.parametrize("start", RAT42_STARTS)
def test_rat42_residuals(start: tuple[float, float, float] | None) -> None:
    # IO-03: certified residual sum of squares and residual standard deviation.
    fit = fit_logistic(RAT42_X, RAT42_Y, start=start)
    assert fit.rss == pytest.approx(8.0565229338, rel=1e-8)
    assert fit.residual_sd == pytest.approx(1.1587725499, rel=1e-8)


@pytest.mark.parametrize("start", RAT43_STARTS)
def test_rat43_parameters(start: tuple[float, float, float, float]) -> None:
    # IO-04 and IO-05: certified parameters and standard errors.
    fit = fit_generalised_logistic(RAT43_X, RAT43_Y, start=start)
    assert fit.parameters == pytest.approx(RAT43, rel=1e-6)
    assert fit.standard_errors == pytest.approx((16.302297817, 2.0828735829, 0.19566123451, 0.68761936385), rel=1e-5)


@pytest.mark.parametrize("start", RAT43_STARTS)
def test_rat43_residuals(start: tuple[float, float, float, float]) -> None:
    # IO-06: certified; the certificate prints 9 degrees of freedom, its residual standard deviation needs 11.
    fit = fit_generalised_logistic(RAT43_X, RAT43_Y, start=start)
    assert fit.rss == pytest.approx(8786.4049080, rel=1e-8)
    assert fit.residual_sd == pytest.approx(28.262414662, rel=1e-8)


def test_rat42_as_a_boltzmann_curve() -> None:
    # IO-07 to IO-09: exact transformations of the certified values.
    curve = boltzmann(fit_logistic(RAT42_X, RAT42_Y))
    b1, b2, b3 = RAT42
    assert curve.s50.value == pytest.approx(b2 / b3, rel=1e-6)
    assert curve.s50.value == pytest.approx(38.867398, rel=1e-6)
    assert curve.k.value == pytest.approx(14.845782, rel=1e-6)
    assert curve.slope.value == pytest.approx(b1 * b3 / 4, rel=1e-6)
    assert curve.threshold.value == pytest.approx(9.175834, abs=1e-5)
    t = stats.t.ppf(0.975, 6)
    assert (curve.s50.high - curve.s50.low) / 2 / t == pytest.approx(1.179441, rel=1e-5)
    assert (curve.k.high - curve.k.low) / 2 / t == pytest.approx(0.759614, rel=1e-5)


def _sizes(seed: int, levels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    random = np.random.default_rng(seed)
    intensity = np.repeat(levels, 6).astype(float)
    median = 3000 / (1 + np.exp((55 - intensity) / 4))
    return intensity, median * np.exp(0.4 * random.standard_normal(intensity.size))


def _log_residuals(parameters: lmfit.Parameters, intensity: np.ndarray, log_uv: np.ndarray) -> np.ndarray:
    p = parameters.valuesdict()
    return np.asarray(log_uv - p["log_max"] + np.logaddexp(0, (p["s50"] - intensity) / p["k"]))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_least_squares_agree_with_lmfit(seed: int) -> None:
    # lmfit is an independent implementation of least squares, in other parameters.
    intensity, size = _sizes(seed, np.arange(42, 72, 4))

    def residuals(parameters: lmfit.Parameters) -> np.ndarray:
        p = parameters.valuesdict()
        return np.asarray(p["top"] / (1 + np.exp((p["s50"] - intensity) / p["k"])) - size)

    start = lmfit.create_params(top=3000, s50=54, k=4)
    theirs = lmfit.minimize(residuals, start, xtol=1e-12, ftol=1e-12)
    ours = boltzmann(fit_logistic(intensity, size))
    t = stats.t.ppf(0.975, intensity.size - 3)
    for name, estimate in (("top", ours.mep_max), ("s50", ours.s50), ("k", ours.k)):
        assert estimate.value == pytest.approx(theirs.params[name].value, rel=1e-5)
        assert (estimate.high - estimate.value) / t == pytest.approx(theirs.params[name].stderr, rel=1e-3)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_log_fit_without_censoring_is_that_of_lmfit(seed: int) -> None:
    # With noise far below every size the likelihood is least squares of the logs; lmfit solves that on its own, and its
    # conf_interval profiles by the F test, whose limit for one parameter is Student's.
    intensity, size = _sizes(seed, np.arange(44, 74, 4))
    start = lmfit.create_params(log_max=8, s50=54, k=4)
    fitter = lmfit.Minimizer(_log_residuals, start, fcn_args=(intensity, np.log(size)))
    theirs = fitter.minimize(xtol=1e-12, ftol=1e-12)
    limits = lmfit.conf_interval(fitter, theirs, sigmas=[0.95])
    ours = fit_recruitment(intensity, size, noise_uv=1e-3, shape="boltzmann")
    for name, estimate in (("s50", ours.s50), ("k", ours.k)):
        low, middle, high = (value for _, value in limits[name])
        assert (estimate.value, estimate.low, estimate.high) == pytest.approx((middle, low, high), rel=2e-4)
    low, middle, high = (math.exp(value) for _, value in limits["log_max"])
    assert (ours.mep_max.value, ours.mep_max.low, ours.mep_max.high) == pytest.approx((middle, low, high), rel=1e-3)
