"""A sheet of stimuli and the pulses of a recording: which row is which pulse, by count and spacing, never by hope.

A sheet places its stimuli by ``onset`` (seconds in the recording), by ``time_of_day``, by ``interval_s`` (since the stimulus
before), or by its order alone. Whatever it says must fit every pulse; else it is refused with the first difference.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import RecordingError
from decussa.recording.sheet import Sheet

Group = tuple[float, ...]
Times = NDArray[np.float64]

#: How far the times of a sheet may scatter about those of the pulses beyond their own rounding: software writes late.
#: Common practice, no source.
SCATTER_S = 0.1
#: How far a sheet's onsets may lie off the pulses as a whole; more is another recording, or another zero.
GREATEST_LAG_S = 0.5
#: Clocks of two machines may drift apart by this share of the time passed (common practice, no source).
CLOCK_DRIFT = 2e-4
_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True, eq=False)
class SheetTimes:
    """Times of the rows in seconds, NaN where a row tells none; ``rounding_s`` is how coarsely they are written."""

    kind: str
    seconds: Times
    rounding_s: float


def sheet_times(sheet: Sheet, rows: Sequence[int]) -> SheetTimes:
    """Return the times that a sheet tells of ``rows``, from the first of its columns that tells any.

    Raises
    ------
    RecordingError
        If a time cannot be read.
    """
    for kind, read in (("onset", _number), ("time_of_day", _clock), ("interval_s", _number)):
        cells = [(row, sheet.cell(row, kind)) for row in rows]
        if any(text for _, text in cells) or (kind == "onset" and kind in sheet.columns):
            seconds = np.array([read(sheet, row, kind) if text else math.nan for row, text in cells])
            rounding = max((_rounding_s(text, kind) for _, text in cells if text), default=0.0)
            if kind == "time_of_day":
                seconds = seconds + _DAY_S * np.cumsum(np.diff(seconds, prepend=seconds[0]) < -_DAY_S / 2)
            return SheetTimes(kind, seconds, rounding)
    return SheetTimes("order", np.full(len(rows), np.nan), math.inf)


def match_onsets(sheet: Sheet, rows: Sequence[int], onsets_s: Times, groups: Sequence[Group], *, of: str) -> list[int]:
    """Return for each row the number of its pulse; every row has its own, and every pulse has a row.

    Raises
    ------
    RecordingError
        Showing the first row without a pulse, or the first pulse without a row.
    """
    pulses_s = np.array([group[-1] for group in groups])
    lag_s = _common_lag(onsets_s, pulses_s)
    numbers: list[int] = []
    for row, onset_s in zip(rows, onsets_s, strict=True):
        near = int(np.argmin(np.abs(pulses_s - onset_s - lag_s)))
        if abs(pulses_s[near] - onset_s - lag_s) > SCATTER_S or near in numbers:
            raise _misfit(
                sheet.place(row),
                f"a {of} within {SCATTER_S:g} s of {onset_s + lag_s:.3f} s",
                f"none; the nearest is at {pulses_s[near]:.3f} s" + (", taken by another row" * (near in numbers)),
            )
        numbers.append(near)
    lost = next((number for number in range(len(groups)) if number not in numbers), None)
    if lost is not None:
        before = sum(onset_s + lag_s < pulses_s[lost] for onset_s in onsets_s)
        place = sheet.place(rows[before - 1]) if before else str(sheet.path)
        raise _misfit(
            place, f"a row for the {of} at {pulses_s[lost]:.3f} s", "none after this row" if before else "none"
        )
    return numbers


def match_spacing(sheet: Sheet, rows: Sequence[int], times: SheetTimes, groups: Sequence[Group], *, of: str) -> None:
    """Check that rows and pulses are equally many and equally spaced: row by row.

    Raises
    ------
    RecordingError
        Showing the first difference of spacing, else of count.
    """
    pulses_s = np.array([group[-1] for group in groups])
    both = min(len(rows), len(groups))
    wrong, expected, found = _first_difference(times, pulses_s, both)
    if wrong is not None:
        raise _misfit(sheet.place(rows[wrong]), f"{expected}, as the {of} {wrong + 1} has it", found)
    if len(rows) != len(groups):
        spare = (
            f"row {both + 1} has none" if len(rows) > both else f"{of} {both + 1} at {pulses_s[both]:.3f} s has no row"
        )
        raise _misfit(str(sheet.path), f"a row for each of {len(groups)} {of}s", f"{len(rows)} rows; {spare}")


def check_pairs(sheet: Sheet, rows: Sequence[int], groups: Sequence[Group], *, of: str) -> None:
    """Check single and paired rows against a trigger that shows both pulses of pairs; one slip in ten rows is let pass.

    Raises
    ------
    RecordingError
        Showing the first row that says otherwise than its pulses, where too many do.
    """
    if all(len(group) == 1 for group in groups):
        return
    wrong = [
        (row, group)
        for row, group in zip(rows, groups, strict=True)
        if not _is_same_pair(sheet.number(row, "isi_ms"), group)
    ]
    if len(wrong) > max(1, len(rows) / 10):
        row, group = wrong[0]
        told = sheet.number(row, "isi_ms")
        raise _misfit(
            sheet.place(row),
            "one pulse" if math.isnan(told) else f"two pulses {told:g} ms apart",
            f"{of} at {group[0]:.3f} s: "
            + ("one" if len(group) == 1 else f"two, {(group[1] - group[0]) * 1e3:.2f} ms apart"),
        )


def _is_same_pair(isi_ms: float, group: Group) -> bool:
    if len(group) == 1 or math.isnan(isi_ms):
        return len(group) == 1 and math.isnan(isi_ms)
    return abs((group[1] - group[0]) * 1e3 - isi_ms) <= max(1.0, 0.1 * isi_ms)


def _common_lag(onsets_s: Times, pulses_s: Times) -> float:
    """Return how far pulses lie behind the sheet's onsets as a whole, 0 where they share no lag."""
    lags = np.array([pulses_s[int(np.argmin(np.abs(pulses_s - onset_s)))] - onset_s for onset_s in onsets_s])
    lag_s = float(np.median(lags))
    return lag_s if abs(lag_s) <= GREATEST_LAG_S else 0.0


