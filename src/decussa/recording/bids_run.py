"""One recording of a BIDS data set: the BDF+ file and the files that stand beside it.

Published source: the Brain Imaging Data Structure specification 1.11, datatype ``emg``; what it has no place for
(intensities, intervals) stands in described extra columns of ``events.tsv``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from decussa.model.errors import UsageError
from decussa.model.recording import Channel, StimulusEvent
from decussa.model.sweep import SamplesUv
from decussa.model.table import Column
from decussa.recording.bdf_write import write_bdf
from decussa.recording.bids_files import describe_columns, plain, to_cell, write_json, write_lines
from decussa.recording.channel_windows import WINDOW_COLUMNS
from decussa.recording.events import EVENT_COLUMNS, SESSION_COLUMNS, STIM_TYPE_LEVELS, event_value
from decussa.recording.stimulus_text import describe_stimulus

_TYPES = {"emg": "EMG", "trigger": "TRIG", "ecg": "ECG", "other": "MISC"}
_CHANNEL_COLUMNS = (
    "name", "type", "units", "signal_electrode", "reference", "group", "target_muscle", "placement_scheme",
    "placement_description", "interelectrode_distance", "sampling_frequency", "status", "status_description",
)  # fmt: skip
#: Columns that say where something lies in the file, to a tenth of a microsecond.
_PLACES = frozenset({"onset", "segment_start_s", "segment_end_s"})
#: Earliest year that the header of an EDF or BDF file can name: Kemp 2003, doi 10.1016/S1388-2457(03)00123-8.
_FIRST_YEAR = 1985
_IMPEDANCE = Column("impedance_kohm", "number", "kOhm", "Impedance of the electrodes, where it was measured")


@dataclass(frozen=True, slots=True, kw_only=True)
class Electrodes:
    """Where a channel's electrodes are, in words; distance between centres and impedance NaN where not measured."""

    placement: str
    distance_mm: float = math.nan
    impedance_kohm: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunToWrite:
    """One recording to be written, with what is said about it.

    Parameters
    ----------
    participant, session, task, run : str
        Labels of letters and digits, without their BIDS prefix; session and run may be empty.
    samples_uv : ndarray of float32, shape (n_channels, n_samples), microvolt
        Channels that are no voltage are in their own unit.
    channels : sequence of Channel
        ``low_uv`` and ``high_uv`` become the physical range of the file; where infinite, one that holds the samples.
    events : sequence of StimulusEvent
        In order of onset.
    start : datetime or None
        Time of the first sample, without time zone or in UTC; None leaves it out.
    placement, reference, ground, skin : str
        The set-up in words.
    hardware_filters, software_filters : mapping of str to mapping, empty for none
        Such as ``{"Bandpass": {"low (Hz)": 10, "high (Hz)": 2000}}``.
    conditions : mapping of str to str
        What each condition's name means.
    device : mapping of str to str
        Further sidecar fields, such as ``Manufacturer``.
    electrodes : mapping of str to Electrodes
        By channel, where they differ from what is said of all.
    has_gaps : bool
        Whether the samples are stretches set one after the other; every event then names its own.
    """

    participant: str
    task: str
    samples_uv: SamplesUv
    rate_hz: float
    channels: Sequence[Channel]
    events: Sequence[StimulusEvent]
    session: str = ""
    run: str = ""
    start: datetime | None = None
    task_description: str
    instructions: str
    placement: str
    reference: str = "bipolar"
    ground: str = "n/a"
    skin: str = "n/a"
    electrode_distance_mm: float = math.nan
    power_line_hz: float = 50.0
    hardware_filters: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    software_filters: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    conditions: Mapping[str, str] = field(default_factory=dict)
    device: Mapping[str, str] = field(default_factory=dict)
    electrodes: Mapping[str, Electrodes] = field(default_factory=dict)
    has_gaps: bool = False

    @property
    def stem(self) -> str:
        """The file name without suffix and ending."""
        parts = (("sub", self.participant), ("ses", self.session), ("task", self.task), ("run", self.run))
        return "_".join(f"{key}-{label}" for key, label in parts if label)


def check_labels(run: RunToWrite) -> None:
    """Raise ``UsageError`` where a label holds more than letters and digits."""
    for key in ("participant", "session", "task", "run"):
        label = getattr(run, key)
        needed = key in {"participant", "task"}
        if (label or needed) and not (label.isascii() and label.isalnum()):
            raise UsageError(f"{key} cannot be a label", expected="letters and digits", found=repr(label))


