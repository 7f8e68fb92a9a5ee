"""Tables as CSV that spreadsheets leave as they are.

Programs for tables guess: ``3-4`` and ``MAR1`` become dates, ``007`` becomes 7, ``3.12`` becomes a day where the comma is the
decimal sign, and text after ``=`` is computed. So that nothing can be guessed:

- text that could be taken for something else bears the name of its column: ``session 1``, ``block 3-4``;
- numbers that are not whole have five decimals or more, which no date has, and never an exponent;
- the file begins with the mark of UTF-8, without which some programs take letters for others;
- the decimal sign is a point and the comma parts cells, or (where wanted) a comma and the semicolon.

Common practice, no source. The other tables (TSV, Parquet) hold the values as they are.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from decussa.model.table import Column
from decussa.recording.whole_file import whole_file

#: What cannot be taken for a number, a date, a truth value or a formula: a letter first, and no month with a number.
_PLAIN = re.compile(r"[A-Za-zÀ-ÿ][^\d]*", flags=re.DOTALL)
_MONTH = re.compile(r"(?i)\b(jan|feb|mar|m[aä]r|apr|may|mai|jun|jul|aug|sep|oct|okt|nov|dec|dez)")
_TRUTH = frozenset({"true", "false", "wahr", "falsch", "nan", "inf"})
_FEWEST_DECIMALS = 5


def write_spreadsheet(frame: pd.DataFrame, path: Path, columns: Sequence[Column], *, decimal_comma: bool) -> None:
    """Write a table for spreadsheets, whole or not at all; ``columns`` say which are text."""
    text = {column.name for column in columns if column.kind == "text"}
    with whole_file(path) as partial, partial.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file, delimiter=";" if decimal_comma else ",", lineterminator="\r\n")
        writer.writerow(frame.columns)
        for row in frame.itertuples(index=False):
            writer.writerow(
                text_cell(name, value) if name in text else number_cell(value, decimal_comma=decimal_comma)
                for name, value in zip(frame.columns, row, strict=True)
            )


def write_dictionary(path: Path, columns: Sequence[Column]) -> None:
    """Write what each column of a table means, for spreadsheets."""
    with whole_file(path) as partial, partial.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow(["column", "unit", "meaning"])
        writer.writerows([column.name, column.unit, column.meaning] for column in columns)


def text_cell(name: str, value: object) -> str:
    """Return text as it cannot be misunderstood: with the name of its column before it where it could be."""
    text = "" if value is None or (isinstance(value, float) and math.isnan(value)) else " ".join(str(value).split())
    if not text or (text.lower() not in _TRUTH and not _risky(text)):
        return text
    return f"{name} {text}"


def _risky(text: str) -> bool:
    if not text[0].isalpha():
        return True
    if _PLAIN.fullmatch(text):
        return False
    # Letters and digits: a code such as P07 is none of these, MAR1, 1E5 or Sep 3 may be.
    return bool(_MONTH.match(text))


def number_cell(value: object, *, decimal_comma: bool = False) -> str:
    """Return a number without exponent, whole or with five decimals or more; nothing where it is missing."""
    if not isinstance(value, int | float | np.number) or math.isnan(float(value)):
        return ""
    number = float(value)
    if math.isinf(number):
        return "no upper limit" if number > 0 else "no lower limit"
    if number.is_integer():
        return str(int(number))
    plain = np.format_float_positional(number, unique=True, trim="k", min_digits=_FEWEST_DECIMALS)
    return plain.replace(".", ",") if decimal_comma else plain
