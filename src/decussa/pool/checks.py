"""What a mixed model takes for granted, held against the data: each check with its number and what it means."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from decussa.estimate.average import exponential
from decussa.pool.comparisons import Comparison, wanted_of
from decussa.pool.models import FittedMuscle

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One check of one muscle's model: what was looked at, its number, whether it is remarkable, and what follows."""

    muscle: str
    name: str
    value: float
    fine: bool
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Influence:
    """A comparison without each participant in turn, variances held: least and greatest ratio, and whose absence makes them."""

    comparison: Comparison
    least: float
    without_least: str
    greatest: float
    without_greatest: str


#: Name of a check, largest number that is unremarkable, and what follows from a smaller and from a larger one.
_CHECKS = (
    ("the search for the variances failed (1)", 0.5, "the search for the variances ended at an optimum", "do not use the model"),
    ("skewness of the residuals", 1.0, "log sizes are about symmetric", "log sizes are skewed: comparisons lean on their number"),
    (
        "largest over smallest spread of trials between cells", 2.0, "trials of all cells vary about alike",
        "cells vary unequally: their trials could be weighted better; intervals rest on people and sessions and hold",
    ),
    (
        "correlation of neighbouring trials", 0.2, "trials of a block are about independent",
        "excitability drifts within blocks: interleaved conditions are compared fairly, blocked ones are not",
    ),
    (
        "share of sizes below the noise", 0.2, "sizes below the noise count as below it, none is left out",
        "sizes below the noise count as below it, and results rest on sizes being log-normal",
    ),
)  # fmt: skip


def checks(fitted: FittedMuscle) -> Iterator[Check]:
    """Yield the checks of one muscle's model; limits are common practice, no source."""
    residuals = fitted.model.first.residuals
    values = (
        float(not all(one.converged for one in fitted.model.models)),
        float(stats.skew(residuals)),
        _spreads(fitted, residuals),
        _serial(fitted, residuals),
        float(fitted.muscle.sizes["log_size"].isna().mean()),
    )
    for (name, limit, small, large), value in zip(_CHECKS, values, strict=True):
        fine = not abs(value) > limit
        yield Check(muscle=fitted.muscle.name, name=name, value=value, fine=fine, says=small if fine else large)


def _spreads(fitted: FittedMuscle, residuals: Values) -> float:
    """Return the largest over the smallest standard deviation of residuals in a cell."""
    cells = [residuals[fitted.places == place] for place in range(len(fitted.cells))]
    spreads = [float(cell.std()) for cell in cells if cell.size > 2]
    return max(spreads) / min(spreads) if spreads and min(spreads) > 0 else math.nan


def _serial(fitted: FittedMuscle, residuals: Values) -> float:
    """Return the correlation of each trial's residual with the next one's in its block, whatever its condition."""
    frame = fitted.muscle.sizes.assign(residual=residuals).sort_values(["participant", "block", "order"], kind="stable")
    after = frame.groupby(["participant", "block"])["residual"].shift(-1)
    both = after.notna()
    if both.sum() < 3:
        return math.nan
    return float(np.corrcoef(frame.loc[both, "residual"], after[both])[0, 1])


def influences(fitted: FittedMuscle, comparisons: Sequence[Comparison]) -> Iterator[Influence]:
    """Yield for each comparison what it would be without each participant."""
    names = fitted.muscle.sizes["participant"].drop_duplicates().to_list()
    coefficients = fitted.model.first.without_each()
    for one in comparisons:
        if math.isnan(one.estimate.value):
            continue
        logs = coefficients @ fitted.weights(wanted_of(fitted, one))
        if np.isnan(logs).all():
            continue
        least, greatest = int(np.nanargmin(logs)), int(np.nanargmax(logs))
        yield Influence(
            comparison=one, least=exponential(float(logs[least])), without_least=names[least],
            greatest=exponential(float(logs[greatest])), without_greatest=names[greatest],
        )  # fmt: skip
