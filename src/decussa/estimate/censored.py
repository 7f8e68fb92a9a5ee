"""A normal sample of which some values are only known to lie below a limit: likelihood, best centre, profile interval.

Maximum likelihood of samples censored from the left: Cohen 1959, doi 10.1080/00401706.1959.10489859.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

Values = NDArray[np.float64]


class CensoredSample:
    """A normal sample of logarithms of which some are only known to lie below a limit."""

    def __init__(self, logs: Values, limits: Values) -> None:
        self.logs, self.limits = logs, limits
        self.scale = max(float(np.std(logs)), 1e-6)

    def cost(self, centre: float, log_spread: float) -> float:
        """Return the negative log likelihood, without its constant."""
        spread = math.exp(log_spread)
        measured = 0.5 * float(np.sum(((self.logs - centre) / spread) ** 2)) + self.logs.size * log_spread
        return measured - float(np.sum(special.log_ndtr((self.limits - centre) / spread)))

    def profile(self, centre: float) -> float:
        """Return the smallest cost over the spread, for a given centre."""
        spans = (math.log(self.scale) - 4, math.log(self.scale + abs(centre - float(self.logs.mean()))) + 3)
        found = optimize.minimize_scalar(lambda spread: self.cost(centre, spread), bounds=spans, method="bounded")
        return float(found.fun)

    def best_centre(self) -> float:
        """Return the centre of greatest likelihood."""
        top = float(self.logs.mean())
        bottom = min(float(self.limits.min()), top) - 12 * self.scale
        found = optimize.minimize_scalar(self.profile, bounds=(bottom, top), method="bounded", options={"xatol": 1e-9})
        return float(found.x)

    def interval(self, centre: float, level: float) -> tuple[float, float]:
        """Return the ends of the profile interval, infinite where the likelihood never falls far enough."""
        df = self.logs.size - 1
        t = float(special.stdtrit(df, 0.5 + level / 2))
        # The limit that makes the interval Student's without censoring; censored sizes add nothing to its degrees of freedom.
        allowed = self.profile(centre) + 0.5 * self.logs.size * math.log1p(t * t / df)
        return self._end(centre, -1, allowed), self._end(centre, +1, allowed)

    def _end(self, centre: float, side: int, allowed: float) -> float:
        step = self.scale
        while self.profile(centre + side * step) < allowed:
            step *= 2
            if step > 200 * self.scale:
                return side * math.inf
        return float(optimize.brentq(lambda end: self.profile(end) - allowed, centre, centre + side * step, xtol=1e-8))
