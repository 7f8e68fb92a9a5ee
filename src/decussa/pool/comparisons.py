"""Comparisons of conditions, points in time and groups: contrasts of a muscle's model, named in every row.

Each question is a difference of the means of cells. Differences of logarithms are ratios of geometric means, and are given so.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from decussa.estimate.average import from_logs
from decussa.model.estimate import Estimate
from decussa.pool.models import FEWEST_IN_GROUP, FEWEST_PEOPLE, Cell, FittedMuscle, codes_of, partition

#: Share of a cell's sizes below the noise from which a comparison says so (common practice, no source).
MOST_HIDDEN = 0.2


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
    people = codes_of(sizes["participant"])
    codes = np.asarray(pd.factorize(sizes["time"], sort=True)[0])
    first = np.sort(np.unique(partition([people, codes]), return_index=True)[1])
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
