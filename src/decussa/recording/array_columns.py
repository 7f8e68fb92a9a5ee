"""What a file of arrays says about each stimulus, as the rows of a sheet of events."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from decussa.model.errors import RecordingError
from decussa.recording.array_file import ArrayFile, NamedArray, Numbers, Said, plain_name
from decussa.recording.array_lookup import look_up, one_text
from decussa.recording.array_words import COLUMNS, KEYS, ONSETS
from decussa.recording.mapped_sheet import in_our_words
from decussa.recording.mapping import Mapping
from decussa.recording.sheet import Sheet

#: An interval without a unit that is smaller than this would be in seconds: no pair is closer than 0.5 ms. Common practice,
#: no source.
_LEAST_INTERVAL_MS = 0.5


class StimulusRows(Sheet):
    """Rows that came from a file of arrays: they have no lines, they are counted."""

    def place(self, row: int) -> str:
        """Return file and number of the stimulus, for messages."""
        return f"{self.path}, stimulus {self.lines[row]}"


def column_lengths(file: ArrayFile, told: Mapping) -> frozenset[int]:
    """Return the lengths of all that is said stimulus by stimulus: of columns that are longer than 1."""
    return frozenset(len(value) for _, _, value in _columns(file, told) if len(value) > 1)


def read_rows(
    file: ArrayFile, told: Mapping, count: int, onsets_s: Numbers | None = None
) -> tuple[Sheet, tuple[str, ...]]:
    """Return what is said about ``count`` stimuli, and notes on what was assumed; what is said once holds for all.

    Raises
    ------
    RecordingError
        If two columns mean the same, or an interval must be in another unit.
    """
    cells: dict[str, list[str]] = {}
    names: dict[str, str] = {}
    notes: list[str] = []
    for column, name, value in _columns(file, told):
        if len(value) not in {1, count}:
            continue
        texts = [_say(item) for item in value] * (count if len(value) == 1 else 1)
        if column in cells and cells[column] != texts:
            raise RecordingError(
                f"two variables may be {column}", where=file.path, found=f"{names[column]} and {name}",
                do=f"say in a mapping which is meant: columns.{column} = ...",
            )  # fmt: skip
        cells[column], names[column] = texts, name
        if plain_name(name) != column:
            notes.append(f"{name} is taken as {column}")
    if "isi_ms" in cells:
        notes += _tidy_intervals(file, cells["isi_ms"], names["isi_ms"])
    if onsets_s is not None:
        cells["onset"] = [repr(float(onset)) for onset in onsets_s]
        cells["onset_s"] = cells["onset"]
    rows = _sheet(file, cells, count)
    if "label" in cells and told.labels:
        rows, more = in_our_words(rows, replace(told, columns={}))
        notes += more
    return rows, tuple(notes)


def find_onsets_s(
    file: ArrayFile, told: Mapping, signal: NamedArray, rate_hz: float, duration_s: float
) -> tuple[Numbers, tuple[str, ...]] | None:
    """Return the onsets of the stimuli of a continuous recording in seconds, and notes; None where the file has none.

    Raises
    ------
    RecordingError
        If they are in a unit that nothing tells.
    """
    wanted = {plain_name(told.columns["onset"])} if "onset" in told.columns else set(ONSETS)
    found = next((item for item in look_up(file, wanted, signal) if isinstance(item.value, np.ndarray)), None)
    if found is None:
        found = next((item for item in look_up(file, wanted) if isinstance(item.value, np.ndarray)), None)
    if found is None or isinstance(found.value, tuple):
        return None
    onsets = np.asarray(found.value, dtype=np.float64).reshape(-1)
    factor = ONSETS.get(found.key, 0)
    if factor > 0:
        return onsets * factor, ()
    if factor < 0:
        note = f"{found.name} is taken as sample numbers that count from {file.counts_from}"
        return (onsets - file.counts_from) / rate_hz, (note,)
    if onsets.size and np.nanmax(onsets) >= duration_s:
        raise RecordingError(
            f"unit of {found.name} is not known", where=file.path,
            expected=f"seconds, up to {duration_s:g} s", found=f"up to {np.nanmax(onsets):g}",
            do="name it with its unit, such as onset_ms or onset_sample",
        )  # fmt: skip
    return onsets, (() if found.key == "onset" else (f"{found.name} is taken to be in seconds",))


def find_keys(file: ArrayFile, told: Mapping, signal: NamedArray) -> dict[str, str]:
    """Return participant, session, task and run where mapping or file tell them."""
    keys = {}
    for word in dict.fromkeys(KEYS.values()):
        said = one_text(file, {name for name, meant in KEYS.items() if meant == word}, signal)
        if said:
            keys[word] = re.sub(r"^(sub|ses|task|run)-", "", said)
    return keys | {name: said for name, said in (("participant", told.participant), ("session", told.session)) if said}


def _columns(file: ArrayFile, told: Mapping) -> Iterable[tuple[str, str, Said]]:
    """Yield column, the name of what is said, and its values: texts, or a vector of numbers."""
    meant = {lab: word for word, lab in told.columns.items()}
    by_mapping = set(told.columns)
    everything: list[tuple[str, Said | NamedArray]] = [
        *file.texts.items(),
        *((item.name, item) for item in file.arrays),
    ]
    everything += [(name, value) for name, value in file.said.items()]
    for name, value in everything:
        column = meant.get(name) or meant.get(plain_name(name)) or COLUMNS.get(plain_name(name), "")
        if not column or (column in by_mapping and name not in meant and plain_name(name) not in meant):
            continue
        if isinstance(value, NamedArray):
            if value.length:
                yield column, name, value.vector()
        elif len(np.shape(value)) == 1 or isinstance(value, tuple):
            yield column, name, value


def _say(value: object) -> str:
    if isinstance(value, str):
        return value
    number = float(value)  # type: ignore[arg-type]
    return "" if np.isnan(number) else repr(int(number)) if number.is_integer() else repr(number)


def _tidy_intervals(file: ArrayFile, cells: list[str], name: str) -> list[str]:
    """Clear intervals of 0, which labs write for single pulses; refuse intervals that must be in seconds."""
    numbers = [float(cell) for cell in cells if re.fullmatch(r"[-+.\deE]+", cell)]
    above = [number for number in numbers if number > 0]
    if above and max(above) < _LEAST_INTERVAL_MS and plain_name(name) != "isi_ms":
        raise RecordingError(
            f"{name} cannot be in ms", where=file.path, expected="an interval in ms", found=f"up to {max(above):g}",
            do="save it in ms, as isi_ms",
        )  # fmt: skip
    zeros = [index for index, cell in enumerate(cells) if cell in {"0", "-0"}]
    for index in zeros:
        cells[index] = ""
    return [f"{name} = 0 is read as no interval"] if zeros else []


def _sheet(file: ArrayFile, cells: dict[str, list[str]], count: int) -> Sheet:
    return StimulusRows(
        path=file.path, comments=(), columns=tuple(cells),
        rows=tuple(zip(*cells.values(), strict=True)) if cells else ((),) * count,
        lines=tuple(range(1, count + 1)), decimal_comma=False,
    )  # fmt: skip
