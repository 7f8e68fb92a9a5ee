"""What the columns of a lab's sheet may mean: by their names, held against what stands in them."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import RecordingError
from decussa.recording.sheet import Sheet

_CLOCK = re.compile(r"(?:[\d./-]{8,10}[T ])?\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?")
#: Words labs use for a column, common practice, no source. The first that fits a column's name wins.
_NAMES: tuple[tuple[str, str], ...] = (
    ("isi_ms", r"isi|ipi|inter\s*stim\w*|interpulse\w*|intervalo|intervall\w*|interval"),
    ("cond_intensity_mso", r"cs|cs[ _%]\w*|cond\w*[ _]?(int|stim|puls|mso|%)\w*|condition(ing|er)\w*|konditionier\w*|s1"),
    ("intensity_mso", r"ts|ts[ _%]\w*|test\w*[ _]?(int|stim|puls|mso|%)\w*|intens\w*|st(ae|ä)rke|(%\s*)?mso|output|leistung|s2"),
    ("current_ma", r"strom\w*|current\w*|ma|courant|corriente"),
    ("contraction_pct", r"mvc\w*|(%\s*)?mvc|kontraktion\w*|contraction\w*|force|kraft"),
    ("stim_type", r"stim_?type"),
    ("label", r"art|typ|type|cond|condition|bedingung|label|code|marker|stim|stimulus|reiz|trial_?type|kind|kategorie|category"),
    ("muscle", r"muskel|muscle|target|ziel\w*|músculo|muscolo"),
    ("stim_side", r"seite|side|hemisph\w*|lado|lato"),
    ("block", r"block|bloc|bloque|blocco|serie|series"),
    ("timepoint", r"zeitpunkt|time_?point|visit|phase"),
    ("time_of_day", r"uhrzeit|clock|time_?of_?day|uhr|datetime|datum_?zeit"),
    ("onset", r"onset\w*|zeit|time|t|sec|sekunde\w*|latency|temps|tiempo|tempo|timestamp|start"),
    ("interval_s", r"iti|pause|abstand|inter_?trial\w*"),
    ("", r"no\.?|nr\.?|#|n|trial|sweep|index|id|nummer|number|lfd\w*|versuch|order|reihenfolge"),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnGuess:
    """What one column may mean: ``word`` is the product's, empty for a column that is not needed; ``doubt`` why not sure."""

    column: str
    word: str
    doubt: str = ""
    remark: str = ""


def guess_columns(sheet: Sheet, duration_s: float) -> list[ColumnGuess]:
    """Return a guess for each column, in the sheet's order; no word is given twice."""
    guesses: list[ColumnGuess] = []
    taken: set[str] = set()
    for column in sheet.columns:
        guess = _guess(sheet, column, duration_s)
        if guess.word and guess.word in taken:
            guess = ColumnGuess(
                column=column, word="", remark=f"may be {guess.word} too, which another column is taken for"
            )
        taken.add(guess.word)
        guesses.append(guess)
    return guesses


def quote(text: str) -> str:
    """Return a TOML string."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def column_numbers(sheet: Sheet, column: str) -> NDArray[np.float64] | None:
    """Return the numbers of a column, NaN for empty cells; None where some cell is no number."""
    try:
        return np.array([sheet.number(row, column) for row in range(len(sheet.rows))])
    except RecordingError:
        return None


def _guess(sheet: Sheet, column: str, duration_s: float) -> ColumnGuess:
    bare = re.sub(r"[\[(].*?[\])]", "", column).strip().lower()
    unit = "".join(re.findall(r"[\[(](.*?)[\])]", column)).strip().lower()
    named = next((word for word, names in _NAMES if re.fullmatch(names, bare)), None)
    texts = [text for row in range(len(sheet.rows)) if (text := sheet.cell(row, column))]
    numbers = column_numbers(sheet, column)
    if not texts:
        return ColumnGuess(column=column, word="", remark="is empty")
    if all(_CLOCK.fullmatch(text) for text in texts):
        return ColumnGuess(
            column=column, word="time_of_day", doubt="" if named in ("time_of_day", "onset") else "looks like a clock"
        )
    if named is not None:
        return _check(column, named, unit, numbers, duration_s)
    return _by_content(column, texts, numbers, duration_s)


def _check(column: str, word: str, unit: str, numbers: NDArray[np.float64] | None, duration_s: float) -> ColumnGuess:
    """Hold what a name says against what stands in the column."""
    if word in ("", "label", "stim_type", "muscle", "stim_side", "block", "timepoint"):
        remark = "counts rows; the product counts stimuli itself" if not word else ""
        return ColumnGuess(column=column, word=word, remark=remark)
    if numbers is None:
        return ColumnGuess(column=column, word=word, doubt="some cells are no numbers")
    told = numbers[np.isfinite(numbers)]
    if word == "onset":
        return _check_onset(column, unit, told, duration_s)
    least, most = {"isi_ms": (0.0, 1000.0), "current_ma": (0.0, 1000.0), "interval_s": (0.0, 600.0)}.get(
        word, (0.0, 100.0)
    )
    fits = bool(np.all((told >= least) & (told <= most)))
    doubt = "" if fits else f"values from {told.min():g} to {told.max():g} do not fit {least:g} to {most:g}"
    if word == "isi_ms" and len(set(told.tolist())) > max(6, told.size // 2):
        return ColumnGuess(
            column=column, word="interval_s", doubt="so many values that it may be the time between stimuli"
        )
    if word == "isi_ms" and fits and told.size and told.max() < 0.5:
        doubt = "values this small may be seconds; the product needs milliseconds"
    return ColumnGuess(column=column, word=word, doubt=doubt)


def _check_onset(column: str, unit: str, told: NDArray[np.float64], duration_s: float) -> ColumnGuess:
    if not np.all(np.diff(told) > 0):
        return ColumnGuess(
            column=column, word="interval_s", doubt="does not rise, so it may be the time since the stimulus before"
        )
    if unit.startswith(("ms", "milli")) or (told.size and told[-1] > duration_s and told[-1] / 1e3 <= duration_s):
        return ColumnGuess(
            column=column,
            word="onset_ms",
            doubt=""
            if unit.startswith(("ms", "milli"))
            else "taken as milliseconds: seconds would end after the recording",
        )
    late = bool(told.size) and told[-1] > duration_s
    return ColumnGuess(
        column=column, word="onset", doubt=f"ends at {told[-1]:g} s, after the recording" if late else ""
    )


def _by_content(column: str, texts: list[str], numbers: NDArray[np.float64] | None, duration_s: float) -> ColumnGuess:
    if numbers is None:
        if 1 < len(set(texts)) <= max(2, len(texts) // 2):
            return ColumnGuess(
                column=column, word="label", doubt="its name says nothing; a few words come again and again"
            )
        return ColumnGuess(column=column, word="", remark="not understood, left alone")
    told = numbers[np.isfinite(numbers)]
    rising = told.size > 2 and bool(np.all(np.diff(told) > 0))
    if rising and np.ptp(np.diff(told)) > 0 and told[-1] <= duration_s:
        return ColumnGuess(column=column, word="onset", doubt="its name says nothing; it rises within the recording")
    return ColumnGuess(column=column, word="", remark="not understood, left alone")
