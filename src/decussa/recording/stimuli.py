"""Where the stimuli of a recording are: from events, from a trigger channel, from annotations, in that order."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from decussa.model.errors import RecordingError
from decussa.model.recording import PulseFrom, StimulusEvent
from decussa.model.stimulus import Stimulus
from decussa.recording.edf_stamps import Annotation
from decussa.recording.events import check_onsets, read_events, stimulus_places
from decussa.recording.placing import place_stimuli
from decussa.recording.sheet import Sheet
from decussa.recording.stimulus_text import StimulusText, read_stimulus_text
from decussa.recording.trigger import group_edges

#: How far a text may lie from the trigger edge it tells about: software writes it late.
TEXT_NEAR_S = 0.5


def find_stimuli(
    *,
    where: str,
    duration_s: float,
    sheet: Sheet | None,
    trigger_edges: Callable[[], Sequence[float]],
    annotations: Sequence[Annotation],
) -> tuple[StimulusEvent, ...]:
    """Return the stimuli in order of onset, from the first of the three that names any; none where none does.

    Parameters
    ----------
    where : str
        The recording, for messages.
    duration_s : float
        Its length; onsets beyond it are refused.
    sheet : Sheet or None
        Events of the data set, believed as they stand; or a sheet that is checked against the pulses found.
    trigger_edges : callable
        Returns the onsets of trigger pulses in seconds; not called where the data set's events name stimuli.
    annotations : sequence of Annotation
        Text in the file. Beside a trigger it tells what was given.

    Raises
    ------
    RecordingError
        If a stimulus cannot be meant as it stands: outside the recording, twice, out of order, without an interval.
    """
    if sheet is not None and sheet.to_check:
        return place_stimuli(
            sheet, duration_s=duration_s, pulses=lambda: _shown_pulses(sheet, where, trigger_edges, annotations)
        )
    if sheet is not None and (events := read_events(sheet)):
        check_onsets([event.onset_s for event in events], stimulus_places(sheet), duration_s)
        return events
    told = [(note, found) for note, found in _read_notes(annotations, where) if found is not None]
    edges = trigger_edges()
    if len(edges):
        return _from_trigger(group_edges(edges, where=where), told)
    events = tuple(_from_text(sweep, note, found) for sweep, (note, found) in enumerate(told, start=1))
    places = [f"{where}, annotation {note.text!r}" for note, _ in told]
    check_onsets([event.onset_s for event in events], places, duration_s)
    return events


def _shown_pulses(
    sheet: Sheet, where: str, trigger_edges: Callable[[], Sequence[float]], annotations: Sequence[Annotation]
) -> tuple[Sequence[tuple[float, ...]], PulseFrom]:
    """Return the pulses that trigger channel or annotations show."""
    edges = trigger_edges()
    if len(edges):
        try:
            return group_edges(edges, where=where), "trigger"
        except RecordingError:
            if any(sheet.cell(row, "onset") for row in range(len(sheet.rows))):
                return (), "trigger"  # a channel that shows no stimuli cannot speak against a sheet that tells when
            raise
    return [(note.onset_s,) for note, found in _read_notes(annotations, where) if found is not None], "annotation"


def _read_notes(annotations: Sequence[Annotation], where: str) -> Iterator[tuple[Annotation, StimulusText | None]]:
    """Yield what each text says; texts come again and again and are read once."""
    known: dict[str, StimulusText | None] = {}
    for note in annotations:
        if note.text not in known:
            known[note.text] = read_stimulus_text(note.text, where=f"{where}, annotation at {note.onset_s:g} s")
        yield note, known[note.text]


def _from_text(sweep: int, note: Annotation, found: StimulusText) -> StimulusEvent:
    return StimulusEvent(
        sweep=sweep,
        onset_s=note.onset_s,
        stimulus=found.stimulus,
        pulse_from="annotation",
        condition=found.condition,
        contraction_pct=found.contraction_pct,
        label=note.text,
    )


def _from_trigger(
    groups: Sequence[tuple[float, ...]], told: Sequence[tuple[Annotation, StimulusText]]
) -> tuple[StimulusEvent, ...]:
    """Take the times from the trigger and, where a text lies near, what was given from the text."""
    events = []
    for sweep, pulses in enumerate(groups, start=1):
        onset_s = pulses[-1]
        near = min(told, key=lambda item: abs(item[0].onset_s - onset_s), default=None)
        if near is not None and abs(near[0].onset_s - onset_s) <= TEXT_NEAR_S:
            events.append(replace(_from_text(sweep, *near), onset_s=onset_s, pulse_from="trigger"))
            continue
        if len(pulses) == 2:
            stimulus = Stimulus(stim_type="paired", isi_ms=round((pulses[1] - pulses[0]) * 1e3, 3))
        else:
            stimulus = Stimulus(stim_type="single", intensity_mso=math.nan)
        events.append(StimulusEvent(sweep=sweep, onset_s=onset_s, stimulus=stimulus, pulse_from="trigger"))
    return tuple(events)
