"""What noise alone does to a peak-to-peak: the range of Gaussian samples, and how many samples of real noise count.

For n independent samples of standard deviation 1, the range has the distribution n * integral of
phi(x) (Phi(x + q) - Phi(x))^(n - 1) dx, the mean d2 = integral of 1 - Phi^n - (1 - Phi)^n (Tippett 1925, Biometrika 17:364,
doi 10.1093/biomet/17.3-4.364) and the standard deviation d3; it is the studentised range with infinite degrees of freedom.
The samples of band-limited noise lean on each other. They count as so many independent ones as would stay below a level
with the same probability: the chance of a crossing from one sample to the next follows from their correlation alone
(Owen 1956, Ann Math Stat 27:1075, doi 10.1214/aoms/1177728074), and for independent samples the count is exact.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import log_ndtr, ndtr

from decussa.measuring.compiled import compiled, fused
from decussa.model.errors import UsageError

Array = NDArray[np.float64]

#: Places at which the integrals are summed: smooth, vanishing integrands make plain sums exact to 1e-10 here.
_X = np.linspace(-10.0, 10.0, 2001)
_STEP = float(_X[1] - _X[0])
_DENSITY = np.exp(-0.5 * _X * _X) / math.sqrt(2 * math.pi)
#: Level, in standard deviations, at which samples of real noise are held against independent ones: about where the
#: largest of 60 lies.
LEVEL = 2.4
#: Numbers of samples whose mean range is kept, and how far apart in their logarithm.
KNOWN = 240
LOG_STEP = math.log(1e5) / (KNOWN - 1)
#: Nodes and weights for Owen's function.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)


def range_cdf(q: float, n: float) -> float:
    """Return the probability that the range of ``n`` standard normal samples is at most ``q``.

    Parameters
    ----------
    q : float
        Range in standard deviations.
    n : float
        Number of independent samples, above 1; need not be whole.

    Raises
    ------
    UsageError
        If ``n`` is not above 1.
    """
    _refuse_few(n)
    if q <= 0:
        return 0.0
    between = np.clip(ndtr(_X + q) - ndtr(_X), 0.0, 1.0)
    return min(1.0, float(n * _STEP * np.sum(_DENSITY * between ** (n - 1))))


def range_mean(n: float) -> float:
    """Return d2: the mean range of ``n`` standard normal samples, in standard deviations."""
    _refuse_few(n)
    return float(_STEP * np.sum(1 - np.exp(n * log_ndtr(_X)) - np.exp(n * log_ndtr(-_X))))


@lru_cache(maxsize=1)
def known_means() -> Array:
    """Return d2 for numbers of samples from 1 to 1e5, evenly spaced in their logarithm, for ``mean_range``."""
    means = np.array([0.0, *(range_mean(math.exp(k * LOG_STEP)) for k in range(1, KNOWN))])
    means.setflags(write=False)
    return means


@compiled
def mean_range(n: float, means: Array) -> float:
    """d2 for ``n`` samples, between the ``known_means``: right to 0.001. NaN stays NaN."""
    if math.isnan(n):
        return math.nan
    place = min(math.log(max(n, 1.0)) / LOG_STEP, KNOWN - 1.0 - 1e-9)
    below = int(place)
    return float(means[below] + (place - below) * (means[below + 1] - means[below]))


def range_sd(n: float) -> float:
    """Return d3: the standard deviation of the range of ``n`` standard normal samples, in standard deviations."""
    q = np.linspace(0.0, 15.0, 1501)
    above = 1 - np.array([range_cdf(float(value), n) for value in q])
    square = np.trapezoid(2 * q * above, q)
    return math.sqrt(float(square) - range_mean(n) ** 2)


def range_quantile(probability: float, n: float) -> float:
    """Return the range, in standard deviations, that ``n`` standard normal samples do not exceed with ``probability``."""
    _refuse_few(n)
    if not 0 < probability < 1:
        raise UsageError("probability is out of range", expected="between 0 and 1", found=f"{probability:g}")
    return float(brentq(lambda q: range_cdf(q, n) - probability, 0.0, 20.0, xtol=1e-10))


def _refuse_few(n: float) -> None:
    if not (math.isfinite(n) and n > 1):
        raise UsageError("a range needs samples", expected="n above 1", found=f"{n:g}")


@compiled
def upper_tail(level: float) -> float:
    """Probability that a standard normal lies above ``level``."""
    return 0.5 * math.erfc(level / math.sqrt(2.0))


def crossing_probability(level: float, correlation: ArrayLike) -> Array:
    """Return the probability that of two neighbours the first lies below ``level`` and the second above: Owen's 2 T(level, a)."""
    c = np.asarray(correlation, dtype=np.float64)[..., None]
    # T is an integral over 0..a; with x = tan(angle) the range stays finite for any correlation
    angle = np.arctan(np.sqrt((1.0 - c) / (1.0 + c)))
    x = np.tan(0.5 * angle * (_NODES + 1.0))
    chance: Array = 0.5 * angle[..., 0] / math.pi * (np.exp(-0.5 * level * level * (1.0 + x * x)) @ _WEIGHTS)
    return chance


def _independence_curve() -> Array:
    """Polynomial, highest power first, for ``independence`` over 2 sqrt(1 - correlation) - 1: right to 2e-12."""
    at = np.cos(math.pi * (np.arange(19) + 0.5) / 19)
    crossing = crossing_probability(LEVEL, 1.0 - (0.5 * (at + 1.0)) ** 2)
    curve = np.polynomial.chebyshev.chebfit(at, np.log1p(-crossing / ndtr(LEVEL)) / log_ndtr(LEVEL), 18)
    return np.ascontiguousarray(np.polynomial.chebyshev.cheb2poly(curve)[::-1])


_INDEPENDENCE = _independence_curve()


@fused
def independence(correlation: float) -> float:
    """How much a sample adds to its neighbour: 1 where the two are independent, 0 where they are the same.

    By their chance of not crossing ``LEVEL`` between them (``crossing_probability``), as a polynomial, since the measuring
    kernels need it for every sweep. Neighbours that lean away from each other count as independent.
    """
    x = 2.0 * math.sqrt(min(1.0, max(0.0, 1.0 - correlation))) - 1.0
    total = 0.0
    for k in range(_INDEPENDENCE.size):
        total = total * x + _INDEPENDENCE[k]
    return max(0.0, total)
