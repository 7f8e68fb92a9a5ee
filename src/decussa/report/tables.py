"""The tables behind the results: every condition with its counts and values, and why trials count less."""

from __future__ import annotations

import math
from dataclasses import dataclass

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
    measured = dict.fromkeys(_without_window(m) for place in places for m in place.trials["method"].unique() if m)
    lines: dict[str, list[str]] = {}
    for row in (row for place in places for row in place.summary):
        if row.quantity.startswith(("trials_", "rejected")) or not row.estimate.n:
            continue
        # What differs from row to row is said where it counts: in the summary table.
        core = "; ".join(part for part in row.estimate.method.split("; ") if not _varies(part))
        names = lines.setdefault(core, [])
        name = words.quantity_name(row.quantity, "")
        if name not in names:
            names.append(name)
    estimated = [Fact(numbers.listed(names), words.in_print(method)) for method, names in lines.items() if method]
    return [*(Fact("Trials", words.in_print(method)) for method in measured), *estimated]


def _without_window(method: str) -> str:
    return method.partition("; window ")[0]


def _varies(part: str) -> bool:
    return part[:1].isdigit() or part.startswith(("contraction ", "conditioning pulses "))
