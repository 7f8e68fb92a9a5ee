"""A lab's sheet of stimuli in the product's words: columns renamed, labels turned into stimuli."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from decussa.model.errors import RecordingError
from decussa.recording.cell_number import looks_like_day
from decussa.recording.events import TYPES_UNTOLD
from decussa.recording.mapping import LabelMapping, Mapping
from decussa.recording.sheet import Sheet

#: What a row or its label says in numbers.
STIMULUS_NUMBERS = ("intensity_mso", "cond_intensity_mso", "isi_ms", "current_ma", "contraction_pct")
#: Numbers that make a row a stimulus where no word does, and what it is then.
_TELLING = (("isi_ms", "paired"), ("current_ma", "nerve"), ("intensity_mso", "single"))


def in_our_words(sheet: Sheet, mapping: Mapping) -> tuple[Sheet, tuple[str, ...]]:
    """Return the sheet with the product's columns, and notes on what was assumed.

    A label fills the cells that its row leaves empty; a row without any ``stim_type`` is told by its numbers (an interval
    makes a pair, a current a nerve pulse, an intensity a single pulse).

    Raises
    ------
    RecordingError
        If the sheet lacks a column the mapping names, holds a label the mapping does not describe, or a label and a cell
        contradict each other.
    """
    named = _rename(sheet, mapping)
    has_labels = "label" in mapping.columns or ("label" in named.columns and bool(mapping.labels))
    labels = _labels(named, mapping) if has_labels else [None] * len(named.rows)
    told = any(named.cell(row, "stim_type") for row in range(len(named.rows))) or any(
        label is not None and label.stim_type for label in labels
    )
    filled = [_fill(named, row, label, told=told) for row, label in enumerate(labels)]
    columns = tuple(dict.fromkeys((*named.columns, *(name for cells in filled for name in cells))))
    rows = tuple(tuple(cells.get(name, named.cell(row, name)) for name in columns) for row, cells in enumerate(filled))
    notes = () if told else (TYPES_UNTOLD,)
    return replace(named, columns=columns, rows=rows), notes


def stimulus_rows(sheet: Sheet) -> list[int]:
    """Return the rows that are stimuli: those with ``stim_type``."""
    return [row for row in range(len(sheet.rows)) if sheet.cell(row, "stim_type")]


def _rename(sheet: Sheet, mapping: Mapping) -> Sheet:
    lost = next((name for name in mapping.columns.values() if name.strip() not in sheet.columns), None)
    if lost is not None:
        raise RecordingError(
            f"sheet lacks the column {lost!r} that the mapping names",
            where=sheet.path,
            expected=", ".join(mapping.columns.values()),
            found=", ".join(sheet.columns),
            do=f"check that the sheet belongs to {mapping.path}, and correct the one or the other",
        )
    ours = {theirs.strip(): word for word, theirs in mapping.columns.items()}
    columns = tuple(ours.get(name, name) for name in sheet.columns)
    again = next((name for name in columns if columns.count(name) > 1), None)
    if again is not None:
        raise RecordingError(
            f"two columns are meant to be {again!r}",
            where=sheet.path,
            found=f"{again} and {mapping.columns[again]}",
            do="rename the column of the sheet that is not meant",
        )
    return replace(sheet, columns=columns)


def _labels(sheet: Sheet, mapping: Mapping) -> list[LabelMapping | None]:
    found: list[LabelMapping | None] = []
    for row in range(len(sheet.rows)):
        text = sheet.cell(row, "label")
        label = mapping.label(text) if text else None
        if text and label is None and mapping.labels:
            raise RecordingError(
                f"label {text!r} is not described in the mapping",
                where=sheet.place(row),
                expected=", ".join(item.label for item in mapping.labels),
                do=f"add a section [[labels]] for it to {mapping.path}",
            )
        found.append(label if label is not None or not text else LabelMapping(label=text))
    return found


def _fill(sheet: Sheet, row: int, label: LabelMapping | None, *, told: bool) -> dict[str, str]:
    """Return the cells that change: what the label says where the row says nothing."""
    cells: dict[str, str] = {}
    if sheet.cell(row, "onset_ms") and "onset" not in sheet.columns:
        cells["onset"] = _write(sheet, sheet.number(row, "onset_ms") / 1e3)
    if label is not None:
        if label.stim_type == "none":
            return {**cells, "stim_type": ""}
        cells["trial_type"] = sheet.cell(row, "trial_type") or label.label
        cells["condition"] = sheet.cell(row, "condition") or label.condition or label.label
        cells["stim_type"] = sheet.cell(row, "stim_type") or label.stim_type
        for name in STIMULUS_NUMBERS:
            cells |= _number(sheet, row, name, label)
        _check_type(sheet, row, label)
    if not told or (label is not None and not cells["stim_type"]):
        filled = {name for name in STIMULUS_NUMBERS if cells.get(name) or sheet.cell(row, name)}
        cells["stim_type"] = next((kind for name, kind in _TELLING if name in filled), "")
        if label is not None and not cells["stim_type"]:
            raise RecordingError(
                f"label {label.label!r} does not say what was given",
                where=sheet.place(row),
                expected="stim_type in the mapping, or an interval, a current or an intensity in the row",
                do="add stim_type to its section [[labels]]; 'none' is no stimulus",
            )
    return cells


def _number(sheet: Sheet, row: int, name: str, label: LabelMapping) -> dict[str, str]:
    told, written = getattr(label, name), sheet.number(row, name)
    if math.isnan(told):
        return {}
    if math.isnan(written):
        return {name: _write(sheet, told)}
    if not math.isclose(told, written, rel_tol=1e-9):
        raise RecordingError(
            f"label {label.label!r} and the column {name} contradict each other",
            where=sheet.place(row),
            expected=f"{told:g}, as the mapping says of the label",
            found=f"{written:g}",
            do="check that sheet and mapping belong together, and that no columns are swapped",
        )
    return {}


def _write(sheet: Sheet, number: float) -> str:
    """Return a number as the sheet writes numbers."""
    text = format(Decimal(repr(float(number))), "f")
    return text.replace(".", ",") if sheet.decimal_comma else text


def _check_type(sheet: Sheet, row: int, label: LabelMapping) -> None:
    written = sheet.cell(row, "stim_type")
    if written and label.stim_type and written.lower() != label.stim_type:
        raise RecordingError(
            f"label {label.label!r} and the column stim_type contradict each other",
            where=sheet.place(row),
            expected=label.stim_type,
            found=repr(written),
            do="check that sheet and mapping belong together",
        )


def check_sense(sheet: Sheet, rows: Sequence[int]) -> None:
    """Refuse what cannot be meant though each cell may: swapped columns, and days where an interval was typed.

    Raises
    ------
    RecordingError
        Naming the first such row.
    """
    for row in rows:
        alone = sheet.cell(row, "stim_type").lower() == "single"
        if alone and sheet.cell(row, "cond_intensity_mso") and not sheet.cell(row, "intensity_mso"):
            raise RecordingError(
                "a single pulse has an intensity of the conditioning pulse only",
                where=sheet.place(row),
                expected="intensity_mso",
                found=f"cond_intensity_mso {sheet.cell(row, 'cond_intensity_mso')}",
                do="check whether the two columns are swapped",
            )
        if looks_like_day(sheet.number(row, "isi_ms")):
            raise RecordingError(
                "isi_ms is a date as spreadsheets count days",
                where=sheet.place(row),
                expected="milliseconds",
                found=sheet.cell(row, "isi_ms"),
                do="correct the cell, and let the spreadsheet hold the column as text",
            )
