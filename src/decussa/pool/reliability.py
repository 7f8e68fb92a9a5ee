"""How well a value comes back: between sessions, raters or methods, with everything that is called reliability by name."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from decussa.estimate.agreement import LimitsOfAgreement, limits_of_agreement
from decussa.estimate.average import from_logs
from decussa.estimate.intraclass import FORMS, Intraclass, intraclass, mean_squares
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

Values = NDArray[np.float64]

LEVEL = 0.95
#: Standard errors of a difference beyond which a change is not chance: the 1.96 of practice, not the exact quantile.
CHANGE = 1.96
RESAMPLES = 2000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measures:
    """What is called reliability, of targets measured at several levels (sessions, raters, methods).

    Of logarithms, errors and changes are in per cent and limits of agreement are ratios. ``sem_consistency``: root of the
    residual mean square; ``sem_agreement``: standard deviation times root of 1 - ICC(2,1); they are different quantities.
    ``change``: smallest detectable change of one target (95 %), from ``sem_consistency``. ``variation``: within-subject
    coefficient of variation in %, by its three formulas. ``limits``: each later level against the first.
    """

    forms: tuple[Intraclass, ...]
    sem_consistency: Estimate
    sem_agreement: Estimate
    change: Estimate
    variation: tuple[Estimate, ...]
    limits: tuple[tuple[str, LimitsOfAgreement], ...]


def icc(table: pd.DataFrame, targets: str, raters: str, scores: str) -> pd.DataFrame:
    """Return the six intraclass correlations of a long table.

    Parameters
    ----------
    table : DataFrame
        One row per target and rater.
    targets, raters, scores : str
        Names of its columns.

    Returns
    -------
    DataFrame, one row per form: form, meaning, icc, low, high, level, f, df1, df2, p, targets, raters, left_out, reason.
    Targets without a score by every rater are left out and counted.

    Raises
    ------
    UsageError
        If a column is missing, a rater scored a target twice, or fewer than two targets or raters are left.
    """
    lacking = [name for name in (targets, raters, scores) if name not in table.columns]
    if lacking:
        raise UsageError("columns are missing", expected=", ".join(lacking), found=", ".join(map(str, table.columns)))
    if table.duplicated([targets, raters]).any():
        raise UsageError("a rater scored a target twice", expected="one row per target and rater")
    wide = table.pivot_table(index=targets, columns=raters, values=scores, aggfunc="first").astype(float)
    full = wide.dropna()
    rows = [
        {
            "form": one.form, "meaning": FORMS[one.form], "icc": one.estimate.value, "low": one.estimate.low,
            "high": one.estimate.high, "level": one.estimate.level, "f": one.f, "df1": one.df1, "df2": one.df2, "p": one.p,
            "targets": len(full), "raters": wide.shape[1], "left_out": table[targets].nunique() - len(full),
            "reason": one.estimate.reason,
        }
        for one in intraclass(full.to_numpy())
    ]  # fmt: skip
    return pd.DataFrame(rows)


def bland_altman(first: ArrayLike, second: ArrayLike) -> LimitsOfAgreement:
    """Return mean difference (first minus second) and 95 % limits of agreement of paired values, each with its interval.

    Bland and Altman 1986, doi 10.1016/S0140-6736(86)90837-8.

    Parameters
    ----------
    first, second : array, shape (n,), one unit

    Raises
    ------
    UsageError
        If there are different numbers of values, or one is not finite.
    """
    return limits_of_agreement(first, second)


def standard_error_of_measurement(sd: float, icc: float) -> float:
    """Return sd times the root of 1 - icc, in the unit of ``sd``.

    Raises
    ------
    UsageError
        If ``sd`` is negative or ``icc`` above 1.
    """
    if not (sd >= 0 and icc <= 1):
        raise UsageError("no error follows", expected="sd 0 or more, icc at most 1", found=f"sd {sd:g}, icc {icc:g}")
    return sd * math.sqrt(1 - icc)


def minimal_detectable_change(sd: float, icc: float) -> float:
    """Return the change of one participant that is not chance (95 %), in the unit of ``sd``: 1.96 root 2 SEM.

    Raises
    ------
    UsageError
        As ``standard_error_of_measurement``.
    """
    return CHANGE * math.sqrt(2) * standard_error_of_measurement(sd, icc)


def measures(values: ArrayLike, levels: Sequence[str], *, logs: bool) -> Measures:
    """Return all measures of complete values.

    Parameters
    ----------
    values : array, shape (n_targets, n_levels), one unit
    levels : sequence of str
        Names of the levels.
    logs : bool
        Compare as ratios: the values must be above 0.

    Raises
    ------
    UsageError
        If a value is not finite, or there are fewer than two targets or levels.
    """
    table = np.asarray(values, dtype=np.float64)
    scored = np.log(table) if logs else table
    n, k = scored.shape
    df = (n - 1) * (k - 1)
    method = f"root of the residual mean square, chi squared interval with {df} degrees of freedom"
    consistency = _spread(mean_squares(scored).error, df, n, method)
    agreement = _agreement_error(scored)
    change = _times(consistency, CHANGE * math.sqrt(2), "1.96 root 2 times the root of the residual mean square")
    limits = [
        (level, limits_of_agreement(scored[:, place], scored[:, 0])) for place, level in enumerate(levels) if place
    ]
    return Measures(
        forms=intraclass(scored),
        sem_consistency=_in_per_cent(consistency) if logs else consistency,
        sem_agreement=_in_per_cent(agreement) if logs else agreement,
        change=_in_per_cent(change) if logs else change,
        variation=within_subject_variation(table),
        limits=tuple(
            (f"{level} / {levels[0]}", as_ratios(one)) if logs else (f"{level} - {levels[0]}", one)
            for level, one in limits
        ),
    )


def _spread(square: float, df: int, n: int, method: str) -> Estimate:
    low, high = (
        math.sqrt(df * square / float(stats.chi2.ppf(share, df))) for share in (0.5 + LEVEL / 2, 0.5 - LEVEL / 2)
    )
    return Estimate(value=math.sqrt(square), low=low, high=high, level=LEVEL, n=n, method=method)


def _times(estimate: Estimate, factor: float, method: str) -> Estimate:
    value, low, high = (factor * end for end in (estimate.value, estimate.low, estimate.high))
    return replace(estimate, value=value, low=low, high=high, method=f"{method}, interval of that")


def _in_per_cent(estimate: Estimate) -> Estimate:
    factors = from_logs(estimate)
    value, low, high = (100 * (factor - 1) for factor in (factors.value, factors.low, factors.high))
    return replace(
        estimate, value=value, low=low, high=high, method=f"{estimate.method}; of logarithms, as a factor in %"
    )


def as_ratios(limits: LimitsOfAgreement) -> LimitsOfAgreement:
    """Return limits of logarithms as limits of ratios."""

    def ratio(estimate: Estimate) -> Estimate:
        return replace(from_logs(estimate), method=f"{estimate.method}; of logarithms, as a ratio")

    return replace(limits, bias=ratio(limits.bias), lower=ratio(limits.lower), upper=ratio(limits.upper))


def _agreement_error(values: Values) -> Estimate:
    """Return SD root(1 - ICC(2,1)); its interval by drawing targets again, too short with few of them."""
    random = np.random.default_rng(0)
    drawn = _agreement_errors(values[random.integers(len(values), size=(RESAMPLES, len(values)))])
    low, high = np.quantile(drawn, [0.5 - LEVEL / 2, 0.5 + LEVEL / 2])
    method = f"standard deviation times root of 1 - ICC(2,1), percentile bootstrap over {len(values)} targets (short with few)"
    value = float(_agreement_errors(values[None])[0])
    return Estimate(value=value, low=float(low), high=float(high), level=LEVEL, n=len(values), method=method)


def _agreement_errors(samples: Values) -> Values:
    """Return SD root(1 - ICC(2,1)) of each of many samples, shape (samples, targets, levels)."""
    n, k = samples.shape[1:]
    grand = samples.mean(axis=(1, 2), keepdims=True)
    of_targets, of_levels = samples.mean(axis=2, keepdims=True), samples.mean(axis=1, keepdims=True)
    targets = k * ((of_targets - grand) ** 2).sum(axis=(1, 2)) / (n - 1)
    levels = n * ((of_levels - grand) ** 2).sum(axis=(1, 2)) / (k - 1)
    error = ((samples - of_targets - of_levels + grand) ** 2).sum(axis=(1, 2)) / ((n - 1) * (k - 1))
    below = targets + (k - 1) * error + k * (levels - error) / n
    single = np.divide(targets - error, below, out=np.zeros_like(below), where=below > 0)
    spread = np.sqrt(((samples - grand) ** 2).sum(axis=(1, 2)) / (n * k - 1))
    return np.asarray(spread * np.sqrt(np.maximum(1 - single, 0.0)))


def within_subject_variation(values: ArrayLike) -> tuple[Estimate, ...]:
    """Return the within-subject coefficient of variation in % by its three formulas, which differ.

    Root mean square of each subject's; within-subject standard deviation over the mean; e to the within-subject standard
    deviation of logarithms, minus 1. Intervals by chi squared with n (k - 1) degrees of freedom, for the first two taking
    the mean as known.

    Parameters
    ----------
    values : array, shape (n_subjects, k), one unit

    Raises
    ------
    UsageError
        If a value is not finite, or there are fewer than two subjects or values each.
    """
    table = np.asarray(values, dtype=np.float64)
    within = mean_squares(table).within
    n, k = table.shape
    df = n * (k - 1)
    means = table.mean(axis=1)
    names = (
        "root mean square of subjects' own",
        "within-subject SD over the mean",
        "from the within-subject SD of logarithms",
    )
    if means.min() <= 0:
        reason = "a subject's mean is not above 0"
        return tuple(Estimate(n=n, method=f"within-subject CV, {name}", reason=reason) for name in names)
    squares = (float(np.mean(table.var(axis=1, ddof=1) / means**2)), within / float(table.mean()) ** 2)
    found = [
        _times(_spread(square, df, n, ""), 100.0, f"within-subject CV, {name}")
        for name, square in zip(names, squares, strict=False)
    ]
    if table.min() > 0:
        logs = _spread(mean_squares(np.log(table)).within, df, n, f"within-subject CV, {names[2]}")
        found.append(_in_per_cent(logs))
    else:
        found.append(Estimate(n=n, method=f"within-subject CV, {names[2]}", reason="a value is not above 0"))
    return tuple(found)
