"""What somebody gives beside a recording: a sheet of stimuli in any words, and leave to look for artifacts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from decussa.model.errors import RecordingError
from decussa.model.recording import Recording, StimulusEvent
from decussa.quality.verdict import ARTIFACT_SHARE
from decussa.recording.alignment import SCATTER_S
from decussa.recording.from_artifacts import (
    ArtifactPulses,
    artifact_events,
    describe_artifacts,
    find_artifact_pulses,
)
from decussa.recording.mapped_sheet import STIMULUS_NUMBERS, in_our_words, stimulus_rows
from decussa.recording.mapping import Mapping
from decussa.recording.placing import describe_placing, place_on_sweeps, place_stimuli
from decussa.recording.sheet import Sheet, read_sheet

_NUMBERS = ("onset", "onset_ms", *STIMULUS_NUMBERS, "interval_s")


def read_given_sheet(path: Path, mapping: Mapping) -> tuple[Sheet, tuple[str, ...]]:
    """Return a sheet of stimuli in the product's words, and notes on what was assumed or repaired.

    Raises
    ------
    RecordingError
        If it is not UTF-8 and the mapping names no encoding, lacks a column, or cannot be meant as it stands.
    """
    style = mapping.sheet if mapping.sheet.encoding else replace(mapping.sheet, encoding="utf-8")
    sheet = read_sheet(path, style)
    if not (mapping.columns or mapping.labels) and "stim_type" not in sheet.columns:
        raise RecordingError(
            "sheet of stimuli lacks a column",
            where=path,
            expected="the columns onset and stim_type",
            found=", ".join(sheet.columns),
            do="name the columns as docs/formats.md says, or let --draft-mapping write a mapping for them",
        )
    sheet, notes = in_our_words(sheet, mapping)
    rows = stimulus_rows(sheet)
    if not rows:
        raise RecordingError("sheet names no stimulus", where=path, expected="rows with stim_type", found="none")
    columns = [name for name in _NUMBERS if name in sheet.columns]
    ready = replace(sheet, to_check=True, trigger_marks=mapping.trigger_marks)
    aside = len(sheet.rows) - len(rows)
    left_out = (f"rows of {path.name} that are no stimuli: {aside}",) if aside else ()
    return ready, (*notes, *left_out, *sheet.repairs(rows, columns))


def complete(
    recording: Recording, sheet: Sheet | None, notes: Sequence[str] = (), *, find_artifacts: bool = False
) -> Recording:
    """Return the recording with its stimuli placed by their artifacts where nothing else places them.

    Parameters
    ----------
    recording : Recording
        As its reader gives it.
    sheet : Sheet, optional
        The sheet that was given beside it.
    notes : sequence of str
        What was said of the sheet.
    find_artifacts : bool
        Whether somebody asked for artifacts; else they must be unmistakable.

    Raises
    ------
    RecordingError
        If the sheet fits no pulses, or artifacts were asked for and none stand out.
    """
    said = list(notes)
    events = recording.events
    continuous = math.isfinite(recording.duration_s)
    if sheet is not None and not continuous:
        events = place_on_sweeps(sheet, events)
        said.append(f"{len(events)} rows of {sheet.path.name} belong to as many sweeps, by their order alone")
    elif sheet is not None:
        events, told = _place_by_artifacts(recording, sheet, asked=find_artifacts)
        said += [*told, *describe_placing(sheet, events)]
    elif not events:
        found = find_artifact_pulses(recording, asked=find_artifacts)
        if found is not None:
            events = artifact_events(found)
            said += describe_artifacts(found)
    elif find_artifacts:
        said.append(f"stimuli were found without their artifacts ({events[0].pulse_from}), and these were not searched")
    return replace(recording, events=events, notes=(*recording.notes, *said))


def _place_by_artifacts(
    recording: Recording, sheet: Sheet, *, asked: bool
) -> tuple[tuple[StimulusEvent, ...], tuple[str, ...]]:
    """Place what has no onset yet, and check onsets that nothing else could be checked against.

    A few onsets without an artifact are left to the verdict (``pulse missing``); more are another session's.
    """
    events = recording.events
    unplaced = any(math.isnan(event.onset_s) for event in events)
    triggered = any(channel.kind == "trigger" for channel in recording.channels)
    if not unplaced and (triggered or any(event.stimulus.stim_type == "nerve" for event in events)):
        return events, ()
    found = find_artifact_pulses(recording, asked=asked and unplaced)
    if found is None:
        if unplaced:
            raise RecordingError(
                "stimuli cannot be placed",
                where=sheet.path,
                expected="a column onset, or pulses in the recording: a trigger channel, annotations, unmistakable artifacts",
                found="none of these",
                do="add onsets to the sheet, or try --find-artifacts",
            )
        return events, ()
    try:
        return _placed(recording, sheet, found), describe_artifacts(found)
    except RecordingError:
        lost = _without_artifact(events, found)
        if unplaced or len(lost) > max(1, (1 - ARTIFACT_SHARE) * len(events)):
            raise
        return events, ()


def _placed(recording: Recording, sheet: Sheet, found: ArtifactPulses) -> tuple[StimulusEvent, ...]:
    return place_stimuli(
        replace(sheet, trigger_marks="test"), duration_s=recording.duration_s, pulses=lambda: (found.groups, "artifact")
    )


def _without_artifact(events: Sequence[StimulusEvent], found: ArtifactPulses) -> list[StimulusEvent]:
    return [event for event in events if all(abs(group[-1] - event.onset_s) > SCATTER_S for group in found.groups)]
