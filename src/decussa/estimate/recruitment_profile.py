"""Fits and profile intervals of the recruitment model: from starts over a grid to the ends of an interval."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from decussa.estimate.recruitment_kernel import plain_parameters
from decussa.estimate.recruitment_search import fit_from, profile_end

Values = NDArray[np.float64]

LEVEL = 0.95
#: Views of the parameters (c, d, s0, e of ``plain_parameters``): p0 is ln MEPmax and p1 is S50; p1 is S50 - 2 k; p0 is
#: ln(4 slope), and the same where intensities are logarithms.
PLAIN = np.array([0.0, 0.0, math.inf, 0.0])
THRESHOLD = np.array([2.0, 0.0, math.inf, 0.0])
SLOPE = np.array([0.0, 1.0, math.inf, 0.0])
SLOPE_OF_LOG = np.array([0.0, 1.0, math.inf, 1.0])
#: How far S50 may lie outside the intensities given, in multiples of their range: from there on the curve within them
#: is an exponential, or flat, to any accuracy that data can show.
REACH = 10.0
#: How far the log of the plateau may lie above the largest size while something else is profiled. No plateau: an
#: exponential rise within the intensities needs a plateau as far away as S50.
FURTHEST_LOG = 300.0


@dataclass(frozen=True, slots=True, eq=False)
class RecruitmentModel:
    """Sizes at intensities, with what is censored, and the bounds of the parameters.

    ``log_uv`` is the log of the size, or of the noise where the trial is censored. ``floor`` says that a floor is fitted.
    """

    intensity_mso: Values
    log_uv: Values
    censored: NDArray[np.bool_]
    floor: bool

    @property
    def n_parameters(self) -> int:
        """Number of parameters."""
        return 6 if self.floor else 4

    def bounds(self) -> tuple[Values, Values]:
        """Return lower and upper bounds of the parameters, in the plain view."""
        levels = np.unique(self.intensity_mso)
        span = float(levels[-1] - levels[0])
        top, bottom = float(self.log_uv.max()), float(self.log_uv.min())
        lower = [top - 12.0, levels[0] - REACH * span, math.log(0.02 * float(np.diff(levels).min())), math.log(0.02)]
        upper = [top + FURTHEST_LOG, levels[-1] + REACH * span, math.log(4.0 * span), math.log(5.0)]
        if self.floor:
            lower += [bottom - 6.0, math.log(0.08)]
            upper += [top, math.log(0.6)]
        return np.array(lower), np.array(upper)

    def rows(self) -> Values:
        """Return what the likelihood needs, shape (5, n_rows); see ``recruitment_kernel.cost``."""
        measured = ~self.censored
        levels, place = np.unique(self.intensity_mso[measured], return_inverse=True)
        count = np.bincount(place, minlength=levels.size).astype(np.float64)
        mean = np.bincount(place, self.log_uv[measured], minlength=levels.size) / count
        variance = np.bincount(place, (self.log_uv[measured] - mean[place]) ** 2, minlength=levels.size) / count
        together = np.stack([levels, count, mean, variance, np.zeros(levels.size)])
        below = self.censored.sum()
        single = np.stack(
            [
                self.intensity_mso[self.censored],
                np.ones(below),
                self.log_uv[self.censored],
                np.zeros(below),
                np.ones(below),
            ]
        )
        return np.ascontiguousarray(np.hstack([together, single]))

    def starts(self) -> Values:
        """Return first guesses, best first, shape (6, n_parameters): S50 and k on a grid, the height that then fits best."""
        levels = np.unique(self.intensity_mso)
        span = float(levels[-1] - levels[0])
        lowest = float(np.quantile(self.log_uv, 0.1))
        s50, k = (
            axis.ravel()
            for axis in np.meshgrid(
                np.linspace(levels[0] - 0.1 * span, levels[-1] + 0.3 * span, 8), span * np.array([0.02, 0.05, 0.1, 0.2])
            )
        )
        shape = -np.logaddexp(0.0, (s50[:, None] - self.intensity_mso) / k[:, None])
        use = ~self.censored
        if self.floor:
            high = self.log_uv > lowest + 0.7
            use = high if high.sum() >= 3 else np.ones_like(high)
        height = np.median((self.log_uv - shape)[:, use], axis=1)
        mean = height[:, None] + shape
        if self.floor:
            mean = np.logaddexp(mean, lowest)
        off = self.log_uv - mean
        off[:, self.censored] = np.minimum(off[:, self.censored], 0.0)
        spread = np.clip(np.sqrt(np.mean(off**2, axis=1)), 0.1, 2.0)
        guesses = [height, s50, np.log(k), np.log(spread)]
        if self.floor:
            guesses += [np.full(height.size, lowest), np.full(height.size, math.log(0.2))]
        return np.ascontiguousarray(np.stack(guesses, axis=1)[np.argsort(spread, kind="stable")[:6]])

    def fit(self) -> Fit:
        """Return the curve of greatest likelihood."""
        best, rows = np.empty(self.n_parameters), self.rows()
        least = fit_from(self.starts(), PLAIN, rows, *self.bounds(), best)
        return Fit(self, rows, best, least)

    def allowed(self) -> float:
        """Return by how much the cost may rise within an interval.

        The limit of a linear model with normal errors, where it gives exactly Student's t interval.
        """
        n = self.intensity_mso.size
        df = max(n - 3 - int(self.floor), 1)
        t = float(special.stdtrit(df, 0.5 + LEVEL / 2))
        return 0.5 * n * math.log1p(t * t / df)


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A model, its trials as the likelihood reads them, its parameters of greatest likelihood (plain view), their cost."""

    model: RecruitmentModel
    rows: Values
    best: Values
    least: float


class Profile:
    """The least cost as a function of one coordinate under one view."""

    def __init__(self, fit: Fit, view: Values, held: int) -> None:
        self.fit, self.view, self.held = fit, view, held
        self._lower, self._upper = fit.model.bounds()
        if self.view[0] or self.view[1] or self.view[3]:
            # Only the named quantity changes its meaning under another view; its bounds open up with it.
            self._lower[:2] -= 200.0
            self._upper[:2] += 200.0
        if math.isfinite(self.view[2]):
            self._lower[0] -= 60.0
        self.centre = self._seen_from_view()

    @property
    def value(self) -> float:
        """The quantity where the likelihood is greatest."""
        return float(self.centre[self.held])

    def _seen_from_view(self) -> Values:
        """Return the best parameters as this view names them."""
        seen = self.fit.best.copy()
        top, s50, k = plain_parameters(self.fit.best, PLAIN)
        seen[1] = s50 - self.view[0] * k
        seen[0] = top - self.view[1] * math.log(k) - self.view[3] * s50
        if math.isfinite(self.view[2]):
            seen[0] -= float(np.logaddexp(0.0, (s50 - self.view[2]) / k))
        return seen

    def end(self, side: int, first_step: float, furthest: float, allowed: float | None = None) -> float:
        """Return one end of the interval; infinite where the cost has not risen by ``allowed`` at ``furthest``."""
        rise = self.fit.model.allowed() if allowed is None else allowed
        return profile_end(
            self.centre, self.fit.least, rise, side, first_step, furthest,
            self.view, self.held, self.fit.rows, self._lower, self._upper,
        )  # fmt: skip
