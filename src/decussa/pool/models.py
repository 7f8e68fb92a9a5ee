"""Comparisons of conditions, points in time and groups: one mixed model of log sizes per muscle, named in every row.

The fixed part has one mean for every combination of group, time and condition that occurs, so that each question is a
difference of means; the background of the trial (log, from the participant's own mean) and its place in the block are
covariates, and sites have levels of their own. The random part follows how trials lie in the study: levels of the
participant, of the participant's condition, session, condition within session, and block. Differences of logarithms are
ratios of geometric means, and are given so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decussa.estimate.average import from_logs
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate
from decussa.pool.imputing import SizeModel, fit_sizes
from decussa.pool.tidy import MOST_LEVELS, Muscle

Values = NDArray[np.float64]
Cell = tuple[str, str, str]

#: Fewest participants of a model, and of a group in it.
FEWEST_PEOPLE, FEWEST_IN_GROUP = 3, 2
#: Share of a cell's sizes below the noise from which a comparison says so (common practice, no source).
MOST_HIDDEN = 0.2
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
class Comparison:
    """One answered question: the ratio with its interval, and the model it came from.

    ``estimate`` is a ratio of geometric means (1: no difference); ``log_error`` the standard error of its logarithm.
    ``p_holm`` is ``p`` adjusted over the muscle's comparisons (Holm 1979, doi 10.2307/4615733).
    """

    muscle: str
    question: str
    of: str
    against: str
    within: str
    estimate: Estimate
    log_error: float
    df: float
    p: float
    trials: int
    formula: str
    p_holm: float = math.nan

    @property
    def key(self) -> tuple[str, str, str, str, str]:
        """Return what is compared, the same in every model of the same data: muscle, question, of, against, within."""
        return self.muscle, self.question, self.of, self.against, self.within


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
    terms, codes = _terms(sizes), _codes(sizes["participant"])
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
    places = _partition([np.asarray(codes, dtype=np.intp) for codes, _ in factors])
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
        levels = _partition([_codes(sizes[column]) for column in ("participant", *columns)])
        count = int(levels.max()) + 1
        alike = any(count == other.max() + 1 == _partition([levels, other]).max() + 1 for other in kept.values())
        if not alike and count < len(sizes):
            kept[name] = levels
    return kept


def _codes(column: pd.Series[str]) -> NDArray[np.intp]:
    return np.asarray(pd.factorize(column)[0], dtype=np.intp)


def _partition(codes: Sequence[NDArray[np.intp]]) -> NDArray[np.intp]:
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


def compare(fitted: FittedMuscle) -> tuple[Comparison, ...]:
    """Return every comparison the muscle's data can answer, with p values adjusted over all of them.

    Conditions against the reference; for the reference, later times against the first and groups against the first in
    alphabetical order; of the conditions' ratios, their change over time and their difference between groups; and how the
    change over time differs between groups. Where a question is not about a factor, the means of its levels count alike.
    """
    asked = [_answer(fitted, *question) for question in _questions(fitted)]
    ranked = _holm([one.p for one in asked])
    return tuple(replace(one, p_holm=p) for one, p in zip(asked, ranked, strict=True))


Question = tuple[str, str, str, str, dict[Cell, float]]


def wanted_of(fitted: FittedMuscle, comparison: Comparison) -> dict[Cell, float]:
    """Return the weights of cells that a comparison stands for."""
    return next(question[4] for question in _questions(fitted) if question[:4] == comparison.key[1:])


def _questions(fitted: FittedMuscle) -> Iterator[Question]:
    groups, times, conditions = (sorted({cell[place] for cell in fitted.cells}) for place in range(3))
    times = _in_order(fitted.muscle.sizes, times)
    reference = fitted.muscle.reference
    others = [condition for condition in conditions if condition != reference]
    cells = set(fitted.cells)
    for condition in others:
        both = [(g, t) for g in groups for t in times if {(g, t, condition), (g, t, reference)} <= cells]
        if both:
            yield "condition", condition, reference, "", _difference(
                [(g, t, condition) for g, t in both], [(g, t, reference) for g, t in both]
            )  # fmt: skip
    for later in times[1:]:
        first = times[0]
        shared = [g for g in groups if {(g, later, reference), (g, first, reference)} <= cells]
        if shared:
            yield "time", later, first, reference, _change(shared, later, first, reference)
        for condition in others:
            shared = [g for g in groups if {(g, t, c) for t in (later, first) for c in (condition, reference)} <= cells]
            if shared:
                change = _change(shared, later, first, condition)
                yield "condition x time", later, first, f"{condition} / {reference}", _minus(
                    change, _change(shared, later, first, reference)
                )  # fmt: skip
    for group in groups[1:]:
        yield from _group_questions(cells, (group, groups[0]), times, reference, others)


def _group_questions(
    cells: set[Cell], pair: tuple[str, str], times: Sequence[str], reference: str, others: Sequence[str]
) -> Iterator[Question]:
    group, first = pair
    shared = [t for t in times if {(g, t, reference) for g in pair} <= cells]
    if shared:
        yield "group", group, first, reference, _difference(
            [(group, t, reference) for t in shared], [(first, t, reference) for t in shared]
        )  # fmt: skip
    for condition in others:
        both = [t for t in times if {(g, t, c) for g in pair for c in (condition, reference)} <= cells]
        if both:
            of = [_difference([(g, t, condition) for t in both], [(g, t, reference) for t in both]) for g in pair]
            yield "condition x group", group, first, f"{condition} / {reference}", _minus(*of)
    for later in times[1:]:
        if {(g, t, reference) for g in pair for t in (later, times[0])} <= cells:
            of = [_change([g], later, times[0], reference) for g in pair]
            yield "time x group", group, first, f"{reference}, {later} / {times[0]}", _minus(*of)


def _in_order(sizes: pd.DataFrame, times: list[str]) -> list[str]:
    """Return points in time in the order in which most of the table has them."""
    if len(times) < 2:
        return times
    people, codes = _codes(sizes["participant"]), np.asarray(pd.factorize(sizes["time"], sort=True)[0])
    first = np.sort(np.unique(_partition([people, codes]), return_index=True)[1])
    seen = pd.DataFrame({"participant": people[first], "time": codes[first]})
    places = seen.groupby("participant").cumcount().groupby(seen["time"]).mean()
    mean = dict(zip(times, places, strict=True))
    return sorted(times, key=lambda time: (float(mean[time]), time))


def _difference(of: list[Cell], against: list[Cell]) -> dict[Cell, float]:
    weights = dict.fromkeys(of, 1 / len(of))
    weights.update(dict.fromkeys(against, -1 / len(against)))
    return weights


def _change(groups: list[str], later: str, first: str, condition: str) -> dict[Cell, float]:
    return _difference([(g, later, condition) for g in groups], [(g, first, condition) for g in groups])


def _minus(one: dict[Cell, float], other: dict[Cell, float]) -> dict[Cell, float]:
    return {cell: one.get(cell, 0.0) - other.get(cell, 0.0) for cell in {**one, **other}}


def _answer(
    fitted: FittedMuscle, question: str, of: str, against: str, within: str, wanted: dict[Cell, float]
) -> Comparison:
    found, error, df, p = fitted.model.contrast(fitted.weights(wanted))
    behind = np.isin(fitted.places, [fitted.cells.index(cell) for cell in wanted])
    people = fitted.people_in(wanted)
    thin, reason = _thin(fitted, question, wanted), _hidden(fitted, wanted)
    if thin:
        found, p, reason = Estimate(method=found.method), math.nan, thin
    ratio = replace(
        from_logs(found), n=people, reason=reason, method=f"ratio of geometric means, mixed model (REML), {found.method}"
    )  # fmt: skip
    return Comparison(
        muscle=fitted.muscle.name, question=question, of=of, against=against, within=within, estimate=ratio,
        log_error=error, df=df, p=p, trials=int(behind.sum()), formula=fitted.formula,
    )  # fmt: skip


def _hidden(fitted: FittedMuscle, wanted: dict[Cell, float]) -> str:
    """Return how many sizes of the cell that has most are below the noise, where that is much."""
    below = np.isnan(fitted.muscle.sizes["log_size"].to_numpy())
    shares = {cell: float(below[fitted.places == fitted.cells.index(cell)].mean()) for cell in wanted}
    most = max(shares, key=lambda cell: shares[cell])
    if shares[most] <= MOST_HIDDEN:
        return ""
    name = ", ".join(part for part in most if part)
    return f"{100 * shares[most]:.0f} % of the sizes of {name} are below the noise: rests on sizes being log-normal"


def _thin(fitted: FittedMuscle, question: str, wanted: dict[Cell, float]) -> str:
    """Return why a question cannot be answered, or nothing."""
    if "group" in question:
        groups = {cell[0] for cell in wanted}
        least = min(fitted.people_in([cell for cell in wanted if cell[0] == group]) for group in groups)
        return f"a group has {least} participant" if least < FEWEST_IN_GROUP else ""
    people = fitted.people_in(wanted)
    return f"{people} participants only" if people < FEWEST_PEOPLE else ""


def _holm(p: Sequence[float]) -> list[float]:
    """Return p values adjusted by Holm's step-down; NaN stays and does not count."""
    order = sorted((value, place) for place, value in enumerate(p) if not math.isnan(value))
    adjusted, largest = [math.nan] * len(p), 0.0
    for rank, (value, place) in enumerate(order):
        largest = max(largest, min(1.0, (len(order) - rank) * value))
        adjusted[place] = largest
    return adjusted
