"""The table of results: the values a reader looks for first, each with interval, origin and state of review."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

from decussa.report import numbers, words
from decussa.report.content import Condition, Found, MusclePlace, has_curve

#: What the plan's own searches find, with the unit of the summary.
_SEARCHED = (
    ("rmt", "% MSO"),
    ("amt", "% MSO"),
    ("test_intensity", "% MSO"),
    ("base", "% MSO"),
    ("trunk_test", "% MSO"),
    ("rmt_recheck", "% MSO"),
    ("hotspot_x", "cm"),
    ("hotspot_y", "cm"),
    ("tracked_test", "% MSO"),
    ("tracked_inhibition", "%"),
)
_CURVE = (("s50", "% MSO"), ("slope", "uV per % MSO"), ("mep_max", "uV"), ("curve_threshold", "% MSO"))


@dataclass(frozen=True, slots=True)
class Result:
    """One line: texts as printed. ``note`` is the letter of a remark below the table."""

    name: str
    value: str
    interval: str
    unit: str
    origin: str
    note: str
    review: str = "unreviewed"


@dataclass(frozen=True, slots=True)
class Line:
    """One quantity of a muscle: its name, the row of the summary, and the unit of that row."""

    name: str
    found: Found
    unit: str


@dataclass(slots=True)
class Remarks:
    """Remarks below the table, each once, with a letter."""

    texts: list[str] = field(default_factory=list)

    def letter(self, text: str) -> str:
        """Return the letter of a remark, a new one where it is new; empty for no remark."""
        if not text:
            return ""
        printed = words.in_print(text)
        if printed not in self.texts:
            self.texts.append(printed)
        place = self.texts.index(printed)
        return chr(ord("a") + place) if place < 26 else f"a{place - 25}"


def results_of(place: MusclePlace, remarks: Remarks) -> list[Result]:
    """Return the lines of one muscle, in the order in which they are read."""
    return [*responses_of(place), *(result(line, remarks) for line in lines_of(place))]


def lines_of(place: MusclePlace) -> list[Line]:
    """Return every quantity of one muscle that the summary has, in the order in which they are read."""
    lines = [
        Line(words.quantity_name(row.quantity, row.condition), row, unit)
        for quantity, unit in _SEARCHED
        for row in place.rows(quantity)
        if math.isfinite(row.estimate.value)
    ]
    lines += [_line(place, "mmax", c, "uV") for c in place.of_type("nerve")[:1]]
    lead = leading(place)
    for condition in place.of_type("single"):
        if condition is lead or not (has_curve(condition) or condition.name in place.tests):
            lines += _single(place, condition, lead=condition is lead)
    for condition in place.of_type("paired"):
        lines += _ratios(place, condition)
    for condition in place.of_type("single"):
        if has_curve(condition):
            lines += [_line(place, quantity, condition, unit) for quantity, unit in _CURVE]
    return [line for line in lines if line.found.estimate.method]


def leading(place: MusclePlace) -> Condition | None:
    """Return the condition that stands for the muscle: one intensity, with a size, outside pairs, the most trials."""
    singles = place.of_type("single")

    def rank(condition: Condition) -> tuple[bool, bool, bool, int]:
        size = place.estimate("mep_amplitude", condition)
        several = len(condition.levels) > 1
        return several, not math.isfinite(size.value), condition.name in place.tests, -len(condition.kept)

    return min(singles, key=rank, default=None)


def responses_of(place: MusclePlace) -> Iterator[Result]:
    """Yield whether a response was obtained, at rest and during contraction."""
    for row in place.rows("mep_status"):
        found = row.estimate
        state = found.method.partition(":")[0]
        value = "yes" if found.value == 1 else "no" if found.value == 0 else numbers.DASH
        reason = found.reason.removesuffix(", the lowest intensity that shows them")
        yield Result(f"Response {state}", value, "", "", words.in_print(reason), "", row.review)


def _single(place: MusclePlace, condition: Condition, *, lead: bool) -> Iterator[Line]:
    level = condition.levels[0] if len(condition.levels) == 1 else math.nan
    strength = f"{_named(place, condition)}, {words.setting(level)}".rstrip(", ")
    yield Line(words.quantity_name("mep_amplitude", strength), place.found("mep_amplitude", condition), "uV")
    if lead:
        yield from (
            _line(place, quantity, condition, unit)
            for quantity, unit in (("mep_mmax_pct", "%"), ("mep_latency", "ms"))
            if len(place.rows(quantity))
        )
    if condition.active and len(place.rows("silent_period")):
        yield _line(place, "silent_period", condition, "ms")


def _ratios(place: MusclePlace, condition: Condition) -> Iterator[Line]:
    interval = numbers.quantity(condition.isi_ms, "ms")
    for quantity in (*words.RATIOS, "lici_second_first"):
        found = place.found(quantity, condition)
        if not found.estimate.method:
            continue
        kind = words.QUANTITIES[quantity].partition(",")[0]
        own = "" if kind.lower() in condition.name.lower() else condition.name
        named = ", ".join(part for part in (own, _held(place, condition), interval) if part)
        yield Line(words.quantity_name(quantity, named), found, "")


def _line(place: MusclePlace, quantity: str, condition: Condition, unit: str) -> Line:
    return Line(words.quantity_name(quantity, _named(place, condition)), place.found(quantity, condition), unit)


def _named(place: MusclePlace, condition: Condition) -> str:
    """Return a condition's name, with the contraction where another one has the same name."""
    return ", ".join(part for part in (condition.name, _held(place, condition)) if part)


def _held(place: MusclePlace, condition: Condition) -> str:
    """Return the contraction of a condition where another one has the same name; empty at rest."""
    alike = [one for one in place.of_type(condition.stim_type) if one.name == condition.name]
    if len({one.contraction_pct for one in alike}) < 2 or not condition.contraction_pct > 0:
        return ""
    return words.in_print(f"{condition.contraction_pct:g} % MVC")


def result(line: Line, remarks: Remarks) -> Result:
    """Return one line as it is printed; where there is no value its reason stands in place of the origin."""
    name, row, found = line.name, line.found, line.found.estimate
    value, interval, printed = numbers.estimate(found.value, found.low, found.high, line.unit)
    method = words.in_print(short_method(found.method))
    if not math.isfinite(found.value):
        reason = words.in_print(found.reason or "not measured")
        return Result(name, numbers.DASH, interval, printed if interval else "", reason, "", row.review)
    origin = f"{found.n}, {method}" if method else str(found.n)
    return Result(name, value, interval, printed, origin, remarks.letter(found.reason), row.review)


def not_estimated(places: tuple[MusclePlace, ...]) -> list[str]:
    """Return one sentence for each reason why thresholds have no value, the quantities it holds for in front."""
    reasons: dict[str, list[str]] = {}
    for place in places:
        for row in place.rows("rmt", "amt"):
            name = words.quantity_name(row.quantity, "").lower()
            if not math.isfinite(row.estimate.value) and name not in reasons.setdefault(row.estimate.reason, []):
                reasons[row.estimate.reason].append(name)
    return [
        f"{numbers.listed(names)}: {reason.removeprefix('not estimated: ') or 'no value'}."
        for reason, names in reasons.items()
        if names
    ]


def short_method(method: str) -> str:
    """Return the first words of a method: what the value is, without how its interval was made."""
    return method.partition(";")[0].partition(",")[0].partition(":")[0].strip()
