"""Paired-pulse indices across people: every person's log ratio with the weight of its own interval."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from decussa.estimate.average import from_logs
from decussa.model.estimate import Estimate
from decussa.pool.meta import Joined, join
from decussa.pool.tidy import condition_words, places, summary_conditions, time_of

#: Quantities of a summary that are ratios of paired to unconditioned responses.
INDICES = ("sici_ratio", "icf_ratio", "lici_ratio", "lici_second_first", "paired_ratio")
FEWEST_PEOPLE = 3
_INTERVAL = 0.975
Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairedIndex:
    """One index of one muscle over people, for all (``part`` empty), a point in time, a group or a site.

    ``people`` holds participant, log and error, one row each; ``ratio`` their joined ratio of means, ``spread`` the factor
    between people, ``prediction`` where a new person's true ratio may lie. ``inhibitory`` and ``facilitatory`` count people
    whose own interval lies below and above 1.
    """

    muscle: str
    condition: str
    quantity: str
    part: str
    people: pd.DataFrame
    joined: Joined | None
    ratio: Estimate
    spread: Estimate
    prediction: Estimate
    inhibitory: int
    facilitatory: int
    left_out: int


def paired_indices(summary: pd.DataFrame) -> Iterator[PairedIndex]:
    """Yield every paired index of a summary table, over all people, and by time, group and site where these differ.

    Parameters
    ----------
    summary : DataFrame
        A summary table; columns ``group`` and ``site`` count where they are there.
    """
    table = summary[summary["quantity"].isin(INDICES)]
    for muscle, rows in places(table):
        rows = rows.assign(condition=summary_conditions(rows))
        for (condition, isi, quantity), own in rows.groupby(
            ["condition", "isi_ms", "quantity"], sort=False, dropna=False
        ):
            name = condition_words(condition, isi)
            for part, chosen in _parts(own):
                yield _index(muscle, name, str(quantity), part, chosen)


def _parts(own: pd.DataFrame) -> Iterator[tuple[str, pd.DataFrame]]:
    yield "", own
    factors = {"time": time_of(own)} | {name: own[name] for name in ("group", "site") if name in own.columns}
    for factor, levels in factors.items():
        named = sorted(set(levels) - {""})
        if len(named) > 1:
            for level in named:
                yield f"{factor} {level}", own[levels == level]


def _index(muscle: str, condition: str, quantity: str, part: str, rows: pd.DataFrame) -> PairedIndex:
    logs, errors = _logs(rows)
    usable = np.isfinite(logs) & np.isfinite(errors) & (errors > 0)
    frame = pd.DataFrame({"participant": rows["participant"], "log": logs, "variance": errors**2})[usable]
    by_person = frame.groupby("participant", sort=True)
    people = pd.DataFrame(
        {"log": by_person["log"].mean(), "error": np.sqrt(by_person["variance"].sum()) / by_person.size()}
    ).reset_index()
    left_out = rows["participant"].nunique() - len(people)
    z = float(stats.norm.ppf(_INTERVAL))
    joined = join(people["log"].to_numpy(), people["error"].to_numpy()) if len(people) >= FEWEST_PEOPLE else None
    reason = f"{len(people)} people with an interval; {FEWEST_PEOPLE} are needed"
    lacking = Estimate(n=len(people), method="ratio of arithmetic means, joined over people", reason=reason)
    return PairedIndex(
        muscle=muscle, condition=condition, quantity=quantity, part=part, people=people, joined=joined,
        ratio=from_logs(joined.mean) if joined else lacking,
        spread=from_logs(joined.spread) if joined else lacking,
        prediction=from_logs(joined.prediction) if joined else lacking,
        inhibitory=int((people["log"] + z * people["error"] < 0).sum()),
        facilitatory=int((people["log"] - z * people["error"] > 0).sum()), left_out=left_out,
    )  # fmt: skip


def _logs(rows: pd.DataFrame) -> tuple[Values, Values]:
    """Return log ratios and their standard errors from values, intervals and numbers of trials, both (n,).

    An interval's half on the log scale is Student's quantile times the error; of an interval that is open at one side the
    other half counts.
    """
    value, low, high, n = (rows[name].to_numpy(np.float64) for name in ("value", "low", "high", "n"))
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(value)
        halves = np.column_stack([logs - np.log(low), np.log(high) - logs])
    halves[~np.isfinite(halves)] = np.nan
    known = np.isfinite(halves).any(axis=1)
    half = np.full(len(rows), math.nan)
    half[known] = np.nanmean(halves[known], axis=1)
    # Both conditions have about half of the trials, and their own degrees of freedom in the interval.
    quantile = stats.t.ppf(_INTERVAL, np.maximum(n / 2 - 1, 1))
    return logs, half / quantile
