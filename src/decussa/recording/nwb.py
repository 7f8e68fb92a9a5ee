"""A recording from an NWB file (version 2): series, electrodes, tables of intervals and events, annotations.

Published source: the NWB format specification, version 2 (schema ``core``), and hdmf-common for tables. The file is HDF5 and is
read as such, so that samples stay on disk and nothing in the file is run.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from decussa.model.errors import RecordingError
from decussa.model.recording import Channel, Recording
from decussa.model.units import is_voltage
from decussa.recording.array_columns import read_rows
from decussa.recording.array_file import HELD_BYTES, NamedArray, Numbers, held_file, is_real
from decussa.recording.array_signals import ArrayLine, ContinuousArrays
from decussa.recording.arrays import check_lines, stimuli_of_rows
from decussa.recording.channel_kind import kinds_of_labels, make_channel, uv_per_unit
from decussa.recording.edf_header import GREATEST_RATE_HZ
from decussa.recording.edf_signals import Annotation
from decussa.recording.hdf5_file import Found, Hdf5Source, is_text, read_texts
from decussa.recording.mapping import Mapping
from decussa.recording.sheet import Sheet
from decussa.recording.stimuli import find_stimuli
from decussa.recording.timeline import SLOWEST_HZ, Timeline, check_gaps, say_gaps, timeline_of_stamps
from decussa.recording.trigger import trigger_edges_s

_ELECTRODES = "general/extracellular_ephys/electrodes"
#: Columns of the table of electrodes that may name a channel, the first that is there.
_NAMES = ("label", "channel_name", "name", "electrode_name", "muscle", "location")
#: A table of intervals or events lists stimuli where it has one of these columns.
_STIMULUS = frozenset({"stim_type", "intensity_mso", "cond_intensity_mso", "isi_ms", "current_ma"})
_TABLE_LENGTH = 1_000_000


@dataclass(frozen=True, slots=True, eq=False)
class _Series:
    """One series: its name, data, factor and shift to its unit, start, rate or stamps, and the names of its channels."""

    name: str
    data: NamedArray
    unit: str
    gains: tuple[float, ...]
    zero: float
    start_s: float
    rate_hz: float
    stamps_s: Numbers | None
    labels: tuple[str, ...]


@dataclass(slots=True, eq=False)
class NwbContent:
    """What an NWB file holds, as far as it is needed."""

    path: Path
    series: list[_Series] = field(default_factory=list)
    tables: dict[str, dict[str, Numbers | tuple[str, ...]]] = field(default_factory=dict)
    notes: list[Annotation] = field(default_factory=list)
    participant: str = ""
    session: str = ""
    start: str = ""


def is_nwb(found: Found) -> bool:
    """Return whether an HDF5 file says that it is NWB, version 2."""
    return "nwb_version" in found.said.get("", {})


def read_nwb_content(path: Path, found: Found) -> NwbContent:
    """Return series, tables and annotations; called while the file is open."""
    content = NwbContent(path)
    content.participant = _text(found, "general/subject/subject_id")
    content.session = _text(found, "general/session_id")
    content.start = _text(found, "session_start_time")
    electrodes = _table(found, _ELECTRODES)
    for name in found.said:
        data = found.datasets.get(f"{name}/data")
        if not name.startswith(("acquisition/", "processing/", "stimulus/")) or data is None:
            continue
        if is_text(data):
            content.notes += _annotations(path, found, name)
        elif is_real(data.dtype) and data.shape and 0 not in data.shape:
            content.series.append(_series(path, found, name, electrodes))
    for name, said in found.said.items():
        colnames = said.get("colnames", ())
        if name.startswith(("intervals/", "events/", "processing/", "acquisition/")) and isinstance(colnames, tuple):
            table = _table(found, name)
            if _STIMULUS & set(table):
                content.tables[name] = table
            else:
                content.notes += _table_notes(table)
    return content


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


def _chosen(content: NwbContent, mapping: Mapping) -> tuple[list[_Series], dict[str, Any], tuple[str, ...]]:
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


def _series(path: Path, found: Found, name: str, electrodes: dict[str, Numbers | tuple[str, ...]]) -> _Series:
    data = found.datasets[f"{name}/data"]
    if len(data.shape) > 2:
        raise RecordingError(
            f"series {name} has {len(data.shape)} axes", where=path, expected="time and channels",
            found="x".join(map(str, data.shape)),
            do="save sweeps that were cut as HDF5 or MAT, with names as docs/formats.md says",
        )  # fmt: skip
    said = found.said[f"{name}/data"]
    n_channels = data.shape[1] if len(data.shape) == 2 else 1
    gains = np.full(n_channels, _number(said.get("conversion"), 1.0))
    each = found.datasets.get(f"{name}/channel_conversion")
    if each is not None and each.shape == (n_channels,):
        gains = gains * np.asarray(each[()], dtype=np.float64)
    start, stamps = found.datasets.get(f"{name}/starting_time"), found.datasets.get(f"{name}/timestamps")
    unit = said.get("unit", ())
    return _Series(
        name=name.rpartition("/")[2],
        data=NamedArray(name=f"{name}/data", shape=data.shape, itemsize=data.dtype.itemsize, source=Hdf5Source(path)),
        unit=unit[0] if isinstance(unit, tuple) and unit else "",
        gains=tuple(gains.tolist()),
        zero=_number(said.get("offset"), 0.0),
        start_s=float(start[()]) if start is not None and start.shape == () else 0.0,
        rate_hz=_number(found.said.get(f"{name}/starting_time", {}).get("rate"), math.nan),
        stamps_s=_stamps(path, name, stamps, data.shape[0]) if stamps is not None and start is None else None,
        labels=_labels(found, name, n_channels, electrodes),
    )


def _stamps(path: Path, name: str, stamps: Any, count: int) -> Numbers:
    if stamps.shape != (count,) or not is_real(stamps.dtype) or count * 8 > HELD_BYTES:
        raise RecordingError(
            f"times of series {name} cannot be read", where=path, expected=f"{count} times, up to {HELD_BYTES >> 20} MB",
            found=f"shape {stamps.shape}", do="save the series with starting_time and rate",
        )  # fmt: skip
    return np.asarray(stamps[()], dtype=np.float64)


def _timeline(path: Path, item: _Series, zero_s: float) -> tuple[Timeline, tuple[str, ...]]:
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


def _labels(
    found: Found, name: str, n_channels: int, electrodes: dict[str, Numbers | tuple[str, ...]]
) -> tuple[str, ...]:
    """Return the names of a series' channels: those of its electrodes, or that its comments list, else its own, numbered."""
    own = name.rpartition("/")[2]
    rows = found.datasets.get(f"{name}/electrodes")
    if rows is not None and rows.shape == (n_channels,) and is_real(rows.dtype):
        chosen = np.asarray(rows[()]).astype(np.int64)
        for column in _NAMES:
            texts = electrodes.get(column, ())
            if isinstance(texts, tuple) and texts and chosen.min() >= 0 and chosen.max() < len(texts):
                named = tuple(texts[row] for row in chosen)
                if all(named) and len(set(named)) == n_channels:
                    return named
    told = found.said[name].get("comments", ())
    columns = re.match(r"Columns: ([^.]+)\.", told[0]) if isinstance(told, tuple) and told else None
    listed = tuple(re.split(r"\s*,\s*", columns[1])) if columns else ()
    if len(listed) == n_channels == len(set(listed)):
        return listed
    return (own,) if n_channels == 1 else tuple(f"{own} {number}" for number in range(1, n_channels + 1))


