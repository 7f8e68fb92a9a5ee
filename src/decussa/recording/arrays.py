"""A recording from a file of named arrays (MAT, HDF5, NumPy): rate, units, labels, onset and stimuli found by name and shape.

Each decision is one function in the ``array_`` modules; a mapping goes before all of them. What was assumed becomes a note,
what cannot be decided is refused with the candidates.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from decussa.model.errors import RecordingError
from decussa.model.recording import Channel, ChannelKind, Recording, StimulusEvent
from decussa.recording.array_axes import Evidence, decide_axes
from decussa.recording.array_choice import Signal, choose_signal, companions, find_labels, find_units
from decussa.recording.array_columns import column_lengths, find_keys, find_onsets_s, read_rows
from decussa.recording.array_file import ArrayFile, NamedArray, Numbers, plain_name
from decussa.recording.array_signals import ArrayLine, ContinuousArrays, CutArrays
from decussa.recording.array_stack import stack_numbered
from decussa.recording.array_times import Times, find_onset_s, find_times
from decussa.recording.array_words import AXES, AXES_NAMES, SWEEP_WORDS
from decussa.recording.channel_kind import kinds_of_labels, make_channel, uv_per_unit
from decussa.recording.events import TYPES_UNTOLD, check_onsets, read_stimulus, untold_type
from decussa.recording.mapping import Mapping
from decussa.recording.sheet import Sheet
from decussa.recording.stimuli import find_stimuli
from decussa.recording.timeline import Timeline
from decussa.recording.trigger import trigger_edges_s


@dataclass(frozen=True, slots=True, eq=False)
class _Layout:
    """What was decided about the signal."""

    signal: Signal
    axes: tuple[str, ...]
    labels: tuple[str, ...]
    times: Times
    onset_s: float | None
    notes: tuple[str, ...]

    def extent(self, axis: str) -> int:
        """Return how long an axis is; 1 where there is none."""
        return self.signal.lead.shape[self.axes.index(axis)] if axis in self.axes else 1


def read_arrays(file: ArrayFile, events: Sheet | None, mapping: Mapping) -> Recording:
    """Return the recording that a file of arrays holds.

    Raises
    ------
    RecordingError
        If something that is needed is not told, told twice differently, or can be meant in two ways.
    """
    file = stack_numbered(file)
    layout = _lay_out(file, mapping)
    if layout.onset_s is None and layout.extent("sweep") == 1:
        return _continuous(file, layout, events, mapping)
    return _cut(file, layout, mapping)


def _lay_out(file: ArrayFile, mapping: Mapping) -> _Layout:
    signal = choose_signal(file, mapping)
    labels = find_labels(file, signal)
    times = find_times(file, signal.lead, mapping)
    onset = find_onset_s(file, signal.lead, times, mapping)
    extents = [extent for extent in signal.lead.shape if extent > 1]
    onsets = (
        find_onsets_s(file, mapping, signal.lead, times.rate_hz, max(extents, default=0) / times.rate_hz)
        if onset is None
        else None
    )
    known = Evidence(
        rate_hz=times.rate_hz,
        n_labels=1 if len(signal.arrays) > 1 else len(labels),
        columns=column_lengths(file, mapping),
        n_times=0 if times.vector_s is None else times.vector_s.size,
        onset_s=onset[0] if onset else None,
        onsets_s=float(np.nanmax(onsets[0])) if onsets and onsets[0].size else None,
        axes=mapping.axes or _told_axes(signal.lead),
        has_sweeps=bool(set(plain_name(signal.lead.name).split("_")) & SWEEP_WORDS),
    )
    axes = decide_axes(file.path, signal.lead.name, signal.lead.shape, known)
    notes = (*signal.notes, *times.notes, *(onset[1] if onset else ()))
    return _Layout(signal, axes, labels, times, onset[0] if onset else None, notes)


def _told_axes(array: NamedArray) -> tuple[str, ...]:
    """Return the axes that the file itself names, none where it does not name all."""
    if array.axes:
        return array.axes
    for name, value in array.said.items():
        if plain_name(name) in AXES_NAMES and isinstance(value, tuple):
            words = value[0].replace(";", ",").replace("x", ",").split(",") if len(value) == 1 else value
            axes = tuple(AXES.get(word.strip().lower(), "") for word in words)
            if len(axes) == len(array.shape) and all(axes):
                return axes
    return ()


def _channels(
    file: ArrayFile, layout: _Layout, mapping: Mapping, beside: Sequence[NamedArray]
) -> tuple[tuple[Channel, ...], tuple[ArrayLine, ...], tuple[str, ...]]:
    """Return all channels and where their samples are: those of the signal, then vectors beside it."""
    lead, n_channels = layout.signal.lead, layout.extent("channel")
    own = len(layout.signal.arrays) > 1
    labels = layout.labels if len(layout.labels) == (len(layout.signal.arrays) if own else n_channels) else ()
    names = labels or tuple(f"channel {number}" for number in range(1, n_channels + 1))
    places = (
        [(array, layout.axes, 0) for array in layout.signal.arrays]
        if own
        else [(lead, layout.axes, index) for index in range(n_channels)]
    )
    units = (
        [find_units(file, array, 1)[0] for array in layout.signal.arrays]
        if own
        else list(find_units(file, lead, n_channels))
    )
    for array in beside:
        names, units = (*names, plain_name(array.name)), [*units, find_units(file, array, 1)[0] if array.said else ""]
        places.append((array, tuple("sample" if extent > 1 else "one" for extent in array.shape), 0))
    mapping.check_channels(names, where=file.path)
    units = [mapping.channel(name).unit or unit for name, unit in zip(names, units, strict=True)]
    kinds, notes = kinds_of_labels(names, [True] * len(names), mapping)
    if "emg" not in kinds and len(names) == 1:
        kinds, notes = ["emg"], (f"no label names a muscle; taken as EMG: {names[0]}",)
    channels, lines = [], []
    for name, kind, unit, (array, axes, index) in zip(names, kinds, units, places, strict=True):
        factor = _factor(file, name, kind, unit)
        channels.append(make_channel(name, kind, unit, layout.times.rate_hz, mapping))
        lines.append(ArrayLine(array=array, axes=axes, index=index, uv_per_unit=factor))
    return tuple(channels), tuple(lines), notes


def _factor(file: ArrayFile, name: str, kind: ChannelKind, unit: str) -> float:
    if kind == "emg" and not unit:
        raise RecordingError(
            "unit of the signal is not known", where=f"{file.path}, channel {name}", expected="V, mV, uV or nV",
            found="no unit", do="say it in a mapping, such as unit = \"mV\"",
        )  # fmt: skip
    return uv_per_unit(kind, unit, where=f"{file.path}, channel {name}")


def _cut(file: ArrayFile, layout: _Layout, mapping: Mapping) -> Recording:
    if layout.onset_s is None:
        raise RecordingError(
            "place of the test pulse is not known", where=file.path,
            expected="a variable such as pre_ms, or a vector of times from the pulse", found=file.names,
            do="give onset_ms, the time of the test pulse from the first sample, in a mapping",
        )  # fmt: skip
    rate_hz, n_samples = layout.times.rate_hz, layout.extent("sample")
    onset_sample = round(layout.onset_s * rate_hz)
    if not 0 <= onset_sample < n_samples:
        raise RecordingError(
            "sweeps do not hold the stimulus", where=file.path, expected=f"a test pulse within {n_samples / rate_hz * 1e3:g} ms",
            found=f"{layout.onset_s * 1e3:g} ms from the first sample",
        )  # fmt: skip
    count = layout.extent("sweep")
    rows, told = read_rows(file, mapping, count)
    onsets = find_onsets_s(file, mapping, layout.signal.lead, rate_hz, np.inf)
    at_s = onsets[0] if onsets and onsets[0].size == count else np.full(count, np.nan)
    channels, lines, kinds = _channels(file, layout, mapping, ())
    check_lines(file.path, channels, lines)
    keys = find_keys(file, mapping, layout.signal.lead)
    named = trial_of_name(file.path) if count == 1 else None
    owner, first_sweep = named or (file.path.stem, 1)
    stimuli = tuple(_stimulus(rows, row, row + first_sweep, float(at_s[row])) for row in _meant(rows, count))
    untold = () if "stim_type" in rows.columns else (TYPES_UNTOLD,)
    return Recording(
        name=file.path.name,
        path=str(file.path),
        channels=channels,
        events=stimuli,
        signals=CutArrays(
            lines=lines,
            rate_hz=rate_hz,
            onset_sample=onset_sample,
            shift_ms=(layout.onset_s - onset_sample / rate_hz) * 1e3,
            first_sweep=first_sweep,
        ),
        participant=keys.get("participant", owner),
        session=keys.get("session", ""),
        task=keys.get("task", ""),
        run=keys.get("run", ""),
        notes=(*layout.notes, *told, *kinds, *untold, *mapping.notes),
    )


def _continuous(file: ArrayFile, layout: _Layout, events: Sheet | None, mapping: Mapping) -> Recording:
    rate_hz, n_samples = layout.times.rate_hz, layout.extent("sample")
    channels, lines, kinds = _channels(file, layout, mapping, companions(file, layout.signal, n_samples))
    signals = ContinuousArrays(lines=lines, timelines=(Timeline.even(rate_hz, n_samples),) * len(lines))
    check_lines(file.path, channels, lines)
    stimuli, told = _own_stimuli(file, layout, mapping) if events is None else ((), ())
    if not stimuli:
        stimuli = find_stimuli(
            where=str(file.path),
            duration_s=n_samples / rate_hz,
            sheet=events,
            trigger_edges=lambda: trigger_edges_s(channels, signals),
            annotations=(),
        )
    keys = find_keys(file, mapping, layout.signal.lead)
    return Recording(
        name=file.path.name,
        path=str(file.path),
        channels=channels,
        events=stimuli,
        signals=signals,
        participant=keys.get("participant", file.path.stem),
        session=keys.get("session", ""),
        task=keys.get("task", ""),
        run=keys.get("run", ""),
        duration_s=n_samples / rate_hz,
        notes=(*layout.notes, *told, *kinds, *mapping.notes),
    )


def trial_of_name(path: Path) -> tuple[str, int] | None:
    """Return whose trial a file's name says it is, and its number: ``P3_trial_07`` is 7 of P3; None where it says neither.

    Without a name before the trial it is the folder's.
    """
    found = re.fullmatch(r"(.*?)[ _-]*([A-Za-z]+)[ _-]*(\d{1,6})", path.stem)
    if found is None or found[2].lower() not in SWEEP_WORDS or int(found[3]) == 0:
        return None
    return found[1] or path.absolute().parent.name, int(found[3])


def _own_stimuli(
    file: ArrayFile, layout: _Layout, mapping: Mapping
) -> tuple[tuple[StimulusEvent, ...], tuple[str, ...]]:
    """Return the stimuli of a continuous recording whose onsets the file itself lists; none where it lists none."""
    duration_s = layout.extent("sample") / layout.times.rate_hz
    found = find_onsets_s(file, mapping, layout.signal.lead, layout.times.rate_hz, duration_s)
    if found is None:
        return (), ()
    onsets_s, notes = found
    rows, told = read_rows(file, mapping, onsets_s.size, onsets_s)
    return stimuli_of_rows(rows, onsets_s, duration_s), (*notes, *told)


def stimuli_of_rows(rows: Sheet, onsets_s: Numbers, duration_s: float) -> tuple[StimulusEvent, ...]:
    """Return the stimuli that rows describe, in order of onset; where there is ``stim_type``, rows without it are left out.

    Raises
    ------
    RecordingError
        If an onset repeats, runs backwards or lies outside, or a row cannot be meant as it stands.
    """
    meant = _meant(rows, onsets_s.size)
    check_onsets([float(onsets_s[row]) for row in meant], [rows.place(row) for row in meant], duration_s)
    return tuple(_stimulus(rows, row, sweep, float(onsets_s[row])) for sweep, row in enumerate(meant, start=1))


def _meant(rows: Sheet, count: int) -> list[int]:
    """Return the rows that are stimuli: where there is ``stim_type``, those that have it."""
    return [row for row in range(count) if "stim_type" not in rows.columns or rows.cell(row, "stim_type")]


def _stimulus(rows: Sheet, row: int, sweep: int, onset_s: float) -> StimulusEvent:
    kind = rows.cell(row, "stim_type") or untold_type(rows, row)
    return read_stimulus(rows, row, kind=kind, sweep=sweep, onset_s=onset_s)


def check_lines(path: Path, channels: Sequence[Channel], lines: Sequence[ArrayLine]) -> None:
    """Refuse EMG channels that never move or hold no sample."""
    for channel, line in zip(channels, lines, strict=True):
        if channel.kind != "emg":
            continue
        low, high = np.inf, -np.inf
        for piece in line.pieces():
            held = piece[np.isfinite(piece)]
            if held.size:
                low, high = min(low, float(held.min())), max(high, float(held.max()))
            if low < high:
                break
        if not low < high:
            raise RecordingError(
                f"channel {channel.name} is constant" if low == high else f"channel {channel.name} holds no samples",
                where=path, expected="a signal that moves", found=f"{low:g} uV throughout" if low == high else "no finite number",
                do="check its electrode, or leave the channel out",
            )  # fmt: skip
