"""Linear mixed models of many participants: restricted maximum likelihood, t tests with Satterthwaite's degrees of freedom.

The random part is a sum of independent levels nested in the participant (Laird and Ware 1982, doi 10.2307/2529876), so
the likelihood falls into one small matrix per participant and a model of ten thousand trials takes a fraction of a second.
Degrees of freedom after Satterthwaite 1946, doi 10.2307/3002019, for variances with their expected information as in
Giesbrecht and Burns 1985, doi 10.2307/2530872 (the last from memory): with few participants an interval by the normal
distribution would be too short.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg, optimize

from decussa.model.errors import UsageError
from decussa.pool.information import Sums, information

Values = NDArray[np.float64]

#: Ratios of a random to the residual variance the search starts from, one after the other; the least it starts from when
#: it knows better; and the largest it may reach.
_SINGULAR = 1e12
_STARTS, _LEAST_START, _MOST = (0.3, 3.0, 0.02), 1e-3, 1e6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixedModel:
    """A fitted model.

    ``coefficients`` (p,) and their ``covariance`` (p, p); ``variances`` (k + 1,): one per random term, the residual last,
    with their ``uncertainty`` (k + 1, k + 1), the inverse expected information; ``criterion``: -2 log restricted
    likelihood; ``sensitivity`` (k + 1, p, p): derivative of the covariance by each variance; ``n`` observations of
    ``people`` participants; ``residuals`` (n,) after the predicted random part.
    """

    coefficients: Values
    covariance: Values
    variances: Values
    uncertainty: Values
    sensitivity: Values
    criterion: float
    n: int
    people: int
    residuals: Values
    converged: bool
    design: Design

    def df(self, weights: ArrayLike) -> float:
        """Return Satterthwaite's degrees of freedom of the contrast ``weights`` (p,)."""
        contrast = np.asarray(weights, dtype=np.float64)
        variance = float(contrast @ self.covariance @ contrast)
        slope = np.einsum("kij,i,j->k", self.sensitivity, contrast, contrast)
        spread = float(slope @ self.uncertainty @ slope)
        return 2 * variance**2 / spread if spread > 0 else math.inf

    def drawn_levels(self, coefficients: Values, random: np.random.Generator) -> Values:
        """Return the random part of every observation, shape (n,), drawn from what is known of it given the coefficients."""
        design, scale = self.design, float(self.variances[-1])
        root, inverse = design.scaled(self.variances[:-1] / scale)
        centre = design.predicted(root, inverse, coefficients)
        lower = np.linalg.cholesky(inverse)
        noise = random.standard_normal((design.count, design.q, 1))
        return design.at_observations(centre + math.sqrt(scale) * root * (lower @ noise)[:, :, 0])

    def without_each(self) -> Values:
        """Return the coefficients without each participant in turn, variances held, shape (people, p).

        NaN where a coefficient rests on that participant alone. Participants are in order of their codes.
        """
        design = self.design
        each = design.each(self.variances[:-1] / float(self.variances[-1]))
        left = each.sum(axis=0) - each
        found = np.full((design.count, design.p), math.nan)
        for number, one in enumerate(left):
            if np.linalg.cond(one[: design.p, : design.p]) < _SINGULAR:
                found[number] = np.linalg.solve(one[: design.p, : design.p], one[: design.p, design.p])
        return found


def fit(outcome: ArrayLike, fixed: ArrayLike, people: ArrayLike, levels: Sequence[ArrayLike]) -> MixedModel:
    """Fit the model by restricted maximum likelihood.

    Parameters
    ----------
    outcome : array, shape (n,)
    fixed : array, shape (n, p)
        Columns of the fixed part, of full rank.
    people : array, shape (n,)
        Whose observation it is: the independent units.
    levels : sequence of arrays, each of shape (n,)
        Random terms: observations of one participant with the same value share one random effect.

    Returns
    -------
    MixedModel.

    Raises
    ------
    UsageError
        If the fixed part is not of full rank, or there are no more observations than coefficients.
    """
    return Design(outcome, fixed, people, levels).fit()


def _search(design: Design, first: Values | None) -> optimize.OptimizeResult:
    """Return the ratios of least criterion; searched again from elsewhere where the search gave up."""
    k = design.k
    starts = [np.full(k, start) for start in _STARTS]
    best: optimize.OptimizeResult | None = None
    for start in starts if first is None else [first, *starts]:
        found = optimize.minimize(
            design.criterion, start, jac=True, method="L-BFGS-B", bounds=[(0.0, _MOST)] * k,
            options={"maxiter": 300, "ftol": 1e-11, "gtol": 1e-5},
        )  # fmt: skip
        if best is None or found.fun < best.fun:
            best = found
        if found.success:
            break
    assert best is not None
    return best


