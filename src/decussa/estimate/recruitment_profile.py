"""Fits and profile intervals of the recruitment model: from starts over a grid to the ends of an interval."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from decussa.estimate.recruitment_kernel import cost, minimise, plain_parameters

Values = NDArray[np.float64]

LEVEL = 0.95
#: Views of the parameters (c, d, s0 of ``plain_parameters``): p0 is ln MEPmax and p1 is S50; p1 is S50 - 2 k; p0 is
#: ln(4 slope).
PLAIN = np.array([0.0, 0.0, math.inf])
THRESHOLD = np.array([2.0, 0.0, math.inf])
SLOPE = np.array([0.0, 1.0, math.inf])
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

    def starts(self) -> list[Values]:
        """Return first guesses, best first: S50 and k on a grid, the height that then fits best."""
        levels = np.unique(self.intensity_mso)
        span = float(levels[-1] - levels[0])
        lowest = float(np.quantile(self.log_uv, 0.1))
        ranked = []
        for s50 in np.linspace(levels[0] - 0.1 * span, levels[-1] + 0.3 * span, 8):
            for k in span * np.array([0.02, 0.05, 0.1, 0.2]):
                shape = -np.logaddexp(0.0, (s50 - self.intensity_mso) / k)
                if self.floor:
                    high = self.log_uv > lowest + 0.7
                    use = high if high.sum() >= 3 else np.ones_like(high)
                else:
                    use = ~self.censored
                height = float(np.median((self.log_uv - shape)[use]))
                mean = np.logaddexp(height + shape, lowest) if self.floor else height + shape
                off = self.log_uv - mean
                off[self.censored] = np.minimum(off[self.censored], 0.0)
                spread = float(np.clip(np.sqrt(np.mean(off**2)), 0.1, 2.0))
                guess = [height, float(s50), math.log(k), math.log(spread)] + (
                    [lowest, math.log(0.2)] if self.floor else []
                )
                ranked.append((spread, np.array(guess)))
        ranked.sort(key=_spread)
        return [guess for _, guess in ranked[:6]]

    def fit(self) -> tuple[Values, float]:
        """Return the parameters of greatest likelihood in the plain view, and their cost."""
        lower, upper = self.bounds()
        best, least = self.starts()[0], math.inf
        for start in self.starts():
            found = np.empty(start.size)
            value = minimise(start, PLAIN, -1, self.intensity_mso, self.log_uv, self.censored, lower, upper, found)
            if value < least - 1e-9:
                best, least = found, value
        return best, least


class Profile:
    """The least cost as a function of one coordinate under one view."""

    def __init__(self, model: RecruitmentModel, best: Values, least: float, view: Values, held: int) -> None:
        self.model, self.best, self.least, self.view, self.held = model, best, least, view, held
        self._lower, self._upper = model.bounds()
        if self.view[0] or self.view[1]:
            # Only the named quantity changes its meaning under another view; its bounds open up with it.
            self._lower[:2] -= 200.0
            self._upper[:2] += 200.0
        if math.isfinite(self.view[2]):
            self._lower[0] -= 60.0
        self.centre = self._seen_from_view()

    def _seen_from_view(self) -> Values:
        """Return the best parameters as this view names them."""
        seen = self.best.copy()
        top, s50, k = plain_parameters(self.best, PLAIN)
        seen[1] = s50 - self.view[0] * k
        seen[0] = top - self.view[1] * math.log(k)
        if math.isfinite(self.view[2]):
            seen[0] -= float(np.logaddexp(0.0, (s50 - self.view[2]) / k))
        return seen

    def allowed(self) -> float:
        """Return by how much the cost may rise within the interval.

        The limit of a linear model with normal errors, where it gives exactly Student's t interval.
        """
        n = self.model.intensity_mso.size
        df = max(n - 3 - int(self.model.floor), 1)
        t = float(stats.t.ppf(0.5 + LEVEL / 2, df))
        return 0.5 * n * math.log1p(t * t / df)

    def end(self, side: int, first_step: float, furthest: float) -> float:
        """Return one end of the interval; infinite where the cost has not risen enough at ``furthest``."""
        limit = self.least + self.allowed()
        inner, inner_rise, start = self.centre[self.held], 0.0, self.centre
        step = first_step
        for _ in range(60):
            outer = inner + side * step
            if side * (outer - furthest) >= 0:
                outer = furthest
            value, solved = self._cost_at(outer, start)
            if value >= limit:
                return self._between(inner, inner_rise, outer, value - self.least, start, solved)
            if outer == furthest:
                break
            inner, inner_rise, start = outer, value - self.least, solved
            step *= 2.0
        return side * math.inf

    def _cost_at(self, value: float, start: Values) -> tuple[float, Values]:
        """Return the least cost with the coordinate held at ``value``, and where it is.

        Two first guesses: the neighbour's solution, and that solution moved along the ridge of the likelihood. Alone,
        the first can lose the ridge (a far S50 needs a far plateau), the second can overshoot it.
        """
        ahead = start + self._along_ridge(start) * (value - start[self.held])
        tried = [self._solve(value, guess) for guess in (ahead, start)]
        return min(tried, key=_cost_of)

    def _solve(self, value: float, start: Values) -> tuple[float, Values]:
        guess = start.copy()
        guess[self.held] = value
        found = np.empty(guess.size)
        m = self.model
        least = minimise(
            guess, self.view, self.held, m.intensity_mso, m.log_uv, m.censored, self._lower, self._upper, found
        )
        return least, found

    def _along_ridge(self, at: Values) -> Values:
        """Return how the other parameters follow the held one where the information is greatest, per unit of it."""
        n, m = at.size, self.model
        info = np.empty((n, n))
        cost(at, self.view, -1, m.intensity_mso, m.log_uv, m.censored, np.empty(n), info)
        others = np.arange(n) != self.held
        inner = info[np.ix_(others, others)]
        inner = inner + np.eye(n - 1) * (1e-9 * np.trace(inner) + 1e-12)
        direction = np.zeros(n)
        direction[others] = -np.linalg.solve(inner, info[others, self.held])
        return direction

    def _between(
        self, inner: float, inner_rise: float, outer: float, outer_rise: float, low: Values, high: Values
    ) -> float:
        """Return where the rise of the cost meets the limit, by false position on its square root (nearly linear)."""
        target = math.sqrt(self.allowed())
        a, fa = inner, math.sqrt(max(inner_rise, 0.0)) - target
        b, fb = outer, math.sqrt(max(outer_rise, 0.0)) - target
        for _ in range(40):
            middle = b - fb * (b - a) / (fb - fa) if fb != fa else 0.5 * (a + b)
            value, solved = self._cost_at(middle, low if abs(middle - a) < abs(middle - b) else high)
            f = math.sqrt(max(value - self.least, 0.0)) - target
            if abs(f) < 1e-4 or abs(b - a) < 1e-7:
                return middle
            if f < 0:
                a, fa, low = middle, f, solved
                fb *= 0.5 if fb > 0 and abs(f) > 0.1 else 1.0
            else:
                b, fb, high = middle, f, solved
                fa *= 0.5 if abs(f) > 0.1 else 1.0
        return 0.5 * (a + b)


def _cost_of(tried: tuple[float, Values]) -> float:
    return tried[0]


def _spread(ranked: tuple[float, Values]) -> float:
    return ranked[0]
