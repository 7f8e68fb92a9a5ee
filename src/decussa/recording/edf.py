"""A recording from an EDF, EDF+, BDF or BDF+ file, with its BIDS sidecars where there are any."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from decussa.model.errors import RecordingError
from decussa.model.muscle import UNKNOWN, muscle_and_side, side_of
from decussa.model.recording import Channel, ChannelKind, Recording, Windows
from decussa.model.units import is_voltage, microvolt_factor
from decussa.recording.bids import Sidecars, find_sidecars
from decussa.recording.channel_kind import kind_of_type, kinds_of_labels, uv_per_unit
from decussa.recording.channel_windows import read_windows
from decussa.recording.edf_header import EdfHeader, EdfSignal, read_header
from decussa.recording.edf_signals import EdfSignals, Line
from decussa.recording.edf_stamps import read_stamps
from decussa.recording.mapping import NO_MAPPING, ChannelMapping, Mapping
from decussa.recording.sheet import Sheet
from decussa.recording.stimuli import find_stimuli
from decussa.recording.timeline import say_gaps
from decussa.recording.trigger import trigger_edges_s


@dataclass(frozen=True, slots=True)
class _Described:
    """What header and ``channels.tsv`` say about one channel."""

    signal: EdfSignal
    kind: ChannelKind
    unit: str
    target: str
    group: str
    windows: Windows | None = None


def read_edf(path: Path, events: Sheet | None = None, mapping: Mapping = NO_MAPPING) -> Recording:
    """Read what an EDF or BDF file holds; samples stay on disk until sweeps are cut.

    Parameters
    ----------
    path : Path
        The file. Where its name is a BIDS name, the sidecars beside it are read too.
    events : Sheet, optional
        Stimuli, in place of those beside the file.
    mapping : Mapping, optional
        What another lab's channels mean.

    Raises
    ------
    RecordingError
        If the file or its sidecars cannot be believed as they are.
    """
    header = read_header(path)
    annotations, runs = read_stamps(header)
    beside = find_sidecars(path)
    described, notes = _describe(header, beside, mapping)
    lines = tuple(
        Line(item.signal, uv_per_unit(item.kind, item.unit, where=f"{path}, channel {item.signal.label}"))
        for item in described
    )
    signals = EdfSignals(header, lines, runs)
    duration_s = float(runs.start_s[-1]) + (header.record_count - int(runs.first[-1])) * header.record_s
    channels = tuple(_channel(header, item, line, mapping) for item, line in zip(described, signals.lines, strict=True))
    _refuse_flat(signals, channels)
    return Recording(
        name=beside.name,
        path=str(path),
        channels=channels,
        events=find_stimuli(
            where=str(path),
            duration_s=duration_s,
            sheet=events or beside.events,
            trigger_edges=lambda: trigger_edges_s(channels, signals),
            annotations=annotations,
        ),
        signals=signals,
        participant=mapping.participant or beside.participant or path.stem,
        session=mapping.session or beside.session,
        task=beside.task,
        run=beside.run,
        duration_s=duration_s,
        start=beside.start or header.start,
        notes=(*header.notes, *say_gaps("the recording", len(runs.first) - 1), *notes, *mapping.notes),
        facts=_filters(described) | beside.facts,
    )


def _describe(header: EdfHeader, beside: Sidecars, mapping: Mapping) -> tuple[list[_Described], tuple[str, ...]]:
    """Return what is known of each channel: from the mapping, else from sidecars, else from header and label."""
    described, notes = _describe_unmapped(header, beside, mapping)
    mapping.check_channels([item.signal.label for item in described], where=header.path)
    return [_apply(item, mapping.channel(item.signal.label)) for item in described], notes


def _apply(item: _Described, told: ChannelMapping) -> _Described:
    kind = told.kind or item.kind
    return replace(item, kind=kind, unit=(told.unit or item.unit) if kind == "emg" else item.unit)


def _describe_unmapped(
    header: EdfHeader, beside: Sidecars, mapping: Mapping
) -> tuple[list[_Described], tuple[str, ...]]:
    signals = [signal for signal in header.signals if not signal.holds_annotations]
    if beside.channels is None:
        labels = [item.label for item in signals]
        kinds, notes = kinds_of_labels(labels, [is_voltage(item.unit) for item in signals], mapping)
        return [
            _Described(signal, kind, signal.unit, signal.label, "") for signal, kind in zip(signals, kinds, strict=True)
        ], notes
    sheet = beside.channels
    rows = [row for row in range(len(sheet.rows)) if sheet.cell(row, "name")]
    if len(rows) != len(signals):
        raise RecordingError(
            "channels do not fit the recording",
            where=sheet.path,
            expected=f"{len(signals)} rows, one for each channel of {header.path.name}",
            found=str(len(rows)),
            do="correct channels.tsv",
        )
    return _match(signals, sheet, rows)


def _match(signals: Sequence[EdfSignal], sheet: Sheet, rows: Sequence[int]) -> tuple[list[_Described], tuple[str, ...]]:
    """Join each signal with its row: by name where the names are those of the file, else by order."""
    by_name = {sheet.cell(row, "name")[:16].strip(): row for row in rows}
    named = all(signal.label in by_name for signal in signals) and len(by_name) == len(signals)
    described, notes, differing = [], [], []
    for signal, in_order in zip(signals, rows, strict=True):
        row = by_name[signal.label] if named else in_order
        name, unit = sheet.cell(row, "name"), sheet.cell(row, "units")
        kind = kind_of_type(sheet.cell(row, "type"))
        if sheet.cell(row, "status").lower() == "bad" and kind == "emg":
            kind = "other"
            notes.append(f"channel {name} is marked bad in channels.tsv and left out")
        if kind == "emg" and unit and is_voltage(unit) and _differs(unit, signal.unit):
            differing.append(name)
        described.append(
            _Described(
                replace(signal, label=name),
                kind, unit or signal.unit, sheet.cell(row, "target_muscle"), sheet.cell(row, "group"),
                read_windows(sheet, row),
            )
        )  # fmt: skip
    if differing:
        notes.append(f"units in header and channels.tsv differ, channels.tsv is believed: {', '.join(differing)}")
    return described, tuple(notes)


def _differs(unit: str, other: str) -> bool:
    return not is_voltage(other) or microvolt_factor(unit) != microvolt_factor(other)


def _channel(header: EdfHeader, item: _Described, line: Line, mapping: Mapping) -> Channel:
    told = mapping.channel(item.signal.label)
    muscle, side = muscle_and_side(item.target or item.signal.label)
    low_uv, high_uv = line.rails_uv if item.kind == "emg" else (-math.inf, math.inf)
    return Channel(
        name=item.signal.label,
        kind=item.kind,
        rate_hz=header.rate_hz(item.signal),
        unit=item.unit,
        muscle=told.muscle if told.muscle is not UNKNOWN else muscle,
        side=told.side or side or side_of(item.group) or muscle_and_side(item.signal.label)[1],
        low_uv=low_uv,
        high_uv=high_uv,
        windows=item.windows,
    )


def _filters(described: Sequence[_Described]) -> dict[str, str]:
    """Return the hardware filters that the header tells of, for the report."""
    told = {item.signal.prefilter for item in described if item.kind == "emg" and item.signal.prefilter}
    return {"Hardware filters": "; ".join(sorted(told))} if told else {}


def _refuse_flat(signals: EdfSignals, channels: Sequence[Channel]) -> None:
    """Refuse an EMG channel that never moves."""
    for index, channel in enumerate(channels):
        if channel.kind == "emg" and not math.isnan(level := signals.flat_level(index)):
            raise RecordingError(
                f"channel {channel.name} is constant",
                where=str(signals.header.path),
                expected="a signal that moves",
                found=f"{level:g} uV throughout",
                do="check its electrode, or mark it bad in channels.tsv to measure the others",
            )
