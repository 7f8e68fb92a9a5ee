"""Numbers as they are printed: digits follow the interval, one unit in one place, a real minus, nothing cut off."""

from __future__ import annotations

import math

#: Narrow no-break space, between a number and its unit.
THIN = "\u202f"
MINUS = "\u2212"
DASH = "\u2014"

#: The last printed digit is worth at least this share of the interval's width: finer ones would claim what is not known.
LEAST_SHARE = 1 / 100
#: Digits of a value that has no interval.
BARE_DIGITS = 3
MOST_DECIMALS = 4
RATIO_DECIMALS = 2
#: From here on a size is printed in mV.
MILLIVOLT_FROM_UV = 100.0
#: From here on a number is printed as a power of ten.
POWER_FROM = 1e7

#: Unit of a table -> unit in print and factor, for small and for large values.
_IN_PRINT = {
    "uV": (("µV", 1.0), ("mV", 1e-3)),
    "uV ms": (("µV ms", 1.0), ("mV ms", 1e-3)),
    "uV per % MSO": (("µV per % MSO", 1.0), ("mV per % MSO", 1e-3)),
}
_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def decimals_for(value: float, low: float, high: float) -> int:
    """Return how many decimals a value with this interval deserves.

    A side that is open does not count; without any finite side, or with an interval of no width, three significant
    digits are kept. NaN is no interval.
    """
    sides = [abs(value - end) for end in (low, high) if math.isfinite(end)]
    width = 2 * max(sides) if len(sides) == 1 else sum(sides)
    if not (math.isfinite(value) and math.isfinite(width)):
        return 0
    if width > 0:
        return _bounded(math.floor(-math.log10(width * LEAST_SHARE)))
    return _bounded(BARE_DIGITS - 1 - math.floor(math.log10(abs(value)))) if value else 0


def _bounded(decimals: int) -> int:
    return min(max(decimals, 0), MOST_DECIMALS)


def number(value: float, decimals: int) -> str:
    """Return ``value`` with so many decimals; a dash where there is none, words where it has no end."""
    if math.isnan(value):
        return DASH
    if math.isinf(value):
        return "no upper limit" if value > 0 else "no lower limit"
    if abs(value) >= POWER_FROM:
        power = math.floor(math.log10(abs(value)))
        text = f"{value / 10**power:.2f} × 10{str(power).translate(_SUPERSCRIPT)}"
    else:
        text = f"{value:,.{decimals}f}"
    if not text.strip("-0.,"):
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def interval(low: float, high: float, decimals: int) -> str:
    """Return ``[low, high]``; an open side is said, an interval that is open on both sides or missing is empty."""
    if not (math.isfinite(low) or math.isfinite(high)) or math.isnan(low) or math.isnan(high):
        return ""
    return f"[{number(low, decimals)}, {number(high, decimals)}]"


def in_print(value: float, unit: str) -> tuple[str, float]:
    """Return the unit in which a value of the table is printed, and the factor to it."""
    small, large = _IN_PRINT.get(unit, ((unit, 1.0), (unit, 1.0)))
    return large if abs(value) >= MILLIVOLT_FROM_UV else small


def estimate(value: float, low: float, high: float, unit: str) -> tuple[str, str, str]:
    """Return value, interval and unit as printed; the value is a dash where there is none.

    Parameters
    ----------
    value, low, high : float
        In the unit of the table; NaN where missing, infinite where open.
    unit : str
        As in the summary table; empty for a ratio, which is printed with two decimals.
    """
    largest = (
        value if math.isfinite(value) else max((end for end in (low, high) if math.isfinite(end)), default=math.nan)
    )
    printed, factor = in_print(largest, unit)
    value, low, high = value * factor, low * factor, high * factor
    decimals = decimals_for(value if math.isfinite(value) else largest * factor, low, high)
    if not unit:
        printed, decimals = "ratio", RATIO_DECIMALS
    return number(value, decimals), interval(low, high, decimals), printed


def short(value: float, low: float, high: float, unit: str) -> str:
    """Return ``0.74 [0.64, 0.86] mV`` in one piece, for sentences and labels."""
    printed, span, named = estimate(value, low, high, unit)
    parts = [printed, span, "" if named == "ratio" else named]
    return THIN.join(part for part in parts if part)


def quantity(value: float, unit: str) -> str:
    """Return a bare value with its unit: three significant digits at most, no zeros behind."""
    if not math.isfinite(value):
        return DASH
    printed, factor = in_print(value, unit)
    text = number(value * factor, decimals_for(value * factor, math.nan, math.nan))
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return f"{text}{THIN}{printed}" if printed else text


def count(number_of: int, one: str, several: str = "") -> str:
    """Return ``1 trial`` or ``1,204 trials``."""
    return f"{number_of:,}{chr(0xA0)}{one if number_of == 1 else several or one + 's'}"


def listed(items: list[str]) -> str:
    """Return ``a``, ``a and b`` or ``a, b and c``."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}" if items else ""