def _first_difference(times: SheetTimes, pulses_s: Times, both: int) -> tuple[int | None, str, str]:
    """Return the first row whose time does not fit, what its pulse has, and what the row says."""
    told, seen = times.seconds[:both], pulses_s[:both]
    if times.kind == "order" or both < 2:
        return None, "", ""
    allowed = SCATTER_S + times.rounding_s
    if times.kind == "time_of_day":
        # From row to row, so that the first difference is where it arises; clocks may drift over the whole.
        told, seen = np.diff(told, prepend=told[0]), np.diff(seen, prepend=seen[0])
    else:
        seen = np.diff(seen, prepend=seen[0])
        told = np.where(np.arange(both) == 0, 0.0, told)
    off = np.abs(told - seen) > allowed + CLOCK_DRIFT * np.abs(seen)
    if not off.any():
        return None, "", ""
    wrong = int(np.argmax(off))
    return wrong, f"{seen[wrong]:.3f} s after the stimulus before", f"{told[wrong]:.3f} s"


def _misfit(where: str, expected: str, found: str) -> RecordingError:
    return RecordingError(
        "sheet does not fit the pulses of the recording",
        where=where,
        expected=expected,
        found=found,
        do="check that the sheet belongs to this recording and that no row is missing or twice",
    )


def _number(sheet: Sheet, row: int, column: str) -> float:
    return sheet.number(row, column)


def _clock(sheet: Sheet, row: int, column: str) -> float:
    text = sheet.cell(row, column)
    found = re.fullmatch(
        r"(?:\d{4}-\d{2}-\d{2}[T ]|\d{1,2}[./]\d{1,2}[./]\d{2,4} +)?(\d{1,2})[:.hH](\d{2})(?:[:.](\d{2})(?:[.,:](\d+))?)?",
        text,
    )
    hours, minutes, seconds = (int(found[part] or 0) for part in (1, 2, 3)) if found else (24, 60, 60)
    if found is None or not (hours < 24 and minutes < 60 and seconds < 60):
        raise RecordingError(
            "time of day cannot be read", where=sheet.place(row), expected="hours:minutes:seconds", found=repr(text)
        )
    return 3600.0 * hours + 60.0 * minutes + seconds + (float(f"0.{found[4]}") if found[4] else 0.0)


def _rounding_s(text: str, kind: str) -> float:
    """Return how coarsely a time is written, in seconds."""
    if kind == "time_of_day":
        parts = re.split(r"[:.,hH]", text.split()[-1].rpartition("T")[2])
        return 60.0 if len(parts) == 2 else 1.0 if len(parts) == 3 else 10.0 ** -len(parts[3])
    fraction = re.search(r"[.,](\d+)$", text)
    return 10.0 ** -len(fraction[1]) if fraction else 1.0
