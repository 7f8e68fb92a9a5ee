"""One mixed model of log sizes per muscle, from which conditions, points in time and groups are compared.

The fixed part has one mean for every combination of group, time and condition that occurs, so that each question is a
difference of means; the background of the trial (log, from the participant's own mean) and its place in the block are
covariates, and sites have levels of their own. The random part follows how trials lie in the study: levels of the
participant, of the participant's condition, session, condition within session, and block.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decussa.model.errors import UsageError
from decussa.pool.imputing import SizeModel, fit_sizes
from decussa.pool.tidy import MOST_LEVELS, Muscle

Values = NDArray[np.float64]
Cell = tuple[str, str, str]

#: Fewest participants of a model, and of a group in it.
FEWEST_PEOPLE, FEWEST_IN_GROUP = 3, 2
#: Random terms: their name, and the columns whose values together make a level.
TERMS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("participant", ()),
    ("participant:condition", ("condition",)),
    ("participant:session", ("session",)),
    ("participant:session:condition", ("session", "condition")),
    ("participant:session:block", ("session", "block")),
)
COVARIATES = ("background", "order")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedMuscle:
    """The model of one muscle: means of ``cells`` (group, time, condition), and its variances by term.

    ``places`` and ``people`` (n,): number of the cell and of the participant of each trial."""

    muscle: Muscle
    model: SizeModel
    cells: tuple[Cell, ...]
    places: NDArray[np.intp]
    people: NDArray[np.intp]
    terms: tuple[str, ...]
    covariates: tuple[str, ...]
    formula: str

    def people_in(self, cells: Iterable[Cell]) -> int:
        """Return how many participants have trials in these cells."""
        inside = np.isin(self.places, [self.cells.index(cell) for cell in cells])
        return len(np.unique(self.people[inside]))

    def weights(self, wanted: dict[Cell, float]) -> Values:
        """Return the weights of all coefficients for weights of cells."""
        chosen = np.zeros(self.model.first.coefficients.size)
        for cell, weight in wanted.items():
            chosen[self.cells.index(cell)] += weight
        return chosen


def fit_muscle(muscle: Muscle, *, seed: int = 0) -> FittedMuscle:
    """Fit the model of one muscle.

    Raises
    ------
    UsageError
        If there are fewer than three participants, or nothing is left to estimate the spread from.
    """
    sizes = muscle.sizes
    people = sizes["participant"].nunique()
    if people < FEWEST_PEOPLE:
        raise UsageError(
            "too few participants for a model", where=muscle.name,
            expected=f"{FEWEST_PEOPLE} or more", found=str(people),
        )  # fmt: skip
    cells, places = _cells(sizes)
    fixed, covariates, sites = _fixed(sizes, np.eye(len(cells))[places])
    terms, codes = _terms(sizes), codes_of(sizes["participant"])
    names, levels = tuple(terms), list(terms.values())
    logs, limits = sizes["log_size"].to_numpy(), sizes["limit"].to_numpy()
    model = fit_sizes(logs, limits, fixed, codes, levels, seed=seed)
    return FittedMuscle(
        muscle=muscle, model=model, cells=cells, places=places, people=codes, terms=names, covariates=covariates,
        formula=_formula(cells, covariates, names, sites=sites),
    )  # fmt: skip


def _cells(sizes: pd.DataFrame) -> tuple[tuple[Cell, ...], NDArray[np.intp]]:
    """Return the combinations of group, time and condition that occur, and which one each trial belongs to."""
    factors = [pd.factorize(sizes[name], sort=True) for name in ("group", "time", "condition")]
    places = partition([np.asarray(codes, dtype=np.intp) for codes, _ in factors])
    first = np.unique(places, return_index=True)[1]
    named = [[str(values[codes[row]]) for codes, values in factors] for row in first]
    return tuple((group, time, condition) for group, time, condition in named), places


def _fixed(sizes: pd.DataFrame, cells: Values) -> tuple[Values, tuple[str, ...], str]:
    """Return the fixed part, the covariates in it, and how sites are in it."""
    columns = [cells]
    own, sites = _of_sites(sizes, cells)
    if sites:
        columns.append(own)
    covariates = tuple(name for name in COVARIATES if sizes[name].notna().all() and sizes[name].std() > 0)
    columns += [sizes[[name]].to_numpy(float) for name in covariates]
    return np.column_stack(columns), covariates, sites


def _of_sites(sizes: pd.DataFrame, cells: Values) -> tuple[Values, str]:
    """Return columns of the sites' distances from the mean of sites, and what they are.

    A distance of its own in every cell where every site has every cell twice over; one for all cells where that can be told
    from the cells; none otherwise.
    """
    names = sorted(sizes["site"].unique())
    if not 1 < len(names) <= MOST_LEVELS:
        return np.zeros((len(sizes), 0)), ""
    codes = np.eye(len(names))[pd.factorize(sizes["site"], sort=True)[0]]
    distances = codes[:, 1:] - codes[:, :1]
    own = sizes[["site", "group", "time", "condition", "participant"]].drop_duplicates()
    people = own.groupby(["site", "group", "time", "condition"]).size()
    if len(people) == len(names) * cells.shape[1] and people.min() >= FEWEST_IN_GROUP:
        return np.asarray((distances[:, :, None] * cells[:, None, :]).reshape(len(sizes), -1)), "every cell"
    rank = np.linalg.matrix_rank(np.column_stack([cells, distances]))
    if rank == cells.shape[1] + distances.shape[1]:
        return np.asarray(distances), "level"
    return np.zeros((len(sizes), 0)), ""


def _terms(sizes: pd.DataFrame) -> dict[str, NDArray[np.intp]]:
    """Return the random terms that can be told apart, each with its level for every trial.

    No partition of the trials twice, and none with a level of its own for every trial.
    """
    kept: dict[str, NDArray[np.intp]] = {}
    for name, columns in TERMS:
        levels = partition([codes_of(sizes[column]) for column in ("participant", *columns)])
        count = int(levels.max()) + 1
        alike = any(count == other.max() + 1 == partition([levels, other]).max() + 1 for other in kept.values())
        if not alike and count < len(sizes):
            kept[name] = levels
    return kept


def codes_of(column: pd.Series[str]) -> NDArray[np.intp]:
    """Return one number for each value of a column, from 0 in order of first appearance."""
    return np.asarray(pd.factorize(column)[0], dtype=np.intp)


def partition(codes: Sequence[NDArray[np.intp]]) -> NDArray[np.intp]:
    """Return one number for each combination of codes, from 0."""
    together = codes[0]
    for code in codes[1:]:
        together = np.unique(together * (int(code.max()) + 1) + code, return_inverse=True)[1].ravel()
    return together


def _formula(cells: Sequence[Cell], covariates: Sequence[str], terms: Sequence[str], *, sites: str) -> str:
    levels = zip(("group", "time", "condition"), zip(*cells, strict=True), strict=True)
    factors = ":".join(name for name, values in levels if len(set(values)) > 1)
    of_sites = {"every cell": [f"site:{factors}" if factors else "site"], "level": ["site"]}.get(sites, [])
    fixed = [f"0 + {factors}" if factors else "1", *of_sites, *covariates]
    return "log(size) ~ " + " + ".join([*fixed, *(f"(1 | {term})" for term in terms)])