def write_run(folder: Path, run: RunToWrite) -> Path:
    """Write one recording and its sidecars into ``folder``; return the recording's path."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{run.stem}_emg.bdf"
    notes = sorted([*_boundaries(run), *_notes(run)])
    write_bdf(
        path,
        run.samples_uv,
        run.rate_hz,
        run.channels,
        annotations=notes,
        participant=run.participant,
        start=_start_in_header(run.start),
    )
    write_json(folder / f"{run.stem}_emg.json", _sidecar(run))
    write_lines(folder / f"{run.stem}_channels.tsv", _channel_lines(run))
    if described := [*_window_columns(run), *_impedance_columns(run)]:
        write_json(folder / f"{run.stem}_channels.json", describe_columns(described))
    write_lines(folder / f"{run.stem}_events.tsv", _event_lines(run))
    write_json(folder / f"{run.stem}_events.json", _event_sidecar(run))
    return path


def _start_in_header(start: datetime | None) -> datetime | None:
    """Return what a header of two digits for the year can say; a shifted date stands in ``scans.tsv`` alone."""
    return None if start is None or start.year < _FIRST_YEAR else start.replace(tzinfo=None)


def _notes(run: RunToWrite) -> Iterator[tuple[float, str]]:
    for event in run.events:
        yield event.onset_s, describe_stimulus(event.stimulus, event.contraction_pct)


def _boundaries(run: RunToWrite) -> Iterator[tuple[float, str]]:
    """Yield where stretches meet, in the words by which open libraries know not to filter across."""
    starts = {event.segment_s[0] for event in run.events if event.segment_s is not None}
    for start_s in sorted(starts - {0.0}):
        yield start_s, "EDGE boundary"


def _sidecar(run: RunToWrite) -> dict[str, Any]:
    kinds = [channel.kind for channel in run.channels]
    unsaid = ("Manufacturer", "ManufacturersModelName", "SoftwareVersions", "DeviceSerialNumber", "ElectrodeManufacturer",
              "ElectrodeManufacturersModelName", "InstitutionName", "InstitutionAddress",
              "InstitutionalDepartmentName")  # fmt: skip
    return {
        "TaskName": run.task,
        "TaskDescription": run.task_description,
        "Instructions": run.instructions,
        "EMGPlacementScheme": "Other",
        "EMGPlacementSchemeDescription": run.placement,
        "EMGReference": run.reference,
        "EMGGround": run.ground,
        "SkinPreparation": run.skin,
        "SamplingFrequency": plain(run.rate_hz),
        "PowerLineFrequency": "n/a" if math.isnan(run.power_line_hz) else plain(run.power_line_hz),
        "RecordingType": "discontinuous" if run.has_gaps else "continuous",
        "RecordingDuration": plain(run.samples_uv.shape[1] / run.rate_hz),
        "EMGChannelCount": kinds.count("emg"),
        "TriggerChannelCount": kinds.count("trigger"),
        "HardwareFilters": {key: dict(value) for key, value in run.hardware_filters.items()} or "n/a",
        "SoftwareFilters": {key: dict(value) for key, value in run.software_filters.items()} or "n/a",
        **dict.fromkeys(unsaid, "n/a"),
        **run.device,
    }


def _channel_lines(run: RunToWrite) -> list[str]:
    windows, impedances = _window_columns(run), _impedance_columns(run)
    lines = ["\t".join([*_CHANNEL_COLUMNS, *(column.name for column in (*windows, *impedances))])]
    for channel in run.channels:
        emg = channel.kind == "emg"
        said = run.electrodes.get(
            channel.name, Electrodes(placement=run.placement, distance_mm=run.electrode_distance_mm)
        )
        cells = [
            channel.name,
            _TYPES[channel.kind],
            "uV" if emg else channel.unit or "n/a",
            channel.name if emg else "n/a",
            run.reference if emg else "n/a",
            channel.side or "n/a",
            to_cell(" ".join(part for part in (channel.side, channel.muscle.name) if part)) if emg else "n/a",
            "other" if emg else "n/a",
            to_cell(said.placement) if emg else "n/a",
            to_cell(said.distance_mm) if emg else "n/a",
            to_cell(channel.rate_hz),
            "good",
            "n/a",
        ]
        if windows:
            cells += [to_cell(number) for number in _window_numbers(channel)]
        if impedances:
            cells.append(to_cell(said.impedance_kohm))
        lines.append("\t".join(cells))
    return lines


def _window_columns(run: RunToWrite) -> tuple[Column, ...]:
    return WINDOW_COLUMNS if any(channel.windows is not None for channel in run.channels) else ()


def _impedance_columns(run: RunToWrite) -> tuple[Column, ...]:
    return (_IMPEDANCE,) if any(not math.isnan(one.impedance_kohm) for one in run.electrodes.values()) else ()


def _window_numbers(channel: Channel) -> tuple[float, ...]:
    if channel.windows is None:
        return (math.nan,) * 4
    nothing = (math.nan, math.nan)
    return (*(channel.windows.window_ms or nothing), *(channel.windows.m_window_ms or nothing))


def _event_columns(run: RunToWrite) -> tuple[Column, ...]:
    known = any(event.verdict is not None or event.segment_s is not None for event in run.events)
    return (*EVENT_COLUMNS, *SESSION_COLUMNS) if known else EVENT_COLUMNS


def _event_lines(run: RunToWrite) -> list[str]:
    names = [column.name for column in _event_columns(run)]
    return ["\t".join(names), *("\t".join(_event_cell(event, name) for name in names) for event in run.events)]


def _event_cell(event: StimulusEvent, name: str) -> str:
    value = event_value(event, name)
    if name in _PLACES and isinstance(value, float) and not math.isnan(value):
        return repr(round(value, 7))
    return to_cell(value)


def _event_sidecar(run: RunToWrite) -> dict[str, Any]:
    described = describe_columns(_event_columns(run))
    described["stim_type"]["Levels"] = STIM_TYPE_LEVELS
    if run.conditions:
        described["condition"]["Levels"] = dict(run.conditions)
    # Nothing is shown on a screen; the pulses come from a stimulator, which no field of this object describes.
    described["StimulusPresentation"] = {"SoftwareName": "n/a", "SoftwareVersion": "n/a"}
    return described
