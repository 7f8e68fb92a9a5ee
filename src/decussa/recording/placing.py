"""A sheet of stimuli placed on the pulses of a recording: the sheet tells what was given, the pulse tells when."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from decussa.model.errors import RecordingError
from decussa.model.recording import PulseFrom, StimulusEvent
from decussa.recording.alignment import (
    SCATTER_S,
    Group,
    SheetTimes,
    Times,
    check_pairs,
    match_onsets,
    match_spacing,
    sheet_times,
)
from decussa.recording.events import check_onsets, read_stimulus
from decussa.recording.mapped_sheet import check_sense, stimulus_rows
from decussa.recording.sheet import Sheet

#: Onsets of a sheet this near to the pulses are the pulses.
SAME_S = 1e-3
#: What a sweep and its row may both say.
_GIVEN = ("intensity_mso", "cond_intensity_mso", "isi_ms", "current_ma")
_WORDS: dict[PulseFrom, str] = {
    "trigger": "trigger pulse", "annotation": "annotation", "artifact": "stimulus artifact", "events": "event",
}  # fmt: skip


def place_stimuli(
    sheet: Sheet, *, duration_s: float, pulses: Callable[[], tuple[Sequence[Group], PulseFrom]]
) -> tuple[StimulusEvent, ...]:
    """Return the stimuli of a sheet in its order, each with the time of its pulse.

    Parameters
    ----------
    sheet : Sheet
        In the product's words.
    duration_s : float
        Length of the recording.
    pulses : callable
        Returns the pulses of each stimulus in seconds, and how they were found; none where the recording shows none. The
        onsets of the sheet then hold as they stand; without onsets the events' own are NaN, to be placed later.

    Raises
    ------
    RecordingError
        If rows and pulses differ in count or spacing, or a row cannot be meant as it stands.
    """
    rows = stimulus_rows(sheet)
    check_sense(sheet, rows)
    if not rows:
        return ()
    times = sheet_times(sheet, rows)
    if times.kind == "onset":
        return _placed_by_onset(sheet, rows, times, duration_s, pulses)
    groups, found = pulses()
    if not groups:
        return _events(sheet, rows, np.full(len(rows), math.nan), "artifact")
    match_spacing(sheet, rows, times, groups, of=_WORDS[found])
    check_pairs(sheet, rows, groups, of=_WORDS[found])
    return _events(sheet, rows, _test_times(sheet, rows, groups), found)


def place_on_sweeps(sheet: Sheet, events: Sequence[StimulusEvent]) -> tuple[StimulusEvent, ...]:
    """Return the stimuli of a sheet for sweeps that were already cut: row by row, in the order of the sweeps.

    Parameters
    ----------
    sheet : Sheet
        In the product's words.
    events : sequence of StimulusEvent
        What the recording itself says of its sweeps; where it says what was given, the sheet must agree.

    Raises
    ------
    RecordingError
        If there are more or fewer rows than sweeps, or a row and its sweep contradict each other.
    """
    rows = stimulus_rows(sheet)
    check_sense(sheet, rows)
    if len(rows) != len(events):
        raise RecordingError(
            "sheet does not fit the sweeps of the recording",
            where=sheet.path,
            expected=f"a row for each of {len(events)} sweeps",
            found=f"{len(rows)} rows",
            do="check that the sheet belongs to this recording and that no row is missing or twice",
        )
    placed = _events(sheet, rows, np.array([event.onset_s for event in events]), "events")
    for row, told, own in zip(rows, placed, events, strict=True):
        for name in _GIVEN:
            said, held = getattr(told.stimulus, name), getattr(own.stimulus, name)
            if not math.isnan(said) and not math.isnan(held) and not math.isclose(said, held, rel_tol=1e-6):
                raise RecordingError(
                    f"sheet and recording contradict each other in {name}",
                    where=sheet.place(row),
                    expected=f"{held:g}, as sweep {own.sweep} says",
                    found=f"{said:g}",
                    do="check that the sheet belongs to this recording, and that no columns are swapped",
                )
    return tuple(
        replace(told, sweep=own.sweep, muscle=told.muscle or own.muscle)
        for told, own in zip(placed, events, strict=True)
    )


def _placed_by_onset(
    sheet: Sheet,
    rows: Sequence[int],
    times: SheetTimes,
    duration_s: float,
    pulses: Callable[[], tuple[Sequence[Group], PulseFrom]],
) -> tuple[StimulusEvent, ...]:
    untold = next((row for row, onset_s in zip(rows, times.seconds, strict=True) if math.isnan(onset_s)), None)
    if untold is not None:
        raise RecordingError("stimulus has no onset", where=sheet.place(untold), expected="seconds in the column onset")
    check_onsets([float(onset_s) for onset_s in times.seconds], [sheet.place(row) for row in rows], duration_s)
    groups, found = pulses()
    groups = _unexplained(sheet, rows, groups)
    if not groups or found not in ("trigger", "artifact"):
        return _events(sheet, rows, times.seconds, "events")
    first = sheet.trigger_marks == "first"
    shift_s = np.array([_interval_s(sheet, row) if first else 0.0 for row in rows])
    anchors = [(group[0],) if first else group for group in groups]
    numbers = match_onsets(sheet, rows, times.seconds - shift_s, anchors, of=_WORDS[found])
    chosen = [groups[number] for number in numbers]
    check_pairs(sheet, rows, chosen, of=_WORDS[found])
    test_s = _test_times(sheet, rows, chosen)
    if np.abs(test_s - times.seconds).max() > SAME_S:
        return _events(sheet, rows, test_s, found)
    rounded = np.abs(times.seconds * 1e3 - np.rint(times.seconds * 1e3)).max() < 1e-6
    return _events(sheet, rows, test_s if rounded else times.seconds, "events")


def _unexplained(sheet: Sheet, rows: Sequence[int], groups: Sequence[Group]) -> list[Group]:
    """Return the pulses that no row names as something else than a stimulus."""
    stimuli = set(rows)
    others = [row for row in range(len(sheet.rows)) if row not in stimuli and sheet.cell(row, "onset")]
    if not others:
        return list(groups)
    other_s = np.array([sheet.number(row, "onset") for row in others])
    return [group for group in groups if np.abs(other_s - group[-1]).min() > SCATTER_S]


def _test_times(sheet: Sheet, rows: Sequence[int], groups: Sequence[Group]) -> Times:
    """Return when the test pulses were given: the last pulse shown, or the interval after it where it marks the first."""
    late_s = [
        _interval_s(sheet, row) if sheet.trigger_marks == "first" and len(group) == 1 else 0.0
        for row, group in zip(rows, groups, strict=True)
    ]
    return np.asarray(np.array([group[-1] for group in groups]) + np.array(late_s))


def _interval_s(sheet: Sheet, row: int) -> float:
    isi_ms = sheet.number(row, "isi_ms")
    return 0.0 if math.isnan(isi_ms) else isi_ms / 1e3


def _events(sheet: Sheet, rows: Sequence[int], onsets_s: Times, found: PulseFrom) -> tuple[StimulusEvent, ...]:
    return tuple(
        replace(
            read_stimulus(sheet, row, kind=sheet.cell(row, "stim_type"), sweep=sweep, onset_s=float(onset_s)),
            pulse_from=found,
        )
        for sweep, (row, onset_s) in enumerate(zip(rows, onsets_s, strict=True), start=1)
    )


def describe_placing(sheet: Sheet, events: Sequence[StimulusEvent]) -> tuple[str, ...]:
    """Return how the rows of a sheet were placed, in a sentence; none where its onsets hold as they stand."""
    if not events:
        return ()
    times = sheet_times(sheet, stimulus_rows(sheet))
    if events[0].pulse_from == "events":
        moved_ms = float(np.abs([event.onset_s for event in events] - times.seconds).max()) * 1e3
        told = f"onsets in {sheet.path.name} are whole milliseconds; those of the pulses, up to {moved_ms:.1f} ms off, are used"
        return (told,) if moved_ms > 1e-3 else ()
    found = _WORDS[events[0].pulse_from]
    how = {
        "onset": "by their onsets", "time_of_day": "by their time of day", "interval_s": "by their intervals",
        "order": "by their order alone, since the sheet tells no times",
    }[times.kind]  # fmt: skip
    told = f"{len(events)} rows of {sheet.path.name} were placed on as many {found}s, {how}"
    if times.kind == "onset":
        late_ms = float(np.median([event.onset_s for event in events] - times.seconds)) * 1e3
        told += f"; the sheet's onsets lie {abs(late_ms):.1f} ms {'before' if late_ms > 0 else 'after'} them"
    return (told,)
