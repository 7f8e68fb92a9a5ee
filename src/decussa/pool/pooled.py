"""Everything that can be said over participants, sessions, raters and sites from one study's tables."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pandas as pd

from decussa.model.errors import UsageError
from decussa.pool.checks import Check, Influence, checks, influences
from decussa.pool.comparisons import Comparison, compare
from decussa.pool.enough import Enough, enough_trials
from decussa.pool.models import FittedMuscle, fit_muscle
from decussa.pool.paired import PairedIndex, paired_indices
from decussa.pool.power import Planned, plan_people
from decussa.pool.repeated import Reliability, reliabilities
from decussa.pool.sites import SiteTable, site_profiles, site_tables
from decussa.pool.tidy import Muscle, muscles

#: Trials of each condition for which people are counted.
PLANNED_TRIALS = (10, 20, 30)
#: Without this term a comparison's spread between people is not known, and nothing can be planned for it.
_NEEDED = {
    "condition": "participant:condition",
    "time": "participant:session",
    "group": "participant",
    "condition x time": "participant:session:condition",
    "condition x group": "participant:condition",
    "time x group": "participant:session",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PooledMuscle:
    """What the models of one muscle say; ``fitted`` is None where ``reason`` says why."""

    muscle: Muscle
    fitted: FittedMuscle | None
    comparisons: tuple[Comparison, ...] = ()
    checks: tuple[Check, ...] = ()
    influences: tuple[Influence, ...] = ()
    sites: tuple[SiteTable, ...] = ()
    enough: tuple[Enough, ...] = ()
    planned: tuple[Planned, ...] = ()
    notes: tuple[str, ...] = ()
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pooled:
    """What a study's tables say together: by muscle, reliability, paired indices, site profiles, and warnings.

    ``table`` and ``summary`` are what it was made from.
    """

    muscles: tuple[PooledMuscle, ...]
    reliability: tuple[Reliability, ...]
    paired: tuple[PairedIndex, ...]
    profiles: pd.DataFrame
    warnings: tuple[str, ...]
    participants: int
    sessions: int
    trials: int
    table: pd.DataFrame
    summary: pd.DataFrame


def pool(
    trials: pd.DataFrame, summary: pd.DataFrame, *, reference: str = "", described: pd.DataFrame | None = None,
    effect: float = 1.3, seed: int = 0,
) -> Pooled:  # fmt: skip
    """Return the statistics over a study.

    Parameters
    ----------
    trials : DataFrame
        A complete trial table with ``kept``, ``_size_uv``, ``group`` and ``site``; no row for none.
    summary : DataFrame
        Its summary, with ``group`` and ``site``.
    reference : str
        Condition the others are held against; found where omitted.
    described : DataFrame, optional
        Profile of the sites.
    effect : float
        True ratio that planned studies are to find.
    seed : int
        Of the draws for sizes below the noise.

    Raises
    ------
    UsageError
        If the reference is no condition, the effect no ratio, or ``described`` no profile of sites.
    """
    several = len(set(trials["site"])) > 1
    profiles, warnings = site_profiles(trials, described)
    return Pooled(
        muscles=tuple(_muscle(one, effect=effect, seed=seed, sites=several) for one in muscles(trials, reference=reference)),
        reliability=tuple(reliabilities(summary)),
        paired=tuple(paired_indices(summary)),
        profiles=profiles, warnings=warnings, participants=trials["participant"].nunique(),
        sessions=len(trials[["participant", "session", "timepoint"]].drop_duplicates()), trials=len(trials),
        table=trials, summary=summary,
    )  # fmt: skip


def _muscle(muscle: Muscle, *, effect: float, seed: int, sites: bool) -> PooledMuscle:
    try:
        fitted = fit_muscle(muscle, seed=seed)
    except UsageError as error:
        return PooledMuscle(muscle=muscle, fitted=None, reason=str(error))
    comparisons = compare(fitted)
    tables, notes = site_tables(muscle, seed=seed) if sites else ((), ())
    return PooledMuscle(
        muscle=muscle, fitted=fitted, comparisons=comparisons, checks=tuple(checks(fitted)),
        influences=tuple(influences(fitted, comparisons)), sites=tables, enough=tuple(enough_trials(muscle)),
        planned=tuple(_planned(fitted, comparisons, effect)), notes=notes,
    )  # fmt: skip


def _planned(fitted: FittedMuscle, comparisons: tuple[Comparison, ...], effect: float) -> Iterator[Planned]:
    for question in dict.fromkeys(one.question for one in comparisons):
        if _NEEDED[question] in fitted.terms:
            for trials in PLANNED_TRIALS:
                yield plan_people(
                    question, effect, fitted.terms, fitted.model.variances, fitted.model.uncertainty, trials=trials,  # type: ignore[arg-type]
                )  # fmt: skip
