"""Sizes below the noise in a mixed model: drawn many times from what the model says they can be, results joined.

Multiple imputation: a size that is only known to lie below a limit is drawn from the model's own distribution below that
limit; coefficients, participants' levels and variances are drawn too, so that what is not known stays unknown. Results of
the filled tables are joined by the rules of Rubin 1987 (Multiple Imputation for Nonresponse in Surveys), degrees of freedom
by Barnard and Rubin 1999, doi 10.1093/biomet/86.4.948 (both from memory). Setting such sizes to the limit, or leaving them
out, would make conditions with small responses look larger than they are.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from decussa.model.estimate import Estimate
from decussa.pool.mixed import Design, MixedModel, fit

Values = NDArray[np.float64]

LEVEL = 0.95

#: Filled tables for each per cent of censored sizes (White, Royston and Wood 2011, doi 10.1002/sim.4067, from memory), at
#: least and at most; rounds before the first one.
TABLES_PER_CENT, FEWEST_TABLES, MOST_TABLES, ROUNDS_BEFORE = 1, 10, 40, 5


@dataclass(frozen=True, slots=True, eq=False)
class SizeModel:
    """A mixed model of log sizes; several where some sizes had to be drawn, one otherwise."""

    models: tuple[MixedModel, ...]
    censored: int

    @property
    def first(self) -> MixedModel:
        """Return one of the fitted models, for residuals."""
        return self.models[0]

    @property
    def variances(self) -> Values:
        """Return the variances (k + 1,), the residual's last; means over the filled tables."""
        return np.asarray(np.mean([model.variances for model in self.models], axis=0))

    @property
    def uncertainty(self) -> Values:
        """Return the covariance (k + 1, k + 1) of the variances."""
        if len(self.models) == 1:
            return self.first.uncertainty
        between = np.atleast_2d(np.cov(np.array([model.variances for model in self.models]).T))
        within = np.mean([model.uncertainty for model in self.models], axis=0)
        return np.asarray(within + (1 + 1 / len(self.models)) * between)

    def contrast(self, weights: ArrayLike) -> tuple[Estimate, float, float, float]:
        """Return the contrast ``weights`` (p,) with its standard error, degrees of freedom and two-sided p value."""
        chosen = np.asarray(weights, dtype=np.float64)
        values = np.array([float(chosen @ model.coefficients) for model in self.models])
        within = float(np.mean([chosen @ model.covariance @ chosen for model in self.models]))
        complete = float(np.mean([min(model.df(chosen), 1e9) for model in self.models]))
        tables = len(self.models)
        between = (1 + 1 / tables) * float(values.var(ddof=1)) if tables > 1 else 0.0
        error, df = math.sqrt(within + between), _joined_df(within, between, complete, tables)
        value = float(values.mean())
        half = float(stats.t.ppf(0.5 + LEVEL / 2, df)) * error
        method = f"Student interval with Satterthwaite's {df:.1f} degrees of freedom"
        if tables > 1:
            method += f"; {self.censored} sizes below the noise drawn {tables} times"
        found = Estimate(
            value=value, low=value - half, high=value + half, level=LEVEL, n=self.first.people, method=method
        )
        p = 2 * float(stats.t.sf(abs(value) / error, df)) if error > 0 else math.nan
        return found, error, df, p


def _joined_df(within: float, between: float, complete: float, tables: int) -> float:
    if between <= 0:
        return max(complete, 1.0)
    share = between / (within + between)
    old = (tables - 1) / share**2
    seen = (complete + 1) / (complete + 3) * complete * (1 - share)
    return max(1 / (1 / old + 1 / seen), 1.0)


def fit_sizes(
    logs: ArrayLike, limits: ArrayLike, fixed: Values, people: ArrayLike, levels: Sequence[ArrayLike], *, seed: int = 0
) -> SizeModel:
    """Fit a mixed model of log sizes of which some are only known to lie below a limit.

    Parameters
    ----------
    logs, limits : array, shape (n,)
        Log sizes, NaN where censored; log of the noise there.
    fixed, people, levels
        As ``decussa.pool.mixed.fit`` takes them.
    seed : int
        Of the draws.

    Raises
    ------
    UsageError
        As ``decussa.pool.mixed.fit``.
    """
    y, below = np.array(logs, dtype=np.float64), np.asarray(limits, dtype=np.float64)
    censored = np.isnan(y)
    if not censored.any():
        return SizeModel((fit(y, fixed, people, levels),), 0)
    random = np.random.default_rng(seed)
    spread = float(np.std(y[~censored])) if (~censored).sum() > 1 else 1.0
    y[censored] = below[censored] - 0.5 * spread
    design = Design(y, fixed, people, levels)
    model = design.fit()
    kept = []
    tables = min(max(math.ceil(100 * TABLES_PER_CENT * float(censored.mean())), FEWEST_TABLES), MOST_TABLES)
    for number in range(ROUNDS_BEFORE + tables):
        y = y.copy()
        y[censored] = _drawn(model, below, censored, random)
        model = design.with_outcome(y).fit(model.variances)
        if number >= ROUNDS_BEFORE:
            kept.append(model)
    return SizeModel(tuple(kept), int(censored.sum()))


def _drawn(model: MixedModel, below: Values, censored: NDArray[np.bool_], random: np.random.Generator) -> Values:
    """Return new values of the censored sizes, drawn with the model's own doubt about itself."""
    variances = random.multivariate_normal(model.variances, model.uncertainty, method="eigh").clip(min=0.0)
    variances[-1] = max(variances[-1], 0.25 * model.variances[-1])
    drawn = model.design.held(variances)
    coefficients = random.multivariate_normal(drawn.coefficients, drawn.covariance, method="eigh")
    centre = (model.design.x @ coefficients + drawn.drawn_levels(coefficients, random))[censored]
    sd = math.sqrt(variances[-1])
    room = (below[censored] - centre) / sd
    return np.asarray(centre + sd * special.ndtri_exp(np.log(random.random(room.size)) + special.log_ndtr(room)))
