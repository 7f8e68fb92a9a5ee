"""The statistics over a study as tables: one row per number, each with interval, n and method."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from decussa.model.estimate import Estimate
from decussa.pool.methods import Differences, QuantityChange
from decussa.pool.pooled import Pooled
from decussa.pool.repeated import Reliability
from decussa.report.pool_origins import origins

Row = dict[str, Any]


def pool_tables(pooled: Pooled) -> dict[str, pd.DataFrame]:
    """Return every table by its name; those without a row are left out."""
    makers: Mapping[str, Callable[[Pooled], Iterator[Row]]] = {
        "comparisons": _comparisons, "variances": _variances, "checks": _checks, "sites": _sites, "paired": _paired,
        "reliability": _reliability, "trials": _trials, "people": _people,
    }  # fmt: skip
    tables = {name: pd.DataFrame(list(make(pooled))) for name, make in makers.items()}
    tables |= {"site_profiles": pooled.profiles, "summary": pooled.summary, "sweeps": origins(pooled)}
    return {name: table for name, table in tables.items() if len(table)}


def _numbers(estimate: Estimate) -> Row:
    return {
        "value": estimate.value, "low": estimate.low, "high": estimate.high, "level": estimate.level, "n": estimate.n,
        "method": estimate.method, "reason": estimate.reason,
    }  # fmt: skip


def _comparisons(pooled: Pooled) -> Iterator[Row]:
    for one in pooled.muscles:
        around = {id(each.comparison): each for each in one.influences}
        for each in one.comparisons:
            odd = around.get(id(each))
            yield {
                "muscle": each.muscle, "question": each.question, "of": each.of, "against": each.against, "within": each.within,
                "quantity": "ratio", **_numbers(each.estimate), "log_error": each.log_error, "df": each.df, "p": each.p,
                "p_holm": each.p_holm, "trials": each.trials, "formula": each.formula,
                "least_without_one": odd.least if odd else math.nan, "without_least": odd.without_least if odd else "",
                "greatest_without_one": odd.greatest if odd else math.nan,
                "without_greatest": odd.without_greatest if odd else "",
            }  # fmt: skip


def _variances(pooled: Pooled) -> Iterator[Row]:
    for one in pooled.muscles:
        if one.fitted is None:
            yield {"muscle": one.muscle.name, "term": "", "variance": math.nan, "reason": one.reason}
            continue
        errors = np.sqrt(np.clip(np.diag(one.fitted.model.uncertainty), 0, None))
        for term, variance, error in zip((*one.fitted.terms, "trial"), one.fitted.model.variances, errors, strict=True):
            yield {
                "muscle": one.muscle.name, "term": term, "variance": variance, "standard_error": error, "sd": math.sqrt(variance),
                "factor": math.exp(math.sqrt(variance)), "formula": one.fitted.formula,
                "method": "variance of log sizes, REML, standard error from the expected information", "reason": "",
            }  # fmt: skip


def _checks(pooled: Pooled) -> Iterator[Row]:
    for one in pooled.muscles:
        for check in one.checks:
            yield {
                "muscle": check.muscle,
                "check": check.name,
                "value": check.value,
                "fine": check.fine,
                "says": check.says,
            }


def _sites(pooled: Pooled) -> Iterator[Row]:
    for one in pooled.muscles:
        for table in one.sites:
            place = dict(zip(("muscle", "question", "of", "against", "within"), table.comparison, strict=True))
            without = table.without or (Estimate(),) * len(table.sites)
            for (site, each), weight, others in zip(table.sites, table.joined.weights, without, strict=True):
                yield {**place, "row": site, **_numbers(each.estimate), "weight": weight,
                       "others_value": others.value, "others_low": others.low, "others_high": others.high}  # fmt: skip
            for name, estimate in (
                ("together", table.together), ("spread between sites, factor", table.spread),
                ("a new site", table.prediction), ("I squared, %", table.joined.i_squared),
            ):  # fmt: skip
                yield {**place, "row": name, **_numbers(estimate), "q": table.joined.q, "q_p": table.joined.q_p}


def _paired(pooled: Pooled) -> Iterator[Row]:
    for one in pooled.paired:
        place = {"muscle": one.muscle, "condition": one.condition, "quantity": one.quantity, "part": one.part or "all"}
        counts = {
            "inhibitory": one.inhibitory,
            "facilitatory": one.facilitatory,
            "people": len(one.people),
            "left_out": one.left_out,
        }
        for name, estimate in (
            ("ratio", one.ratio), ("spread between people, factor", one.spread), ("a new person", one.prediction),
        ):  # fmt: skip
            yield {**place, "row": name, **_numbers(estimate), **counts}


def _reliability(pooled: Pooled) -> Iterator[Row]:
    for one in pooled.reliability:
        yield from reliability_rows(one)


def reliability_rows(one: Reliability) -> Iterator[Row]:
    """Yield the rows of one quantity: the six ICCs, both errors, change, variation, limits of agreement."""
    place = {
        "by": one.by, "muscle": one.muscle, "condition": one.condition, "quantity": one.quantity, "unit": one.unit,
        "scale": one.scale, "levels": " | ".join(one.levels), "targets": one.targets, "left_out": one.left_out,
    }  # fmt: skip
    if one.measures is None:
        yield {**place, "measure": "", **_numbers(Estimate(n=one.targets, reason=one.reason))}
        return
    found = one.measures
    error_unit = "%" if one.scale == "log" else one.unit
    for form in found.forms:
        yield {**place, "measure": form.form, "measure_unit": "", **_numbers(form.estimate), "f": form.f, "p": form.p}
    for name, estimate in (
        ("SEM, root of EMS", found.sem_consistency), ("SEM, SD root(1 - ICC(2,1))", found.sem_agreement), ("MDC95", found.change),
    ):  # fmt: skip
        yield {**place, "measure": name, "measure_unit": error_unit, **_numbers(estimate)}
    for estimate in found.variation:
        yield {
            **place,
            "measure": estimate.method.partition(";")[0].split(", interval")[0],
            "measure_unit": "%",
            **_numbers(estimate),
        }
    for pair, limits in found.limits:
        unit = "ratio" if one.scale == "log" else one.unit
        for name, estimate in (("bias", limits.bias), ("lower limit", limits.lower), ("upper limit", limits.upper)):
            yield {**place, "measure": f"{name} of {pair}", "measure_unit": unit, **_numbers(estimate)}


def _trials(pooled: Pooled) -> Iterator[Row]:
    for muscle in pooled.muscles:
        for one in muscle.enough:
            place = {
                "muscle": one.muscle, "condition": one.condition, "people": one.people, "sessions": one.sessions,
                "trials_given": one.trials, "serial_correlation": one.serial, "note": one.note,
            }  # fmt: skip
            spreads = (
                ("between people", one.person_sd),
                ("between sessions", one.session_sd),
                ("between trials", one.trial_sd),
            )
            rows = [(f"SD of logs {name}", each) for name, each in spreads]
            rows += [(f"trials for a mean within a factor {factor:g}", each) for factor, each in one.precision]
            rows += [
                ("reliability of one session's mean", one.reliability),
                ("reliability with endless trials", one.ceiling),
            ]
            rows += [(f"trials for reliability {wanted:g}", each) for wanted, each in one.for_reliability]
            rows += [("trials beyond which sessions matter ten times more", one.no_gain)]
            for name, estimate in rows:
                yield {**place, "row": name, **_numbers(estimate)}


def _people(pooled: Pooled) -> Iterator[Row]:
    for muscle in pooled.muscles:
        for one in muscle.planned:
            yield {
                "muscle": muscle.muscle.name, "question": one.contrast, "ratio_to_find": one.ratio, "sessions": one.sessions,
                "trials": one.trials, "power": one.power, **_numbers(one.people), "sd_of_log": one.sd.value,
                "sd_low": one.sd.low, "sd_high": one.sd.high,
            }  # fmt: skip


def difference_tables(found: Differences, changes: tuple[QuantityChange, ...]) -> dict[str, pd.DataFrame]:
    """Return the tables of two ways of measuring: columns of the trials, and quantities of the summary."""
    columns = []
    for one in found.columns:
        place = {
            "column": one.column, "scale": "second / first" if one.ratios else "second - first", "unit": one.unit, "n": one.n,
            "differ": one.differ, "only_first": one.only_first, "only_second": one.only_second,
        }  # fmt: skip
        for name, estimate in (
            ("bias", one.limits.bias), ("lower limit", one.limits.lower), ("upper limit", one.limits.upper),
            ("ICC(2,1)", one.icc),
        ):  # fmt: skip
            columns.append({**place, "row": name, **{k: v for k, v in _numbers(estimate).items() if k != "n"}})
    quantities = [
        {
            "quantity": one.quantity, "unit": one.unit, "rows": one.n, "moved": one.moved, "outside_interval": one.outside,
            "lost": one.lost, "gained": one.gained, "typical_change": one.typical, "largest_change": one.largest,
            "change_unit": "%" if one.relative else one.unit,
        }
        for one in changes
    ]  # fmt: skip
    return {"columns": pd.DataFrame(columns), "quantities": pd.DataFrame(quantities)}
