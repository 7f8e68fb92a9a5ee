"""Trial and summary tables on disk: CSV, TSV or Parquet by ending; written whole or not at all; missing is an empty cell."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol, TextIO

import pandas as pd

from decussa.model.errors import MachineError, RecordingError, UsageError
from decussa.model.table import SUMMARY_COLUMNS, TRIAL_COLUMNS
from decussa.recording.parquet import ParquetWriter, Provenance, need_parquet
from decussa.recording.whole_file import whole_file

_KINDS = {column.name: column.kind for column in (*SUMMARY_COLUMNS, *TRIAL_COLUMNS)}
_DELIMITERS = {".csv": ",", ".tsv": "\t"}
#: Without these a table is neither of trials nor a summary.
_NEEDED = ("participant", "muscle")


def check_table_path(path: str | Path) -> Path:
    """Return ``path`` if a table can have that ending.

    Raises
    ------
    UsageError
        If the ending is another.
    MissingPartError
        If it is ``.parquet`` and the group that reads it is not installed.
    """
    ending = Path(path).suffix.lower()
    if ending not in {*_DELIMITERS, ".parquet"}:
        raise UsageError(
            "table format is not known", where=str(path), expected=".csv, .tsv or .parquet", found=ending or "no ending"
        )
    if ending == ".parquet":
        need_parquet(path)
    return Path(path)


class TableWriter(Protocol):
    """Takes the rows of one recording after the other."""

    def add(self, trials: pd.DataFrame, provenance: Provenance) -> None:
        """Write the rows of one recording."""
        ...


@contextmanager
def open_table(path: str | Path) -> Iterator[TableWriter]:
    """Give what writes a trial table piece by piece; the table is there when the block ends well, and not before.

    In Parquet each piece becomes a row group with its provenance; in text the column ``method`` says how it was measured.

    Raises
    ------
    UsageError, MissingPartError, MachineError
        As ``write_table``.
    """
    target = check_table_path(path)
    with whole_file(target) as partial:
        if target.suffix.lower() == ".parquet":
            with ParquetWriter(partial) as writer:
                yield writer
        else:
            with partial.open("w", encoding="utf-8", newline="") as file:
                yield _DelimitedWriter(file, _DELIMITERS[target.suffix.lower()])


class _DelimitedWriter:
    def __init__(self, file: TextIO, delimiter: str) -> None:
        self._file, self._delimiter, self._header = file, delimiter, True

    def add(self, trials: pd.DataFrame, provenance: Provenance) -> None:  # noqa: ARG002  text has no place for it
        counts = {
            column.name: trials[column.name].astype("Int64") for column in TRIAL_COLUMNS if column.kind == "count"
        }
        trials.assign(**counts).to_csv(
            self._file, sep=self._delimiter, index=False, lineterminator="\n", header=self._header
        )
        self._header = False


def write_table(frame: pd.DataFrame, path: str | Path) -> None:
    """Write a table; the format follows from the ending.

    Raises
    ------
    UsageError, MissingPartError
        As ``check_table_path``.
    MachineError
        If the machine refuses; what was there before is then still there.
    """
    target = check_table_path(path)
    with whole_file(target) as partial:
        if target.suffix.lower() == ".parquet":
            frame.to_parquet(partial, index=False)
        else:
            frame.to_csv(partial, sep=_DELIMITERS[target.suffix.lower()], index=False, lineterminator="\n")


def read_table(path: str | Path) -> pd.DataFrame:
    """Return a table as it was written: text columns as text, numbers as float, counts as int where none is missing.

    Of a data set (a folder) it returns all rows, with the column ``site`` first; ``read_data_set`` gives them in portions.

    Raises
    ------
    RecordingError
        If the file is no table of trials and no summary.
    UsageError, MissingPartError, MachineError
        As ``check_table_path``; or if the file cannot be read.
    """
    if is_data_set(path):
        return pd.concat(read_data_set(path), ignore_index=True)
    target = check_table_path(path)
    frame = _refusing(_read_parquet if target.suffix.lower() == ".parquet" else _read_delimited, target)
    missing = [name for name in _NEEDED if name not in frame.columns]
    if missing:
        raise RecordingError(
            "not a table of trials and not a summary",
            where=target,
            expected=f"the columns {', '.join(_NEEDED)} and others",
            found=", ".join(map(str, frame.columns[:6])) or "no columns",
            do="give a table that decussa wrote",
        )
    return frame


def is_data_set(path: str | Path) -> bool:
    """Return whether a folder is a data set of trial tables, as ``measure`` writes them."""
    return any(Path(path).glob("by_site=*/by_participant=*"))


def read_data_set(folder: str | Path) -> Iterator[pd.DataFrame]:
    """Yield the trials of a data set, one participant of one site after the other, each with its column ``site``.

    Raises
    ------
    MissingPartError
        If Parquet is not installed.
    RecordingError, MachineError
        As ``read_table``.
    """
    need_parquet(folder)
    for group in sorted(Path(folder).glob("by_site=*/by_participant=*")):
        parts = sorted(path for path in group.glob("*.parquet") if not path.name.startswith("."))
        if parts:
            yield pd.concat([_refusing(_read_parquet, part) for part in parts], ignore_index=True)


def _refusing(read: Callable[[Path], pd.DataFrame], path: Path) -> pd.DataFrame:
    try:
        return read(path)
    except OSError as error:
        # pyarrow's own errors about the content are OSErrors without a number.
        if error.errno is not None:
            raise MachineError(
                "table cannot be read", where=path, found=(error.strerror or str(error)).lower()
            ) from error
        raise _not_a_table(path, error) from error
    except (ValueError, pd.errors.ParserError) as error:
        raise _not_a_table(path, error) from error


def _not_a_table(path: Path, error: Exception) -> RecordingError:
    return RecordingError(
        "table cannot be read", where=path, expected="a table as decussa writes it", found=str(error) or "nothing"
    )


def _read_parquet(path: Path) -> pd.DataFrame:
    frame = pd.read_parquet(path, partitioning=None)
    for name in frame.columns:
        if _KINDS.get(name) == "text":
            frame[name] = frame[name].fillna("").astype(str)
    return frame


def _read_delimited(path: Path) -> pd.DataFrame:
    # Cells are taken as text first: a participant may be called 007 or NA, and Python's own reading of numbers is exact.
    frame = pd.read_csv(
        path,
        sep=_DELIMITERS[path.suffix.lower()],
        encoding="utf-8-sig",
        keep_default_na=False,
        dtype=str,
        index_col=False,
    )
    for name in frame.columns:
        kind = _KINDS.get(name)
        if kind is not None and kind != "text":
            numbers = frame[name].mask(frame[name].isin(("", "n/a")), "nan").astype("float64")
            frame[name] = numbers.astype("int64") if kind == "count" and numbers.notna().all() else numbers
    return frame
