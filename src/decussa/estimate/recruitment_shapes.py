"""Intervals of a recruitment curve that do not presume its shape: profiled over a Boltzmann and a Hill curve.

A Hill curve is a Boltzmann curve of the logarithm of the intensity. Which of the sigmoids describes a muscle is not known
beforehand and few trials do not tell; held to one shape, intervals of S50 miss the truth of the other too often
(bench/recruitment.py). The shape is therefore one more thing that is fitted again for each held value: an end of the
interval is the further one of both curves, each judged against the better fit of the two.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from decussa.estimate.average import exponential
from decussa.estimate.recruitment_profile import PLAIN, SLOPE, SLOPE_OF_LOG, THRESHOLD, Fit, Profile, RecruitmentModel

#: A plateau that may lie this far, in logs, above the largest size is not bounded by the data (160,000 times).
UNBOUNDED_LOG = 12.0
#: First step of a search in logarithms.
LOG_STEP = 0.1

Ends = tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Shapes:
    """The Boltzmann fit, and the Hill fit where intensities have logarithms."""

    boltzmann: Fit
    hill: Fit | None

    @property
    def least(self) -> float:
        """The cost of the better fit."""
        return self.boltzmann.least if self.hill is None else min(self.boltzmann.least, self.hill.least)


def fit_shapes(model: RecruitmentModel) -> Shapes:
    """Return both fits to the same trials."""
    if model.intensity_mso.min() <= 0:
        return Shapes(model.fit(), None)
    of_logs = RecruitmentModel(np.log(model.intensity_mso), model.log_uv, model.censored, model.floor)
    return Shapes(model.fit(), of_logs.fit())


def s50_ends(shapes: Shapes) -> Ends:
    """Return the interval of S50, % MSO."""

    def ends(fit: Fit, rise: float) -> Ends:
        lower, upper = fit.model.bounds()
        return _ends(Profile(fit, PLAIN, 1), _step(fit), (lower[1], upper[1]), rise)

    return _over_shapes(shapes, ends, _exponential_or_open)


def mep_max_ends(shapes: Shapes) -> Ends:
    """Return the interval of the log of MEPmax, MEPmax in µV."""

    def ends(fit: Fit, rise: float) -> Ends:
        lowest = float(fit.model.bounds()[0][0])
        highest = max(float(fit.model.log_uv.max()), float(fit.best[0])) + UNBOUNDED_LOG
        return _ends(Profile(fit, PLAIN, 0), LOG_STEP, (lowest, highest), rise)

    return _over_shapes(shapes, ends, float)


def slope_ends(shapes: Shapes) -> Ends:
    """Return the interval of the log of four times the slope at S50, the slope in µV per % MSO."""

    def ends(fit: Fit, rise: float) -> Ends:
        profile = Profile(fit, SLOPE if fit is shapes.boltzmann else SLOPE_OF_LOG, 0)
        return _ends(profile, LOG_STEP, (profile.value - UNBOUNDED_LOG, profile.value + UNBOUNDED_LOG), rise)

    return _over_shapes(shapes, ends, float)


def band_ends(shapes: Shapes, intensity_mso: float) -> Ends:
    """Return the interval of the log of the median response at an intensity, in µV."""

    def ends(fit: Fit, rise: float) -> Ends:
        of_hill = fit is not shapes.boltzmann
        at = math.log(max(intensity_mso, 1e-3)) if of_hill else intensity_mso
        profile = Profile(fit, np.array([0.0, 0.0, at, 0.0]), 0)
        return _ends(profile, LOG_STEP, (profile.value - 30.0, profile.value + 30.0), rise)

    return _over_shapes(shapes, ends, float)


def k_ends(fit: Fit) -> Ends:
    """Return the interval of the log of k, k in % MSO, of the Boltzmann curve."""
    lower, upper = fit.model.bounds()
    return _ends(Profile(fit, PLAIN, 2), LOG_STEP, (lower[2], upper[2]), fit.model.allowed())


def threshold_ends(fit: Fit) -> Ends:
    """Return the interval of S50 - 2 k, % MSO, of the Boltzmann curve."""
    lower, upper = fit.model.bounds()
    furthest = (lower[1] - 2 * float(np.ptp(fit.model.intensity_mso)), upper[1])
    return _ends(Profile(fit, THRESHOLD, 1), _step(fit), furthest, fit.model.allowed())


def _step(fit: Fit) -> float:
    return max(0.25 * math.exp(fit.best[2]), 0.002 * float(np.ptp(fit.model.intensity_mso)))


def _ends(profile: Profile, step: float, furthest: Ends, rise: float) -> Ends:
    return (
        float(profile.end(-1, step, float(furthest[0]), rise)),
        float(profile.end(+1, step, float(furthest[1]), rise)),
    )


def _over_shapes(shapes: Shapes, ends: Callable[[Fit, float], Ends], of_hill: Callable[[float], float]) -> Ends:
    """Return the outer ends over the shapes whose fit is not worse than the better one by more than is allowed.

    The Boltzmann curve's own interval always counts, because its value is the one that is reported.
    """
    allowed = shapes.boltzmann.model.allowed()
    behind = shapes.boltzmann.least - shapes.least
    low, high = ends(shapes.boltzmann, allowed - behind if behind < allowed else allowed)
    if shapes.hill is None or shapes.hill.least - shapes.least >= allowed:
        return low, high
    other = ends(shapes.hill, allowed - (shapes.hill.least - shapes.least))
    return min(low, of_hill(other[0])), max(high, of_hill(other[1]))


def _exponential_or_open(end: float) -> float:
    return end if math.isinf(end) else exponential(end)
