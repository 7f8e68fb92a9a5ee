"""Stimuli from a sheet of events: BIDS ``events.tsv``, or a lab's own sheet with the same columns.

The columns are those of ``EVENT_COLUMNS``; a row is a stimulus only if it has ``stim_type``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from decussa.model.errors import RecordingError
from decussa.model.recording import StimulusEvent
from decussa.model.stimulus import STIMULUS_TYPES, StimulusType
from decussa.model.table import Column
from decussa.model.trial import VERDICTS, Verdict
from decussa.recording.sheet import Sheet
from decussa.recording.stimulus_text import build_stimulus

EVENT_COLUMNS: tuple[Column, ...] = (
    Column(
        "onset", "number", "s", "Onset of the test pulse (the last of the stimulus) from the start of the recording"
    ),
    Column("duration", "number", "s", "Duration of the stimulus; 0"),
    Column("stim_type", "text", "", "What was given; a row without it is no stimulus"),
    Column("condition", "text", "", "Name of the condition"),
    Column(
        "intensity_mso", "number", "% MSO", "Intensity of the test pulse in percent of the maximum stimulator output"
    ),
    Column("cond_intensity_mso", "number", "% MSO", "Intensity of the conditioning pulse, likewise"),
    Column("isi_ms", "number", "ms", "Interstimulus interval asked for, onset to onset"),
    Column("muscle", "text", "", "Muscle the stimulus is meant for; n/a for all that are recorded"),
    Column("current_ma", "number", "mA", "Current of the nerve pulse"),
    Column("contraction_pct", "number", "% MVC", "Contraction asked for; 0 is rest"),
    Column("block", "text", "", "Block of trials that belong together"),
    Column("timepoint", "text", "", "Point in time within the study, such as before or after"),
    Column("stim_side", "text", "", "Side of the head, or of the nerve, that was stimulated"),
)
#: What a session adds, where the recording is a row of its sweeps.
SESSION_COLUMNS: tuple[Column, ...] = (
    Column("target", "text", "", "Muscle whose response was judged"),
    Column("session_s", "number", "s", "Time of the stimulus from the start of the session"),
    Column("stop_within", "number", "", "Factor within which ratios had to be known for the block to end early"),
    Column("segment_start_s", "number", "s", "Start, in the file, of the stretch around the stimulus that has no gap"),
    Column("segment_end_s", "number", "s", "End, in the file, of that stretch"),
    Column("verdict", "text", "", "What the session said of the trial: accept, doubtful or reject"),
    Column("rule", "text", "", "Name of the rule that decided"),
    Column("reason", "text", "", "Why the trial is doubtful or rejected"),
    Column(
        "site_right_cm", "number", "cm", "Where the coil was asked to be: to the right of the vertex along the scalp"
    ),
    Column("site_front_cm", "number", "cm", "Where the coil was asked to be: in front of the vertex along the scalp"),
)
STIM_TYPE_LEVELS = {
    "single": "One magnetic pulse",
    "paired": "A conditioning and a test pulse, both magnetic, isi_ms apart",
    "nerve": "One electrical pulse to the nerve of the muscle",
}


#: What readers note where nobody names the types of the stimuli.
TYPES_UNTOLD = "no stim_type is given: taken from the interval and the current, else single"


def event_value(event: StimulusEvent, name: str) -> str | float:
    """Return what an event says in a column of ``EVENT_COLUMNS`` or ``SESSION_COLUMNS``; empty or NaN where nothing."""
    if name == "onset":
        return event.onset_s
    if name == "duration":
        return 0.0
    if name in ("segment_start_s", "segment_end_s"):
        return math.nan if event.segment_s is None else event.segment_s[name == "segment_end_s"]
    if name in ("verdict", "rule", "reason"):
        said = event.verdict
        return "" if said is None else said.kind if name == "verdict" else str(getattr(said, name))
    value: str | float = getattr(event if hasattr(event, name) else event.stimulus, name)
    return value


def read_events(sheet: Sheet) -> tuple[StimulusEvent, ...]:
    """Return the stimuli of a sheet in its order; rows without ``stim_type`` are left out.

    Raises
    ------
    RecordingError
        If a row cannot be meant as it stands; the message names its line.
    """
    rows = [row for row in range(len(sheet.rows)) if sheet.cell(row, "stim_type")]
    return tuple(_read_row(sheet, row, sweep) for sweep, row in enumerate(rows, start=1))


def _read_row(sheet: Sheet, row: int, sweep: int) -> StimulusEvent:
    onset_s = sheet.number(row, "onset")
    if math.isnan(onset_s):
        raise RecordingError("stimulus has no onset", where=sheet.place(row), expected="seconds in the column onset")
    return read_stimulus(sheet, row, kind=sheet.cell(row, "stim_type"), sweep=sweep, onset_s=onset_s)


def read_stimulus(sheet: Sheet, row: int, *, kind: str, sweep: int, onset_s: float) -> StimulusEvent:
    """Return the stimulus that a row describes, as ``stim_type`` ``kind``; where it lies is told.

    Raises
    ------
    RecordingError
        If the row cannot be meant as it stands.
    """
    known = next((name for name in STIMULUS_TYPES if name == kind.lower()), None)
    if known is None:
        raise RecordingError(
            "stim_type is not known",
            where=sheet.place(row),
            expected=", ".join(STIMULUS_TYPES),
            found=repr(kind),
            do="correct the row, or clear the cell where the row is no stimulus",
        )
    values = {name: sheet.number(row, name) for name in ("intensity_mso", "cond_intensity_mso", "isi_ms", "current_ma")}
    contraction = sheet.number(row, "contraction_pct")
    if contraction < 0:
        raise RecordingError(
            "contraction_pct is out of range", where=sheet.place(row), expected="0 or more", found=f"{contraction:g}"
        )
    return StimulusEvent(
        sweep=sweep,
        onset_s=onset_s,
        stimulus=build_stimulus(known, values, where=sheet.place(row)),
        pulse_from="events",
        contraction_pct=contraction,
        label=sheet.cell(row, "trial_type"),
        target=sheet.cell(row, "target"),
        session_s=sheet.number(row, "session_s"),
        stop_within=sheet.number(row, "stop_within"),
        site_right_cm=sheet.number(row, "site_right_cm"),
        site_front_cm=sheet.number(row, "site_front_cm"),
        segment_s=_read_segment(sheet, row),
        verdict=_read_verdict(sheet, row),
        **{name: sheet.cell(row, name) for name in ("condition", "block", "timepoint", "stim_side", "muscle")},
    )


def _read_segment(sheet: Sheet, row: int) -> tuple[float, float] | None:
    start_s, end_s = sheet.number(row, "segment_start_s"), sheet.number(row, "segment_end_s")
    if math.isnan(start_s) and math.isnan(end_s):
        return None
    if not 0 <= start_s <= sheet.number(row, "onset") < end_s:
        raise RecordingError(
            "stimulus lies outside its segment",
            where=sheet.place(row),
            expected="segment_start_s, onset and segment_end_s in this order",
            found=f"{start_s:g}, {sheet.number(row, 'onset'):g} and {end_s:g} s",
        )
    return start_s, end_s


def _read_verdict(sheet: Sheet, row: int) -> Verdict | None:
    said = sheet.cell(row, "verdict")
    if not said:
        return None
    kind = next((known for known in VERDICTS if known == said.lower()), None)
    if kind is None:
        raise RecordingError(
            "verdict is not known", where=sheet.place(row), expected=", ".join(VERDICTS), found=repr(said)
        )
    return Verdict(kind, sheet.cell(row, "rule"), sheet.cell(row, "reason"))


def untold_type(sheet: Sheet, row: int) -> StimulusType:
    """Return the type of a stimulus that nobody names: a pair where there is an interval, a nerve pulse where a current."""
    if sheet.cell(row, "isi_ms"):
        return "paired"
    return "nerve" if sheet.cell(row, "current_ma") else "single"


def check_onsets(onsets_s: Sequence[float], places: Sequence[str], duration_s: float) -> None:
    """Raise ``RecordingError`` where onsets repeat, run backwards or lie outside the recording; ``places`` name them."""
    before = -math.inf
    for onset_s, place in zip(onsets_s, places, strict=True):
        if not 0 <= onset_s < duration_s:
            raise RecordingError(
                "stimulus lies outside the recording",
                where=place,
                expected=f"an onset from 0 to {duration_s:g} s",
                found=f"{onset_s:g} s",
                do="check that the events belong to this recording, and that onsets are in seconds",
            )
        if onset_s <= before:
            raise RecordingError(
                "stimulus is given twice" if onset_s == before else "stimuli are not in order of time",
                where=place,
                expected=f"an onset after {before:g} s",
                found=f"{onset_s:g} s",
                do="sort the rows by onset and remove the copies",
            )
        before = onset_s


def stimulus_places(sheet: Sheet) -> list[str]:
    """Return where each stimulus of the sheet stands, in its order."""
    return [sheet.place(row) for row in range(len(sheet.rows)) if sheet.cell(row, "stim_type")]
