"""A recording from what an NWB file (version 2) holds: which series are EMG, when they were taken, and where the pulses are."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from decussa.model.errors import RecordingError
from decussa.model.recording import Channel, Recording
from decussa.model.units import is_voltage
from decussa.recording.array_columns import read_rows
from decussa.recording.array_file import Numbers, held_file
from decussa.recording.array_signals import ArrayLine, ContinuousArrays
from decussa.recording.arrays import check_lines, stimuli_of_rows
from decussa.recording.channel_kind import kinds_of_labels, make_channel, uv_per_unit
from decussa.recording.edf_header import GREATEST_RATE_HZ
from decussa.recording.mapping import Mapping
from decussa.recording.nwb_content import NwbContent, Series
from decussa.recording.sheet import Sheet
from decussa.recording.stimuli import find_stimuli
from decussa.recording.timeline import SLOWEST_HZ, Timeline, check_gaps, say_gaps, timeline_of_stamps
from decussa.recording.trigger import trigger_edges_s


def nwb_recording(content: NwbContent, events: Sheet | None, mapping: Mapping) -> Recording:
    """Return the recording.

    Raises
    ------
    RecordingError
        If no series is EMG, or what the file says cannot be believed.
    """
    path = content.path
    series, kinds, kind_notes = _chosen(content, mapping)
    zero_s = min(float(item.start_s if item.stamps_s is None else item.stamps_s[0]) for item in series)
    channels: list[Channel] = []
    lines: list[ArrayLine] = []
    timelines: list[Timeline] = []
    notes = list(kind_notes)
    for item in series:
        timeline, told = _timeline(path, item, zero_s)
        notes += told
        for index, label in enumerate(item.labels):
            unit = mapping.channel(label).unit or item.unit
            kind = kinds[label]
            factor = uv_per_unit(kind, unit, where=f"{path}, channel {label}")
            channels.append(make_channel(label, kind, unit, timeline.rate_hz, mapping))
            axes = ("sample", "channel")[: len(item.data.shape)]
            lines.append(
                ArrayLine(
                    array=item.data,
                    axes=axes,
                    index=index,
                    uv_per_unit=item.gains[index] * factor,
                    zero_uv=item.zero * factor,
                )
            )
            timelines.append(timeline)
    mapping.check_channels([channel.name for channel in channels], where=path)
    signals = ContinuousArrays(lines=tuple(lines), timelines=tuple(timelines))
    check_lines(path, channels, lines)
    duration_s = max(timeline.end_s for timeline in timelines)
    stimuli, told_rows = _from_table(content, zero_s, duration_s, mapping) if events is None else ((), ())
    if not stimuli:
        stimuli = find_stimuli(
            where=str(path),
            duration_s=duration_s,
            sheet=events,
            trigger_edges=lambda: trigger_edges_s(channels, signals),
            annotations=sorted(
                (replace(note, onset_s=round(note.onset_s - zero_s, 9)) for note in content.notes),
                key=lambda note: note.onset_s,
            ),
        )
    return Recording(
        name=path.name,
        path=str(path),
        channels=tuple(channels),
        events=stimuli,
        signals=signals,
        participant=mapping.participant or content.participant or path.stem,
        session=mapping.session or content.session,
        duration_s=duration_s,
        start=content.start,
        notes=(*notes, *told_rows, *mapping.notes),
    )


def _chosen(content: NwbContent, mapping: Mapping) -> tuple[list[Series], dict[str, Any], tuple[str, ...]]:
    """Return the series that are EMG, trigger or heart, the kind of each channel, and notes."""
    labels = [label for item in content.series for label in item.labels]
    twice = next((label for label in labels if labels.count(label) > 1), None)
    if twice is not None:
        raise RecordingError(f"two channels are called {twice}", where=content.path, do="rename one of the series")
    voltage = [is_voltage(item.unit) for item in content.series for _ in item.labels]
    kinds, notes = kinds_of_labels(labels, voltage, mapping)
    if "emg" not in kinds:
        electrical = [item for item in content.series if is_voltage(item.unit)]
        if len(electrical) != 1:
            raise RecordingError(
                "no EMG channel", where=content.path, expected="a series or an electrode with EMG or a muscle in its name",
                found=", ".join(labels[:8]) or "no series", do="say in a mapping which channel is what",
            )  # fmt: skip
        kinds = ["emg" if label in electrical[0].labels else kind for label, kind in zip(labels, kinds, strict=True)]
        notes = (f"taken as EMG, being the only series in volts: {electrical[0].name}",)
    by_label = dict(zip(labels, kinds, strict=True))
    return (
        [item for item in content.series if any(by_label[label] != "other" for label in item.labels)],
        by_label,
        notes,
    )


def _timeline(path: Path, item: Series, zero_s: float) -> tuple[Timeline, tuple[str, ...]]:
    if item.stamps_s is None:
        if not SLOWEST_HZ <= item.rate_hz <= GREATEST_RATE_HZ or not math.isfinite(item.start_s):
            raise RecordingError(
                f"sampling rate of series {item.name} is not known", where=path, expected="a rate, or times",
                found=f"{item.rate_hz:g}", do="save the series with starting_time and rate",
            )  # fmt: skip
        check_gaps(abs(item.start_s - zero_s), f"{path}, series {item.name}")
        return Timeline.even(item.rate_hz, item.data.shape[0], item.start_s - zero_s), ()
    check_gaps(abs(float(item.stamps_s[0]) - zero_s), f"{path}, series {item.name}")
    stamps = item.stamps_s - zero_s
    usual_s = float(np.median(np.diff(stamps))) if stamps.size > 1 else math.nan
    timeline, _ = timeline_of_stamps(
        stamps, nominal_hz=math.nan, tolerance_s=0.5 * abs(usual_s), where=f"{path}, series {item.name}"
    )
    return timeline, say_gaps(f"series {item.name}", timeline.gap_count)


def _from_table(content: NwbContent, zero_s: float, duration_s: float, mapping: Mapping) -> tuple[Any, tuple[str, ...]]:
    """Return the stimuli that a table lists, and notes; none where no table lists any."""
    if len(content.tables) > 1:
        raise RecordingError(
            "several tables list stimuli",
            where=content.path,
            expected="one",
            found=", ".join(content.tables),
            do="keep one of them",
        )
    for name, table in content.tables.items():
        column = next(
            (key for key in ("onset", "pulse_time", "stim_time", "timestamp", "start_time") if key in table), None
        )
        onsets = table.get(column or "", ())
        if isinstance(onsets, tuple):
            raise RecordingError(
                f"table {name} has no onsets", where=content.path, expected="a column onset or start_time"
            )
        since_s = np.round(
            onsets - zero_s, 9
        )  # what is left of a difference of two clocks below a nanosecond is rounding
        rest: dict[str, Numbers | tuple[str, ...]] = {
            key: value for key, value in table.items() if key not in {column, "timestamp", "start_time"}
        }
        rows, told = read_rows(held_file(content.path, "NWB", 0, rest), mapping, onsets.size, since_s)
        note = () if column == "onset" else (f"{column} of {name} is taken as the onset of the test pulse",)
        return stimuli_of_rows(rows, since_s, duration_s), (*note, *told)
    return (), ()
