"""The debrief of a rehearsal as the report prints it: one line a quantity, on a scale of its own, and what to mind next time."""

from __future__ import annotations

import math
from typing import Any

from decussa.report import numbers
from decussa.session.debrief import Comparison, Debrief

#: Room on both sides of a scale, as a share of what it has to show.
_ROOM = 0.12
#: A scale shows at least this share of the truth, so that a value without interval that is nearly true looks so.
_LEAST_SHOWN = 0.2
_UNITS = {"ratio": "", "µV": "uV", "µV RMS": "uV"}
_COUNTS = ("None", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten", "Eleven", "Twelve")


def debrief_texts(debrief: Debrief) -> dict[str, Any]:
    """Return the debrief's texts and its scales, each place a share of the scale's width."""
    return {
        "lead": _lead(debrief),
        "rows": [_row(comparison) for comparison in debrief.comparisons],
        "remarks": list(debrief.remarks),
    }


def _lead(debrief: Debrief) -> str:
    judged = [comparison for comparison in debrief.comparisons if comparison.held is not None]
    if not judged:
        return "Nothing that was found can be held against the truth yet."
    inside = sum(bool(comparison.held) for comparison in judged)
    outside = [comparison.name for comparison in judged if not comparison.held]
    if len(judged) == 1:
        return f"The true value lies {'inside' if inside else 'outside'} your interval: {judged[0].name}."
    verb = "lies" if inside == 1 else "lie"
    said = f"{_counted(inside)} of {_counted(len(judged)).lower()} true values {verb} inside your intervals."
    if not outside:
        return said
    rest = len(outside) - 3
    named = [*outside[:3], f"{rest} more"] if rest > 0 else outside
    return f"{said} Outside: {numbers.listed(named)}."


def _counted(number: int) -> str:
    return _COUNTS[number] if number < len(_COUNTS) else str(number)


def _row(comparison: Comparison) -> dict[str, Any]:
    found, unit = comparison.found, _UNITS.get(comparison.unit, comparison.unit)
    value, interval, printed = numbers.estimate(found.value, found.low, found.high, unit)
    held = {True: "inside", False: "outside", None: "not judged"}[comparison.held]
    return {
        "name": comparison.name,
        "value": value,
        "interval": interval,
        "unit": printed,
        "truth": _truth(comparison, unit, printed),
        "held": held,
        "note": found.reason if math.isnan(found.value) else "",
        "scale": _scale(comparison),
    }


def _truth(comparison: Comparison, unit: str, printed: str) -> str:
    """Return the truth in the unit and with the decimals of what was found."""
    found = comparison.found
    if math.isnan(comparison.truth):
        return numbers.DASH
    largest = found.value if math.isfinite(found.value) else comparison.truth
    named, factor = numbers.in_print(largest, unit)
    if named != printed and unit:
        named, factor = numbers.in_print(comparison.truth, unit)
    decimals = numbers.decimals_for(largest * factor, found.low * factor, found.high * factor)
    return numbers.number(comparison.truth * factor, decimals if unit else numbers.RATIO_DECIMALS)


def _scale(comparison: Comparison) -> dict[str, float | None]:
    """Return where interval, value and truth stand, from 0 to 1; None where there is none. An open side reaches the end."""
    found = comparison.found
    places = [place for place in (found.low, found.high, found.value, comparison.truth) if math.isfinite(place)]
    low, high = min(places, default=0.0), max(places, default=0.0)
    least = _LEAST_SHOWN * max(abs(low), abs(high)) if math.isnan(found.low) else 0.0
    width = max(high - low, least) or 1.0
    start, whole = (low + high) / 2 - (0.5 + _ROOM) * width, width * (1 + 2 * _ROOM)

    def place(value: float) -> float | None:
        return None if math.isnan(value) else min(max((value - start) / whole, 0.0), 1.0)

    return {
        "low": place(found.low),
        "high": place(found.high),
        "value": place(found.value),
        "truth": place(comparison.truth),
    }
