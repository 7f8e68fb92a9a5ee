"""What the top of a text recording says, and its numbers as a frame."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decussa.model.errors import MachineError, RecordingError
from decussa.recording.sheet import find_delimiter, has_decimal_comma

#: Enough lines to see comments, column names and how numbers are written.
_LOOK_LINES = 64
#: Greater numbers are no samples and no times.
_GREATEST = 1e15
_NUMBER = re.compile(r"[-+]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][-+]?\d+)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class TextHead:
    """Comments as ``name: value`` pairs (names in lower case), column names (empty where there are none), and format."""

    said: dict[str, str]
    columns: tuple[str, ...]
    lines: int
    delimiter: str
    decimal_comma: bool

    def value(self, *names: str) -> str:
        """Return what a comment says under the first of ``names`` that occurs; empty where none does."""
        return next((self.said[name] for name in names if name in self.said), "")


def is_text(first_bytes: bytes) -> bool:
    """Return whether a file that starts with these bytes is text: no control characters but line ends and tabs."""
    return re.search(rb"[\x00-\x08\x0b\x0e-\x1f]", first_bytes) is None


def read_head(path: Path) -> TextHead:
    """Read comments, column names and number format from the first lines of a text file."""
    try:
        with path.open(encoding="utf-8-sig", errors="replace") as file:
            lines = [line.rstrip("\r\n") for line, _ in zip(file, range(_LOOK_LINES), strict=False)]
    except OSError as error:
        raise MachineError("file cannot be read", where=path, found=(error.strerror or str(error)).lower()) from error
    said: dict[str, str] = {}
    count = 0
    for line in lines:
        if line.strip() and not line.startswith("#"):
            break
        count += 1
        pair = re.match(r"#+\s*([^:=]+?)\s*[:=]+\s*(.*?)\s*$", line)
        if pair:
            said[pair[1].lower()] = pair[2]
    body = lines[count:]
    if not body:
        raise RecordingError("table has no rows", where=path, expected="samples", found="nothing but comments")
    delimiter = find_delimiter(body[0])
    rows = [tuple(cell.strip() for cell in line.split(delimiter)) for line in body]
    named = not all(_NUMBER.fullmatch(cell) for cell in rows[0])
    if not named and delimiter == "," and len(rows[0]) == 2 and len(body) > 1:
        # A lone column with decimal commas looks like two columns; nothing tells which, so it is refused.
        raise RecordingError(
            "a comma may part columns or decimals here", where=path, expected="column names, or decimal points"
        )
    columns = tuple(cell.strip('"') for cell in rows[0]) if named else ()
    return TextHead(
        said=said,
        columns=columns,
        lines=count,
        delimiter=delimiter,
        decimal_comma=has_decimal_comma(rows[1:] if named else rows, delimiter),
    )


def read_frame(path: Path, head: TextHead, *, as_text: Sequence[str] = ()) -> pd.DataFrame:
    """Return the table below the head: columns by name, or numbered where they have none; ``as_text`` are left as text.

    Raises
    ------
    RecordingError
        If a row has more cells than there are columns, or two columns have one name.
    """
    repeated = next((name for name in head.columns if head.columns.count(name) > 1), None)
    if repeated is not None:
        raise RecordingError("two columns have one name", where=path, found=repr(repeated), do="rename one of them")
    try:
        frame = pd.read_csv(
            path,
            sep=head.delimiter,
            decimal="," if head.decimal_comma else ".",
            skiprows=head.lines,
            header=0 if head.columns else None,
            names=list(head.columns) or None,
            dtype=dict.fromkeys(as_text, "str"),
            encoding="utf-8",
            encoding_errors="replace",
            low_memory=False,
        )
    except (ValueError, pd.errors.ParserError) as error:
        raise RecordingError("table cannot be read", where=path, expected="rows alike", found=str(error)) from error
    if not isinstance(frame.index, pd.RangeIndex):
        raise RecordingError(
            "rows do not fit the columns", where=path, expected=f"{len(head.columns)} cells", found="more in some rows"
        )
    if frame.empty:
        raise RecordingError("table has no rows", where=path, expected="samples", found="column names only")
    return frame


def numbers(frame: pd.DataFrame, names: Sequence[str | int], path: Path, *, lines: int) -> NDArray[np.float64]:
    """Return columns as floats, shape (n_rows, n_names), NaN where a cell is empty.

    Raises
    ------
    RecordingError
        If a cell holds something else than a finite number; the message names its row.
    """
    values = np.empty((len(frame), len(names)), dtype=np.float64)
    for index, name in enumerate(names):
        column = pd.to_numeric(frame[name], errors="coerce").to_numpy(dtype=np.float64)
        wrong = np.flatnonzero((np.abs(column) > _GREATEST) | (np.isnan(column) & frame[name].notna().to_numpy()))
        if wrong.size:
            raise RecordingError(
                f"cell of column {name if isinstance(name, str) else name + 1} is not a number",
                where=f"{path}, line {lines + 2 + int(wrong[0])}",
                expected="a finite number or an empty cell",
                found=repr(str(frame[name].iloc[int(wrong[0])])),
            )
        values[:, index] = column
    return values
