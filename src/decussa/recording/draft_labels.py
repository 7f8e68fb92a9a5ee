"""What the labels of a lab's sheet may mean, from the rows that carry them."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from decussa.model.errors import RecordingError
from decussa.recording.draft_columns import ColumnGuess, column_numbers, quote
from decussa.recording.sheet import Sheet
from decussa.recording.stimulus_text import read_stimulus_text

#: More labels than these are no labels.
MOST_LABELS = 40
#: What pairs of this interval are usually called (common practice, no source).
_CALLED = ((1.0, 6.0, "SICI"), (7.0, 30.0, "ICF"), (50.0, 200.0, "LICI"))


def label_lines(sheet: Sheet, guesses: Sequence[ColumnGuess]) -> list[str]:
    """Return a section for each label, and its grounds; without a column of labels a line that says so."""
    words = {guess.word: guess.column for guess in guesses}
    if "label" not in words or "stim_type" in words:
        return [] if "label" not in words else ["# The column stim_type says what was given."]
    column = words["label"]
    rows: dict[str, list[int]] = {}
    for row in range(len(sheet.rows)):
        if text := sheet.cell(row, column):
            rows.setdefault(text, []).append(row)
    if len(rows) > MOST_LABELS:
        return [f"# {len(rows)} different texts stand in {column!r}: too many to describe each."]
    isi = column_numbers(sheet, words["isi_ms"]) if "isi_ms" in words else None
    current = column_numbers(sheet, words["current_ma"]) if "current_ma" in words else None
    lines: list[str] = []
    for text, where in rows.items():
        intervals = [] if isi is None else [float(isi[row]) for row in where]
        currents = [] if current is None else [float(current[row]) for row in where]
        lines += _section(text, len(where), intervals, currents)
    return lines


def _section(text: str, count: int, intervals: list[float], currents: list[float]) -> list[str]:
    lines = ["[[labels]]", f"label = {quote(text)}  # {count} rows"]
    told = sorted({value for value in intervals if math.isfinite(value)})
    empty = sum(math.isnan(value) for value in intervals)
    if told and not empty:
        between = ", ".join(f"{value:g}" for value in told)
        called = next((name for low, high, name in _CALLED if low <= told[0] and told[-1] <= high), "")
        lines.append(f'stim_type = "paired"  # every row has an interval: {between} ms')
        remark = f"  # pairs of this interval are usually called {called}" if called else ""
        return [*lines, f"condition = {quote(text)}{remark}", ""]
    if told:
        lines.append(f'stim_type = "?"  # {len(intervals) - empty} rows have an interval, {empty} have none')
    elif any(math.isfinite(value) for value in currents):
        lines.append('stim_type = "nerve"  # rows have a current')
    elif intervals:
        lines.append('stim_type = "single"  # no row has an interval, though others do')
    else:
        lines += _from_text(text)
    return [*lines, f"condition = {quote(text)}", ""]


def _from_text(text: str) -> list[str]:
    """Guess from the label's own words, where the sheet holds no intervals."""
    try:
        found = read_stimulus_text(text, where="label")
    except RecordingError:
        found = None
    words = text.lower()
    if found is None and re.search(r"sici|icf|lici|pair|doppel|cond|\bpp\b", words):
        number = re.search(r"\d+(?:[.,]\d+)?", words)
        isi = (
            f"isi_ms = {float(number[0].replace(',', '.'))!r}  # doubt: the number in the label"
            if number
            else 'isi_ms = "?"'
        )
        return ['stim_type = "paired"  # doubt: from its words', isi]
    if found is None and re.search(r"single|einzel|test|\bsp\b|uncond|mep", words):
        return ['stim_type = "single"  # doubt: from its words']
    if found is None:
        return ['stim_type = "?"  # single, paired, nerve, or none for no stimulus']
    lines = [f'stim_type = "{found.stimulus.stim_type}"  # doubt: from its words']
    return lines + [
        f"{name} = {value!r}  # doubt: from its words"
        for name in ("intensity_mso", "cond_intensity_mso", "isi_ms", "current_ma")
        if math.isfinite(value := getattr(found.stimulus, name))
    ]
