"""The trial table as the summary needs it: every column there, numbers as numbers; also from a table by another hand."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decussa.model.errors import RecordingError
from decussa.model.stimulus import STIMULUS_TYPES
from decussa.model.table import TRIAL_COLUMNS
from decussa.model.trial import VERDICTS

Values = NDArray[np.float64]

#: One line of the summary is about one muscle of one session, stimulated from one side.
KEYS = ["participant", "session", "timepoint", "muscle", "side", "stim_side"]
#: Trials that are alike but for their intensity.
ALIKE = ["condition", "stim_type", "isi_ms", "contraction_pct"]
#: Columns that make a block; a block of the same name in another run is another block.
BLOCK = ["recording", "task", "run", "block"]
_NOT_NEGATIVE = ("size_uv", "amplitude_uv", "noise_uv", "first_amplitude_uv", "background_rms_uv", "area_uv_ms")


@dataclass(frozen=True, slots=True, eq=False)
class Sizes:
    """Sizes of some trials in microvolt, with what noise alone would give (NaN: not known), both of shape (n,)."""

    uv: Values
    noise_uv: Values


def complete(trials: pd.DataFrame) -> pd.DataFrame:
    """Return ``trials`` with every column of the trial table, text as text and numbers as numbers.

    Adds ``kept`` (the verdict is not reject) and ``_size_uv``: ``size_uv``, or the raw peak-to-peak where the table has
    no corrected sizes at all.

    Raises
    ------
    RecordingError
        If there is no ``stim_type`` or no size, or if a column holds what it cannot hold; the message names them.
    """
    _refuse_missing(trials)
    table = trials.reset_index(drop=True).copy()
    for column in TRIAL_COLUMNS:
        if column.kind == "text":
            table[column.name] = _as_text(table, column.name)
        else:
            table[column.name] = _as_numbers(table, column.name)
    for name in _NOT_NEGATIVE:
        _refuse_where(table, name, table[name].lt(0) | np.isinf(table[name]), "a number of 0 or more, or nothing")
    table["stim_type"] = table["stim_type"].str.lower()
    _refuse_where(table, "stim_type", ~table["stim_type"].isin(STIMULUS_TYPES), ", ".join(STIMULUS_TYPES))
    table["verdict"] = table["verdict"].str.lower()
    _refuse_where(table, "verdict", ~table["verdict"].isin([*VERDICTS, ""]), ", ".join(VERDICTS))
    table["kept"] = table["verdict"] != "reject"
    table["_size_uv"] = table["size_uv"] if table["size_uv"].notna().any() else table["amplitude_uv"]
    return table


def size_column(table: pd.DataFrame) -> str:
    """Return which column the sizes come from, in words."""
    if table["size_uv"].notna().any():
        return "sizes corrected for noise"
    return "raw peak-to-peak"


def sizes(table: pd.DataFrame) -> Sizes:
    """Return the sizes of the trials that have one."""
    measured = table[table["_size_uv"].notna()]
    return Sizes(measured["_size_uv"].to_numpy(np.float64), measured["noise_uv"].to_numpy(np.float64))


def groups(table: pd.DataFrame, by: list[str]) -> Iterator[tuple[dict[str, object], pd.DataFrame]]:
    """Yield the values of ``by`` and the rows that share them, in order of first appearance; missing is a value too."""
    if table.empty:
        return
    for values, rows in table.groupby(by, sort=False, dropna=False):
        yield dict(zip(by, values, strict=True)), rows


def _refuse_missing(trials: pd.DataFrame) -> None:
    lacking = [] if "stim_type" in trials.columns else ["stim_type"]
    if not {"size_uv", "amplitude_uv"} & set(trials.columns):
        lacking.append("size_uv or amplitude_uv")
    if lacking:
        raise RecordingError(
            "table lacks columns",
            where="trial table",
            expected=" and ".join(lacking),
            found=", ".join(str(name) for name in trials.columns) or "no column",
            do="give a table written by measure, or name the columns as it does",
        )


def _as_text(table: pd.DataFrame, name: str) -> pd.Series[str]:
    if name not in table.columns:
        return pd.Series([""] * len(table), index=table.index, dtype=object)
    return table[name].astype(object).where(table[name].notna(), "").map(_plain_text)


def _plain_text(value: object) -> str:
    """Return the text of a cell; a whole number that a spreadsheet made a fraction is whole again."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def _as_numbers(table: pd.DataFrame, name: str) -> pd.Series[float]:
    if name not in table.columns:
        return pd.Series(np.nan, index=table.index, dtype=np.float64)
    numbers = pd.to_numeric(table[name], errors="coerce").astype(np.float64)
    filled = table[name].notna() & table[name].astype(str).str.strip().ne("")
    _refuse_where(table, name, numbers.isna() & filled, "a number or nothing")
    return numbers


def _refuse_where(table: pd.DataFrame, name: str, wrong: pd.Series[bool], expected: str) -> None:
    if wrong.any():
        row = int(np.flatnonzero(wrong.to_numpy())[0])
        raise RecordingError(
            f"column {name} cannot be read",
            where=f"trial table, row {row + 1}",
            expected=expected,
            found=repr(table[name].iloc[row]),
            do="correct the table",
        )