class Design:
    """What a model is fitted to: sums over each participant's observations, computed once: the likelihood needs nothing else.

    Random effects of all terms of one participant are numbered 0 to q - 1; participants with fewer are padded with columns
    of zeros, which change nothing.
    """

    def __init__(self, outcome: ArrayLike, fixed: ArrayLike, people: ArrayLike, levels: Sequence[ArrayLike]) -> None:
        y, x = np.asarray(outcome, dtype=np.float64), np.asarray(fixed, dtype=np.float64)
        rank = int(np.linalg.matrix_rank(x))
        if rank < x.shape[1] or len(x) <= x.shape[1]:
            raise UsageError(
                "the fixed part cannot be estimated",
                where="mixed model",
                expected="columns of full rank, fewer than observations",
                found=f"rank {rank} of {x.shape[1]} columns, {len(x)} observations",
            )
        people = np.unique(np.asarray(people), return_inverse=True)[1].ravel()
        self.y, self.x, self.people, self.count = y, x, people, int(people.max()) + 1
        self.columns, self.term, q = _number(people, levels, self.count)
        self.q, self.k, (self.n, self.p) = q, len(levels), x.shape
        both = np.column_stack([x, y])
        self.whole = both.T @ both
        cross, within = np.zeros((self.count, q, self.p + 1)), np.zeros((self.count, q, q))
        for column in self.columns:
            np.add.at(cross, (people, column), both)
            for other in self.columns:
                np.add.at(within, (people, column, other), 1.0)
        self.cross, self.within = cross, within

    def fit(self, start: Values | None = None) -> MixedModel:
        """Return the model of greatest restricted likelihood; ``start``: variances (k + 1,) it is likely to have."""
        if not self.k:
            return self.model(np.zeros(0), scale=None, converged=True)
        first = None if start is None else np.maximum(start[:-1] / start[-1], _LEAST_START)
        best = _search(self, first)
        return self.model(best.x, scale=None, converged=bool(best.success))

    def held(self, variances: Values) -> MixedModel:
        """Return the model at these variances (k + 1,), the residual's last."""
        return self.model(variances[:-1] / variances[-1], scale=float(variances[-1]), converged=True)

    def spread(self, ratios: Values) -> Values:
        """Return each column's ratio of its variance to the residual one, shape (q,)."""
        return ratios[self.term] if self.q else np.zeros(0)

    def criterion(self, ratios: Values) -> tuple[float, Values]:
        """Return -2 log restricted likelihood over the residual variance's best value, and its derivative by the ratios."""
        root = np.sqrt(np.maximum(self.spread(ratios), 0.0))
        scaled = np.concatenate([self.cross, self.within], axis=2) * root[:, None]
        lower = np.linalg.cholesky(np.eye(self.q) + scaled[:, :, self.p + 1 :] * root)
        solved = np.linalg.solve(lower, scaled)
        u, v = solved[:, :, : self.p + 1], solved[:, :, self.p + 1 :]
        left = self.whole - _summed(u, u)
        s, sy = left[: self.p, : self.p], left[: self.p, self.p]
        factor = linalg.cho_factor(s)
        beta = linalg.cho_solve(factor, sy)
        rest = max(float(left[self.p, self.p] - beta @ sy), 1e-300)
        free = self.n - self.p
        logs = 2 * float(np.log(np.diagonal(lower, axis1=1, axis2=2)).sum() + np.log(np.diag(factor[0])).sum())
        value = free * (1 + math.log(2 * math.pi * rest / free)) + logs
        c = self.cross - np.swapaxes(v, 1, 2) @ u
        b = np.diagonal(self.within, axis1=1, axis2=2) - np.einsum("iqr,iqr->ir", v, v)
        cx = c[:, :, : self.p]
        b = b - np.einsum("iqa,iqa->iq", cx @ linalg.cho_solve(factor, np.eye(self.p)), cx)
        r = c[:, :, self.p] - cx @ beta
        each = (b - free * r**2 / rest).sum(axis=0)
        slope = np.bincount(self.term, weights=each, minlength=ratios.size)
        return float(value), np.asarray(slope, dtype=np.float64)

    def model(self, ratios: Values, *, scale: float | None, converged: bool) -> MixedModel:
        """Return the model at these ratios: coefficients, degrees of freedom, predictions."""
        d, w = self.within, self.cross
        root, inverse = self.scaled(ratios)
        t = root[:, None] * inverse * root
        td, tw = t @ d, t @ w
        left = self.whole - _summed(w, tw)
        s_inverse = np.linalg.inv(left[: self.p, : self.p])
        s_inverse = (s_inverse + s_inverse.T) / 2
        beta = s_inverse @ left[: self.p, self.p]
        rest = float(left[self.p, self.p] - beta @ left[: self.p, self.p])
        residual = rest / (self.n - self.p) if scale is None else scale
        sums = Sums(d, w[:, :, : self.p], self.whole[: self.p, : self.p], self.n, self.term)
        known = information(sums, (td, tw[:, :, : self.p]), s_inverse, self.k)
        fitted = self.x @ beta + self.at_observations(self.predicted(root, inverse, beta))
        logs = -float(np.linalg.slogdet(inverse)[1].sum()) + float(np.linalg.slogdet(left[: self.p, : self.p])[1])
        free = self.n - self.p
        criterion = free * math.log(2 * math.pi * residual) + rest / residual + logs
        return MixedModel(
            coefficients=beta, covariance=residual * s_inverse,
            variances=np.append(ratios * residual, residual), uncertainty=np.linalg.pinv(known.twice / (2 * residual**2)),
            sensitivity=known.sensitivity, criterion=criterion, n=self.n, people=self.count,
            residuals=self.y - fitted, converged=converged, design=self,
        )  # fmt: skip

    def scaled(self, ratios: Values) -> tuple[Values, Values]:
        """Return root (q,) and inverse (people, q, q); root inverse root is the effects' covariance over the residual's."""
        root = np.sqrt(self.spread(ratios))
        return root, np.asarray(np.linalg.inv(np.eye(self.q) + root[:, None] * self.within * root))

    def predicted(self, root: Values, inverse: Values, coefficients: Values) -> Values:
        """Return the predicted random effects (people, q)."""
        left = self.cross[:, :, self.p] - self.cross[:, :, : self.p] @ coefficients
        return np.asarray(root * np.einsum("iqr,ir->iq", inverse, root * left))

    def each(self, ratios: Values) -> Values:
        """Return every participant's share of X'H^-1 (X, y), shape (people, p + 1, p + 1)."""
        both = np.column_stack([self.x, self.y])
        whole = np.zeros((self.count, self.p + 1, self.p + 1))
        np.add.at(whole, self.people, both[:, :, None] * both[:, None, :])
        root, inverse = self.scaled(ratios)
        scaled = root[:, None] * self.cross
        return np.asarray(whole - np.swapaxes(scaled, 1, 2) @ inverse @ scaled)

    def at_observations(self, effects: Values) -> Values:
        """Return the sum of the effects that each observation has, shape (n,)."""
        total = np.zeros(self.n)
        for column in self.columns:
            total += effects[self.people, column]
        return total

    def with_outcome(self, y: Values) -> Design:
        """Return the same design with another outcome."""
        other = copy(self)
        other.y, other.cross = y, self.cross.copy()
        both = np.column_stack([self.x, y])
        other.whole = both.T @ both
        other.cross[:, :, self.p] = 0.0
        for column in self.columns:
            np.add.at(other.cross[:, :, self.p], (self.people, column), y)
        return other


def _summed(one: Values, other: Values) -> Values:
    """Return the sum over people of one' other, for arrays (people, q, a) and (people, q, b)."""
    return np.asarray(one.reshape(-1, one.shape[2]).T @ other.reshape(-1, other.shape[2]))


def _number(
    people: NDArray[np.intp], levels: Sequence[ArrayLike], count: int
) -> tuple[list[NDArray[np.intp]], NDArray[np.intp], int]:
    """Return each term's column of every observation, the term of each column, and the number of columns."""
    columns, term, start = [], [], 0
    for number, level in enumerate(levels):
        codes = np.unique(np.asarray(level).astype(str), return_inverse=True)[1].ravel()
        pairs, inverse = np.unique(people * (int(codes.max()) + 1) + codes, return_inverse=True)
        sizes = np.bincount(pairs // (int(codes.max()) + 1), minlength=count)
        within = np.concatenate([np.arange(size) for size in sizes])
        own = within[inverse.ravel()].astype(np.intp)
        columns.append(own + start)
        width = int(own.max()) + 1
        term += [number] * width
        start += width
    return columns, np.array(term, dtype=np.intp), start
