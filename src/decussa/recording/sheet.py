"""Small text tables as labs leave them: comma, semicolon or tab; a decimal comma only where it cannot be anything else."""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass
from pathlib import Path

from decussa.model.errors import MachineError, RecordingError

#: What stands for "not said" in a cell.
MISSING = frozenset({"", "n/a", "na", "nan"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A table of text cells. ``lines`` are the line numbers of the rows in the file, for messages."""

    path: Path
    comments: tuple[str, ...]
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]
    decimal_comma: bool

    def cell(self, row: int, column: str) -> str:
        """Return a cell's text; empty where the column is absent or the cell says n/a."""
        if column not in self.columns:
            return ""
        text = self.rows[row][self.columns.index(column)].strip()
        return "" if text.lower() in MISSING else text

    def number(self, row: int, column: str) -> float:
        """Return a cell's number; NaN where nothing is said.

        Raises
        ------
        RecordingError
            If the cell holds something else than a finite number.
        """
        text = self.cell(row, column)
        if not text:
            return math.nan
        try:
            number = float(text.replace(",", ".") if self.decimal_comma else text)
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            raise RecordingError(
                f"{column} is not a number", where=self.place(row), expected="a number or n/a", found=repr(text)
            )
        return number

    def place(self, row: int) -> str:
        """Return file and line of a row, for messages."""
        return f"{self.path}, line {self.lines[row]}"


def read_text(path: Path) -> str:
    """Return a text file's content, UTF-8 or Latin-1.

    Raises
    ------
    RecordingError
        If the file is empty or holds no text.
    MachineError
        If it cannot be read.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise MachineError("file cannot be read", where=path, found=error.strerror or str(error)) from error
    if not content.strip():
        raise RecordingError("file is empty", where=path, expected="a text table", do="copy or export the file again")
    if b"\0" in content:
        raise RecordingError("file is not a text table", where=path, found="bytes that are no text")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("latin-1")


def read_sheet(path: Path) -> Sheet:
    """Read a text table whose first line that is no comment (``#``) names the columns.

    Raises
    ------
    RecordingError
        If there is no text, a column has two names alike, or a row has more or fewer cells than there are columns.
    """
    numbered = [(number, line) for number, line in enumerate(read_text(path).splitlines(), start=1) if line.strip()]
    comments = tuple(line.lstrip("# ").strip() for _, line in numbered if line.startswith("#"))
    table = [(number, line) for number, line in numbered if not line.startswith("#")]
    if not table:
        raise RecordingError(
            "table has no rows", where=path, expected="a line with column names", found="comments only"
        )
    delimiter = find_delimiter(table[0][1])
    cells = [
        tuple(cell.strip() for cell in row) for row in csv.reader((line for _, line in table), delimiter=delimiter)
    ]
    columns = cells[0]
    repeated = next((name for name in columns if columns.count(name) > 1), None)
    if repeated is not None:
        raise RecordingError("two columns have one name", where=path, found=repr(repeated), do="rename one of them")
    for (number, _), row in zip(table[1:], cells[1:], strict=False):
        if len(row) != len(columns):
            raise RecordingError(
                "row does not fit the columns",
                where=f"{path}, line {number}",
                expected=f"{len(columns)} cells",
                found=str(len(row)),
            )
    return Sheet(
        path=path,
        comments=comments,
        columns=columns,
        rows=tuple(cells[1:]),
        lines=tuple(number for number, _ in table[1:]),
        decimal_comma=has_decimal_comma(cells[1:], delimiter),
    )


def find_delimiter(header: str) -> str:
    """Return the delimiter of a table from its line of column names."""
    return next((mark for mark in ("\t", ";") if mark in header), ",")


def has_decimal_comma(rows: list[tuple[str, ...]], delimiter: str) -> bool:
    """Return whether a comma in a number must be the decimal sign.

    It must where the semicolon parts the cells (programs write it because the comma is taken) or where some number has
    a comma that cannot part thousands; never where any number has a decimal point.
    """
    if delimiter == ",":
        return False
    cells = [cell for row in rows for cell in row]
    if any(re.fullmatch(r"[-+]?\d*\.\d+", cell) for cell in cells):
        return False
    fractions = [found[1] for cell in cells if (found := re.fullmatch(r"[-+]?\d+,(\d+)", cell))]
    return bool(fractions) and (delimiter == ";" or any(len(digits) != 3 for digits in fractions))