def _table(found: Found, name: str) -> dict[str, Numbers | tuple[str, ...]]:
    """Return the plain columns of a table; those with several values in a row are left out."""
    colnames = found.said.get(name, {}).get("colnames", ())
    columns: dict[str, Numbers | tuple[str, ...]] = {}
    for column in colnames if isinstance(colnames, tuple) else ():
        data = found.datasets.get(f"{name}/{column}")
        if (
            data is None
            or len(data.shape or ()) != 1
            or data.size > _TABLE_LENGTH
            or f"{name}/{column}_index" in found.datasets
        ):
            continue
        if is_text(data):
            columns[column] = read_texts(data)
        elif is_real(data.dtype):
            columns[column] = np.asarray(data[()], dtype=np.float64)
    return columns


def _annotations(path: Path, found: Found, name: str) -> list[Annotation]:
    data, stamps = found.datasets[f"{name}/data"], found.datasets.get(f"{name}/timestamps")
    if stamps is None or stamps.shape != data.shape or data.size > _TABLE_LENGTH:
        raise RecordingError(f"annotations {name} have no times", where=path, expected="a time for each text")
    times = np.asarray(stamps[()], dtype=np.float64)
    return [
        Annotation(float(time), text) for time, text in zip(times, read_texts(data), strict=True) if math.isfinite(time)
    ]


def _table_notes(table: dict[str, Numbers | tuple[str, ...]]) -> list[Annotation]:
    """Return the texts of a table of events, with their times; none where it has no such columns."""
    times, texts = table.get("timestamp", ()), table.get("annotation", ())
    if isinstance(times, tuple) or not isinstance(texts, tuple) or len(texts) != times.size:
        return []
    return [Annotation(float(time), text) for time, text in zip(times, texts, strict=True) if math.isfinite(time)]


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


def _number(value: Any, otherwise: float) -> float:
    return (
        float(value[0]) if isinstance(value, np.ndarray) and value.size == 1 and math.isfinite(value[0]) else otherwise
    )


def _text(found: Found, name: str) -> str:
    data = found.datasets.get(name)
    return read_texts(data)[0] if data is not None and is_text(data) and data.size == 1 else ""
