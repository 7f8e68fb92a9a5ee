"""Small text tables as labs leave them: comma, semicolon or tab; a decimal comma only where it cannot be anything else."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from decussa.model.errors import MachineError, RecordingError
from decussa.recording.cell_number import CellError, read_number
from decussa.recording.mapping import ANY_STYLE, Marks, SheetStyle

#: What stands for "not said" in a cell.
MISSING = frozenset({"", "n/a", "na", "nan"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A table of text cells. ``lines`` are the line numbers of the rows in the file, for messages.

    ``to_check`` says that it came from beside the recording and must fit the pulses found there, and ``trigger_marks``
    which pulse of a pair a lone trigger marks.
    """

    path: Path
    comments: tuple[str, ...]
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]
    decimal_comma: bool
    thousands: str = ""
    to_check: bool = False
    trigger_marks: Marks = "test"

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
            If the cell holds something else than a finite number, or may be two of them.
        """
        return self._read(row, column)[0]

    def _read(self, row: int, column: str) -> tuple[float, str]:
        text = self.cell(row, column)
        if not text:
            return math.nan, ""
        try:
            return read_number(text, decimal_comma=self.decimal_comma, thousands=self.thousands, column=column)
        except CellError as fault:
            raise RecordingError(
                f"{column} is not a number",
                where=self.place(row),
                expected="a number or n/a",
                found=f"{text!r} ({fault})" if str(fault) else repr(text),
                do="correct the cell, and let the spreadsheet hold the column as text" if "date" in str(fault) else "",
            ) from fault

    def repairs(self, rows: Sequence[int], columns: Sequence[str]) -> tuple[str, ...]:
        """Return what was repaired to read the numbers of ``rows`` in ``columns``, a sentence for each kind of repair."""
        seen: dict[str, list[str]] = {}
        for column in columns:
            for row in rows:
                _, repaired = self._read(row, column)
                if repaired:
                    seen.setdefault(repaired, []).append(
                        f"{column} in line {self.lines[row]} ({self.cell(row, column)})"
                    )
        return tuple(
            f"{kind}: {len(cells)} cells of {self.path.name} were repaired, first {cells[0]}"
            for kind, cells in seen.items()
        )

    def place(self, row: int) -> str:
        """Return file and line of a row, for messages."""
        return f"{self.path}, line {self.lines[row]}"


def read_text(path: Path, encoding: str = "") -> str:
    """Return a text file's content: UTF-8, or UTF-16 with its mark, or Latin-1; or as ``encoding`` says.

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
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        encoding = "utf-16"
    elif b"\0" in content and encoding != "utf-16":
        raise RecordingError("file is not a text table", where=path, found="bytes that are no text")
    try:
        return content.decode("utf-8-sig" if encoding in ("", "utf-8") else encoding)
    except UnicodeDecodeError as error:
        if not encoding:
            return content.decode("latin-1")
        line = content[: error.start].count(b"\n") + 1
        raise RecordingError(
            f"file is not written in {encoding}",
            where=f"{path}, line {line}",
            found=repr(content[error.start : error.start + 1])[1:],
            do="save it as UTF-8, or name its encoding in a mapping: [sheet] encoding",
        ) from error


def read_sheet(path: Path, style: SheetStyle = ANY_STYLE) -> Sheet:
    """Read a text table whose first line that is no comment (``#``) names the columns.

    Parameters
    ----------
    path : Path
        The table.
    style : SheetStyle
        How it is written, as far as somebody said so.

    Raises
    ------
    RecordingError
        If there is no text, a column has two names alike, or a row has more or fewer cells than there are columns.
    """
    content = read_text(path, style.encoding)
    numbered = [(number, line) for number, line in enumerate(content.splitlines(), start=1) if line.strip()]
    comments = tuple(line.lstrip("# ").strip() for _, line in numbered if line.startswith("#"))
    table = [(number, line) for number, line in numbered if not line.startswith("#")]
    if not table:
        raise RecordingError(
            "table has no rows", where=path, expected="a line with column names", found="comments only"
        )
    delimiter = style.delimiter or find_delimiter(table[0][1])
    cells = _cells(path, table, delimiter)
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
        decimal_comma=style.decimal == "," if style.decimal else has_decimal_comma(cells[1:], delimiter),
        thousands=style.thousands,
    )


def _cells(path: Path, table: Sequence[tuple[int, str]], delimiter: str) -> list[tuple[str, ...]]:
    reader = csv.reader((line for _, line in table), delimiter=delimiter)
    try:
        return [tuple(cell.strip() for cell in row) for row in reader]
    except csv.Error as error:
        raise RecordingError("table cannot be read", where=path, expected="rows of cells", found=str(error)) from error


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
