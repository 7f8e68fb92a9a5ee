"""Numbers in the cells of a sheet, as spreadsheets leave them: repaired where only one number can be meant, else refused."""

from __future__ import annotations

import math
import re

#: Marks that part thousands and nothing else.
_SPACES = " \u00a0\u202f\u2009'\u2019"
#: How a unit may stand behind a number, by the ending of the column that holds it.
_UNITS = {
    "_mso": r"%\s*(?:m?so)?", "_pct": r"%\s*(?:mvc)?", "_ms": r"ms|msec", "_ma": r"ma", "onset": r"s|sec", "_s": r"s|sec",
}  # fmt: skip
_MONTH = (
    r"(?:jan|feb|mar|mär|mrz|apr|may|mai|jun|jul|aug|sep|oct|okt|nov|dec|dez|fev|fév|avr|aoû|ago|set|ott|dic|gen|mag|giu|lug)"
    r"[a-zäéû]*\.?"
)
_DATES = re.compile(
    rf"\d{{1,2}}[.\s/-]*{_MONTH}(?:[.\s/-]*\d{{2,4}})?|{_MONTH}[.\s/-]*\d{{1,4}}|\d{{4}}-\d{{1,2}}-\d{{1,2}}(?:[ T].*)?"
    r"|\d{1,2}[./-]\d{1,2}[./-](?:\d{2}|\d{4})?(?: .*)?|\d{1,2}[/-]\d{1,2}",
    re.IGNORECASE,
)
#: A date as spreadsheets count them, in days from 1900: 1990 to 2060 (common practice, no source).
_DAYS = (32_874, 58_804)


class CellError(ValueError):
    """A cell that is no number for certain; its text says why."""


def read_number(text: str, *, decimal_comma: bool, thousands: str = "", column: str = "") -> tuple[float, str]:
    """Return the number of a cell, and what was repaired to read it (empty for nothing).

    Parameters
    ----------
    text : str
        The cell, not empty.
    decimal_comma : bool
        Whether the comma is the decimal sign of the sheet.
    thousands : str
        What parts thousands, where somebody said so.
    column : str
        The column's name; its ending says which unit may stand behind the number.

    Raises
    ------
    CellError
        If the text is a date, may be two numbers, or is no finite number.
    """
    mark = "," if decimal_comma else "."
    other = "." if decimal_comma else ","
    plain = text.strip().replace("\u2212", "-")
    repaired = "minus sign" if plain != text.strip() else ""
    if _DATES.fullmatch(plain):
        raise CellError("a date stands where a number was meant; spreadsheets make dates of numbers such as 2.3")
    unit = next((unit for ending, unit in _UNITS.items() if column.endswith(ending)), "(?!)")
    bare = re.sub(rf"\s*(?:{unit})$", "", plain, flags=re.IGNORECASE)
    if bare != plain:
        plain, repaired = bare, "unit behind the number"
    for sign in dict.fromkeys((*_SPACES, other, *thousands)):
        if sign == mark or sign not in plain:
            continue
        joined = _join_thousands(plain, sign, mark, certain=sign == thousands or sign in _SPACES)
        plain, repaired = joined, "thousands"
    if not re.fullmatch(
        rf"[-+]?(?:[0-9]+(?:{re.escape(mark)}[0-9]*)?|{re.escape(mark)}[0-9]+)(?:[eE][-+]?[0-9]+)?", plain
    ):
        raise CellError("")
    number = float(plain.replace(mark, "."))
    if not math.isfinite(number):
        raise CellError("")
    return number, repaired


def _join_thousands(text: str, sign: str, mark: str, *, certain: bool) -> str:
    """Return the number without the marks between its thousands."""
    found = re.fullmatch(rf"([-+]?[0-9]{{1,3}})((?:{re.escape(sign)}[0-9]{{3}})+)({re.escape(mark)}[0-9]+)?", text)
    if found is None:
        raise CellError(f"{sign!r} parts neither decimals nor thousands here")
    groups, fraction = found[2], found[3] or ""
    whole = found[1] + groups.replace(sign, "")
    if not certain and len(groups) == 4 and not fraction:
        raise CellError(f"may be {found[1]}.{groups[1:]} or {whole}; a mapping can say which")
    return whole + fraction


def looks_like_day(number: float) -> bool:
    """Return whether a number may be a date that a spreadsheet counts in days."""
    return _DAYS[0] <= number <= _DAYS[1]
