"""The recruitment curve: size of the response against intensity, fitted where its variability is: on the log scale.

Boltzmann curve as in Devanne 1997 (doi 10.1007/PL00005641); response variability multiplicative (Goetz 2014, doi
10.1016/j.brs.2014.03.002) with a floor of recording noise below; intervals by profile likelihood (Venzon and Moolgavkar
1988, doi 10.2307/2347496). The likelihood is in ``recruitment_kernel``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from decussa.estimate.average import exponential, finite_values, from_logs
from decussa.estimate.recruitment_profile import RecruitmentModel
from decussa.estimate.recruitment_shapes import (
    Ends,
    Shapes,
    band_ends,
    fit_shapes,
    k_ends,
    mep_max_ends,
    s50_ends,
    slope_ends,
    threshold_ends,
)
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

Values = NDArray[np.float64]

#: Fewest different intensities, and fewest sizes above the noise, from which a curve is fitted.
FEWEST_LEVELS = 4
FEWEST_MEASURED = 5
#: The plateau was seen where MEPmax may exceed the median response at the highest intensity by no more than this factor,
#: upper end against upper end (common practice, no source).
PLATEAU_SEEN = 1.1
_METHOD = "Boltzmann curve fitted to log sizes, profile likelihood interval"


@dataclass(frozen=True, slots=True, kw_only=True)
class RecruitmentCurve:
    """A fitted recruitment curve.

    Values are those of the Boltzmann curve. Where its shape was not given, the intervals of plateau, S50 and slope hold for
    a Hill curve as well (``recruitment_shapes``); those of threshold and k are defined by the Boltzmann curve alone.

    Parameters
    ----------
    mep_max : Estimate, microvolt
        Plateau: median response at high intensity.
    s50 : Estimate, % MSO
        Intensity of half the plateau.
    slope : Estimate, microvolt per % MSO
        Steepest slope, at S50: MEPmax / (4 k).
    threshold : Estimate, % MSO
        S50 - 2 k, where the tangent at S50 meets zero.
    k : Estimate, % MSO
        Steepness: the curve rises from 10 to 90 % within 4.39 k.
    floor_uv : float
        Size that recording noise adds; NaN where the noise was given instead.
    log_spread : float
        Standard deviation of the natural logarithm of a response of the same intensity.
    n : int
        Number of trials.
    reason : str
        Why there is no curve, or what limits it; empty where nothing does.
    """

    mep_max: Estimate
    s50: Estimate
    slope: Estimate
    threshold: Estimate
    k: Estimate
    floor_uv: float = math.nan
    log_spread: float = math.nan
    n: int = 0
    method: str = _METHOD
    reason: str = ""
    _shapes: Shapes | None = field(default=None, repr=False, compare=False)

    def predict(self, intensity_mso: ArrayLike) -> Values:
        """Return the median response in microvolt at each intensity, without noise; NaN where there is no curve."""
        at = np.asarray(intensity_mso, dtype=np.float64)
        if self._shapes is None:
            return np.full(at.shape, math.nan)
        log_max, s50, log_k = self._shapes.boltzmann.best[:3]
        return np.asarray(math.exp(log_max) * special.expit((at - s50) / math.exp(log_k)))

    def band(self, intensity_mso: ArrayLike) -> tuple[Values, Values]:
        """Return the ends of the 95 % profile interval of the median response in microvolt at each intensity."""
        at = np.asarray(intensity_mso, dtype=np.float64)
        if self._shapes is None:
            return np.full(at.shape, math.nan), np.full(at.shape, math.nan)
        ends = [band_ends(self._shapes, float(intensity)) for intensity in at.ravel()]
        low, high = np.exp(np.array(ends, dtype=np.float64).reshape(-1, 2)).T
        return low.reshape(at.shape), high.reshape(at.shape)


def fit_recruitment(
    intensity_mso: ArrayLike,
    amplitude_uv: ArrayLike,
    *,
    noise_uv: ArrayLike | None = None,
    shape: Literal["boltzmann"] | None = None,
) -> RecruitmentCurve:
    """Fit a recruitment curve to the sizes of single trials.

    Parameters
    ----------
    intensity_mso : array-like, shape (n,), % MSO
    amplitude_uv : array-like, shape (n,), microvolt, 0 or more
        Peak-to-peak of every trial, those without a response too.
    noise_uv : array-like, shape () or (n,), microvolt, optional
        Peak-to-peak that noise alone would give. With it, sizes at or below it are censored, and the sizes should be
        corrected for noise. Without it, a floor is fitted.
    shape : "boltzmann", optional
        Take the curve to be a Boltzmann curve, as published analyses do: intervals are then shorter, and too short for
        other sigmoids. Left out, the shape is not presumed.

    Returns
    -------
    RecruitmentCurve. A quantity that the data do not bound has an infinite end and a reason. MEPmax is open above where the
    plateau was not seen, since what a curve does beyond the highest intensity is presumed by its shape. Fewer than four
    intensities, or no response above the noise, give NaN with a reason.

    Raises
    ------
    UsageError
        If values are negative or not finite, or do not fit together.
    """
    levels = finite_values(intensity_mso, name="intensity_mso")
    sizes = finite_values(amplitude_uv, name="amplitude_uv", least=0.0)
    if levels.size != sizes.size:
        raise UsageError(
            "intensities and sizes do not fit", expected=f"{levels.size} sizes", found=f"{sizes.size} sizes"
        )
    model, note = _model(levels, sizes, noise_uv)
    method = f"{_METHOD}; {'Boltzmann or Hill shape' if shape is None else 'Boltzmann shape presumed'}; {note}"
    lack = _lack(levels, sizes, model)
    if lack or model is None:
        return _no_curve(levels.size, method, lack)
    return _describe(fit_shapes(model) if shape is None else Shapes(model.fit(), None), method)


def _model(levels: Values, sizes: Values, noise_uv: ArrayLike | None) -> tuple[RecruitmentModel | None, str]:
    """Return what is to be fitted and how noise enters it."""
    limit = np.zeros(sizes.size)
    note = "floor fitted"
    if noise_uv is not None:
        noise = np.asarray(noise_uv, dtype=np.float64)
        if noise.ndim and noise.size != sizes.size:
            raise UsageError("noise and sizes do not fit", expected=f"1 or {sizes.size} values", found=f"{noise.size}")
        if np.any(noise < 0) or np.any(np.isinf(noise)):
            raise UsageError("noise_uv cannot be used", expected="finite microvolts, 0 or more", found="others")
        limit = np.nan_to_num(np.broadcast_to(noise, sizes.shape).astype(np.float64), nan=0.0)
        note = "sizes at or below the noise censored"
    without = (sizes == 0) & (limit == 0)
    if without.any():
        if not np.any(sizes > 0):
            return None, note
        limit = np.where(without, float(sizes[sizes > 0].min()), limit)
        note = "sizes of 0 censored below the smallest other size" if noise_uv is None else note
    censored = sizes <= limit
    floor = noise_uv is None and not censored.any()
    log_uv = np.log(np.where(censored, limit, sizes))
    return RecruitmentModel(levels, log_uv, censored, floor), note


def _lack(levels: Values, sizes: Values, model: RecruitmentModel | None) -> str:
    """Return what is missing for a curve; an empty string if nothing."""
    different = np.unique(levels).size
    if levels.size == 0:
        return "no trial"
    if different < FEWEST_LEVELS:
        return f"{different} intensities are too few for a curve ({FEWEST_LEVELS} needed)"
    above = 0 if model is None else int(np.sum(~model.censored))
    if above == 0:
        return f"no size above the noise up to {levels.max():g} % MSO"
    if above < FEWEST_MEASURED or np.unique(levels[sizes > 0]).size < 2:
        return f"{above} sizes above the noise are too few for a curve ({FEWEST_MEASURED} needed)"
    return ""


def _no_curve(n: int, method: str, reason: str) -> RecruitmentCurve:
    none = Estimate(n=n, method=method, reason=reason)
    return RecruitmentCurve(
        mep_max=none, s50=none, slope=none, threshold=none, k=none, n=n, method=method, reason=reason
    )


def _describe(shapes: Shapes, method: str) -> RecruitmentCurve:
    fit = shapes.boltzmann
    model, (log_max, s50, log_k, log_spread) = fit.model, fit.best[:4]
    n = model.intensity_mso.size

    def estimate(value: float, ends: Ends) -> Estimate:
        return Estimate(value=float(value), low=ends[0], high=ends[1], n=n, method=method)

    slope = from_logs(estimate(log_max - log_k, slope_ends(shapes)))
    mep_max = from_logs(estimate(log_max, mep_max_ends(shapes)))
    highest_seen_uv = exponential(band_ends(shapes, float(model.intensity_mso.max()))[1])
    if mep_max.high > PLATEAU_SEEN * highest_seen_uv:
        mep_max = replace(mep_max, high=math.inf)
    curve = RecruitmentCurve(
        mep_max=mep_max,
        s50=estimate(s50, s50_ends(shapes)),
        slope=replace(slope, value=slope.value / 4, low=slope.low / 4, high=slope.high / 4),
        threshold=estimate(s50 - 2 * math.exp(log_k), threshold_ends(fit)),
        k=from_logs(estimate(log_k, k_ends(fit))),
        floor_uv=math.exp(fit.best[4]) if model.floor else math.nan,
        log_spread=math.exp(log_spread),
        n=n,
        method=method,
        _shapes=shapes,
    )
    return _with_reasons(curve, model)


def _with_reasons(curve: RecruitmentCurve, model: RecruitmentModel) -> RecruitmentCurve:
    """Say for every open end what the data lack; withdraw values that are not bounded or lie far outside."""
    first, last = float(model.intensity_mso.min()), float(model.intensity_mso.max())
    reasons = []
    if math.isinf(curve.s50.high) or math.isinf(curve.mep_max.high):
        reasons.append(f"plateau not reached up to {last:g} % MSO")
    if math.isinf(curve.s50.low) or curve.mep_max.low == 0:
        reasons.append(f"no rise of the responses from {first:g} % MSO on is certain")
    reason = "; ".join(reasons)
    nothing_bounded = math.isinf(curve.s50.low) and math.isinf(curve.s50.high)
    beyond = nothing_bounded or not 2 * first - last <= curve.s50.value <= 2 * last - first
    quantities = {}
    for name in ("mep_max", "s50", "slope", "threshold", "k"):
        estimate = getattr(curve, name)
        open_ended = (
            math.isinf(estimate.low) or math.isinf(estimate.high) or (name != "threshold" and estimate.low == 0)
        )
        own = reason if open_ended or beyond else ""
        if name == "s50" and not own and math.isinf(curve.mep_max.high):
            own = f"{reason}: half of the plateau of the fitted shapes"
        if open_ended and not own:
            own = "the intensities are too coarse to bound the steepness"
        quantities[name] = replace(estimate, value=math.nan if beyond else estimate.value, reason=own)
    return replace(curve, reason=reason or quantities["k"].reason, **quantities)
