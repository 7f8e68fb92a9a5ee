"""The tables behind the results: every condition with its counts and values, and why trials count less."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from decussa.report import numbers, words
from decussa.report.content import Condition, MusclePlace
from decussa.report.facts import Fact
from decussa.report.sentences import counted_rules

#: Values of a condition: quantity, unit, heading.
COLUMNS = (
    ("mep_amplitude", "uV", "Size"),
    ("mep_amplitude_arithmetic", "uV", "Mean size"),
    ("mep_area", "uV ms", "Area"),
    ("mep_latency", "ms", "Latency"),
    ("background_rms", "uV", "Background"),
)
#: How the muscle was when a method was used: the method is one.
_STATE = re.compile("^(at rest|during contraction): ")
#: More conditions than this of one muscle are left to the summary table, and the report says so.
MOST_ROWS = 30


@dataclass(frozen=True, slots=True)
class Cell:
    """One value as printed."""

    text: str
    interval: str
    unit: str


@dataclass(frozen=True, slots=True)
class ConditionRow:
    """One condition at one intensity: its name, what was given, kept of given, one cell per entry of ``COLUMNS``."""

    name: str
    given: str
    kept: str
    cells: tuple[Cell, ...]


def condition_rows(place: MusclePlace) -> tuple[list[ConditionRow], int]:
    """Return the rows of one muscle, one per condition and intensity, and how many more there are."""
    rows = [row for condition in place.conditions for row in _rows_of(place, condition)]
    return rows[:MOST_ROWS], max(len(rows) - MOST_ROWS, 0)


def _rows_of(place: MusclePlace, condition: Condition) -> list[ConditionRow]:
    if condition.stim_type == "nerve" or len(condition.levels) <= 1:
        return [_row(place, condition, math.nan)]
    return [_row(place, condition, level) for level in condition.levels]


def _row(place: MusclePlace, condition: Condition, level_mso: float) -> ConditionRow:
    trials = condition.trials
    if math.isfinite(level_mso):
        trials = trials[trials["intensity_mso"] == level_mso]
    return ConditionRow(
        name=words.shortened(condition.name, 40),
        given=_given(place, condition, level_mso),
        kept=f"{int(trials['kept'].sum())} of {len(trials)}",
        cells=tuple(
            _value(place, _asked(quantity, condition), unit, condition, level_mso) for quantity, unit, _ in COLUMNS
        ),
    )


def _asked(quantity: str, condition: Condition) -> str:
    """Return what stands in a column: a nerve stimulus has Mmax in place of a size."""
    return "mmax" if condition.stim_type == "nerve" and quantity == "mep_amplitude" else quantity


def _given(place: MusclePlace, condition: Condition, level_mso: float) -> str:
    trials = condition.trials
    if condition.stim_type == "nerve":
        currents = trials["current_ma"].dropna()
        if currents.empty:
            return "nerve"
        least, most = float(currents.min()), float(currents.max())
        return f"nerve, {least:g}{'' if least == most else f'–{most:g}'}{numbers.THIN}mA"
    levels = condition.levels
    test = level_mso if math.isfinite(level_mso) else levels[0] if levels else math.nan
    conditioning = trials["cond_intensity_mso"].dropna().unique()
    setting = words.setting(test, float(conditioning[0]) if len(conditioning) == 1 else math.nan)
    parts = [setting.removesuffix(f"{numbers.THIN}MSO")]
    if math.isfinite(condition.isi_ms):
        measured = place.estimate("isi_measured", condition, level_mso).value
        differs = math.isfinite(measured) and f"{measured:.2f}" != f"{condition.isi_ms:.2f}"
        seen = f" ({measured:.2f})" if differs else ""
        parts.append(f"{condition.isi_ms:g}{numbers.THIN}ms{seen}")
    if condition.contraction_pct > 0:
        parts.append(f"{condition.contraction_pct:g}{numbers.THIN}%{numbers.THIN}MVC")
    return ", ".join(part for part in parts if part)


def _value(place: MusclePlace, quantity: str, unit: str, condition: Condition, level_mso: float) -> Cell:
    found = place.estimate(quantity, condition, level_mso)
    value, interval, printed = numbers.estimate(found.value, found.low, found.high, unit)
    return Cell(value, interval, printed if value != numbers.DASH or interval else "")


def count_row(place: MusclePlace) -> list[str]:
    """Return for one muscle: name, given, accepted, doubtful, rejected, and the rules that decided."""
    verdicts = place.trials["verdict"].replace("", "accept")
    why = [
        f"{said}: {counted_rules(place.trials[verdicts == kind])}"
        for kind, said in (("reject", "rejected"), ("doubtful", "doubtful"))
        if (verdicts == kind).any()
    ]
    counted = [f"{int((verdicts == kind).sum()):,}" for kind in ("accept", "doubtful", "reject")]
    return [place.name, f"{len(verdicts):,}", *counted, "; ".join(why) or numbers.DASH]


def method_lines(places: tuple[MusclePlace, ...]) -> list[Fact]:
    """Return how the values were measured and estimated: every method of both tables, once."""
    lines: dict[str, list[str]] = {}
    for row in (row for place in places for row in place.summary):
        if row.quantity.startswith(("trials_", "rejected")) or not row.estimate.n:
            continue
        # What differs from row to row is said where it counts: in the summary table.
        core = "; ".join(part for part in row.estimate.method.split("; ") if not _varies(part))
        names = lines.setdefault(_STATE.sub("", core), [])
        name = words.quantity_name(row.quantity, "")
        if name not in names:
            names.append(name)
    estimated = [Fact(numbers.listed(names), words.in_print(method)) for method, names in lines.items() if method]
    measured = _measured(places)
    return [*([Fact("Trials", words.in_print(measured))] if measured else []), *estimated]


def _measured(places: tuple[MusclePlace, ...]) -> str:
    """Return how trials were measured, in one line: what all methods share, then what differs, by kind of trial."""
    kinds: dict[str, list[str]] = {}
    for place in places:
        for condition in place.conditions:
            kind = "M-waves" if condition.stim_type == "nerve" else "contracted" if condition.active else "at rest"
            for method in condition.trials["method"].unique():
                names = kinds.setdefault(_without_window(method), []) if method else []
                if kind not in names:
                    names.append(kind)
    parts = {method: re.split("[,;] ", method) for method in kinds}
    shared = [part for part in next(iter(parts.values()), []) if all(part in own for own in parts.values())]
    differing = [
        f"{numbers.listed(kinds[method])}: {', '.join(rest)}"
        for method, own in parts.items()
        if (rest := [part for part in own if part not in shared])
    ]
    return "; ".join(part for part in (", ".join(shared), *differing) if part)


def _without_window(method: str) -> str:
    return re.sub(r"; window (as asked|as the data set says|default for [^;]*)", "", method)


def sweep_rows(place: MusclePlace) -> list[Fact]:
    """Return for each condition and intensity which sweeps its values come from, and in parentheses those that were rejected.

    Numbers are those of the trial table's column ``sweep``; the recording stands before them where there are several.
    """
    several = len(set(place.trials["recording"])) > 1
    rows = []
    for condition in place.conditions:
        levels = condition.levels if condition.stim_type != "nerve" and len(condition.levels) > 1 else [math.nan]
        for level in levels:
            trials = condition.trials
            trials = trials[trials["intensity_mso"] == level] if math.isfinite(level) else trials
            name = ", ".join(part for part in (condition.name, _given(place, condition, level)) if part)
            rows.append(Fact(name, _sweeps(trials, several=several)))
    return rows


def _sweeps(trials: pd.DataFrame, *, several: bool) -> str:
    told = []
    for recording, own in trials.groupby("recording", sort=False):
        kept, rejected = (ranges(own["sweep"][own["kept"] == kept]) for kept in (True, False))
        text = " ".join(part for part in (kept, f"({rejected})" if rejected else "") if part)
        told.append(f"{words.breakable(str(recording))}: {text}" if several else text)
    return "; ".join(told)


def ranges(sweeps: Iterable[float]) -> str:
    """Return numbers of sweeps in order, neighbours as ``3–7``."""
    runs: list[list[int]] = []
    for sweep in sorted({int(one) for one in sweeps}):
        if runs and sweep == runs[-1][1] + 1:
            runs[-1][1] = sweep
        else:
            runs.append([sweep, sweep])
    return ", ".join(f"{first}" if first == last else f"{first}\u2013{last}" for first, last in runs)


def _varies(part: str) -> bool:
    return part[:1].isdigit() or part.startswith(("contraction ", "conditioning pulses "))
