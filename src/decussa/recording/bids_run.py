"""One recording of a BIDS data set: the BDF+ file and the files that stand beside it.

Published source: the Brain Imaging Data Structure specification 1.11, datatype ``emg``; what it has no place for
(intensities, intervals) stands in described extra columns of ``events.tsv``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from decussa.model.errors import UsageError
from decussa.model.recording import Channel, StimulusEvent
from decussa.model.sweep import SamplesUv
from decussa.recording.bdf_write import write_bdf
from decussa.recording.bids_files import plain, to_cell, write_json, write_lines
from decussa.recording.events import EVENT_COLUMNS, STIM_TYPE_LEVELS
from decussa.recording.stimulus_text import describe_stimulus

_TYPES = {"emg": "EMG", "trigger": "TRIG", "ecg": "ECG", "other": "MISC"}
_CHANNEL_COLUMNS = (
    "name", "type", "units", "signal_electrode", "reference", "group", "target_muscle", "placement_scheme",
    "placement_description", "interelectrode_distance", "sampling_frequency", "status", "status_description",
)  # fmt: skip


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
        Time of the first sample, without time zone; None leaves it out.
    placement, reference, ground, skin : str
        The set-up in words.
    hardware_filters, software_filters : mapping of str to mapping, empty for none
        Such as ``{"Bandpass": {"low (Hz)": 10, "high (Hz)": 2000}}``.
    conditions : mapping of str to str
        What each condition's name means.
    device : mapping of str to str
        Further sidecar fields, such as ``Manufacturer``.
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
    notes = [(event.onset_s, describe_stimulus(event.stimulus, event.contraction_pct)) for event in run.events]
    write_bdf(
        path, run.samples_uv, run.rate_hz, run.channels, annotations=notes, participant=run.participant, start=run.start
    )
    write_json(folder / f"{run.stem}_emg.json", _sidecar(run))
    write_lines(folder / f"{run.stem}_channels.tsv", _channel_lines(run))
    write_lines(folder / f"{run.stem}_events.tsv", _event_lines(run.events))
    write_json(folder / f"{run.stem}_events.json", _event_sidecar(run))
    return path


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
        "PowerLineFrequency": plain(run.power_line_hz),
        "RecordingType": "continuous",
        "RecordingDuration": plain(run.samples_uv.shape[1] / run.rate_hz),
        "EMGChannelCount": kinds.count("emg"),
        "TriggerChannelCount": kinds.count("trigger"),
        "HardwareFilters": {key: dict(value) for key, value in run.hardware_filters.items()} or "n/a",
        "SoftwareFilters": {key: dict(value) for key, value in run.software_filters.items()} or "n/a",
        **dict.fromkeys(unsaid, "n/a"),
        **run.device,
    }


def _channel_lines(run: RunToWrite) -> list[str]:
    lines = ["\t".join(_CHANNEL_COLUMNS)]
    for channel in run.channels:
        emg = channel.kind == "emg"
        lines.append(
            "\t".join(
                (
                    channel.name,
                    _TYPES[channel.kind],
                    "uV" if emg else channel.unit or "n/a",
                    channel.name if emg else "n/a",
                    run.reference if emg else "n/a",
                    channel.side or "n/a",
                    " ".join(part for part in (channel.side, channel.muscle.name) if part) if emg else "n/a",
                    "other" if emg else "n/a",
                    run.placement if emg else "n/a",
                    to_cell(run.electrode_distance_mm) if emg else "n/a",
                    to_cell(channel.rate_hz),
                    "good",
                    "n/a",
                )
            )
        )
    return lines


def _event_lines(events: Sequence[StimulusEvent]) -> list[str]:
    names = [column.name for column in EVENT_COLUMNS]
    return ["\t".join(names), *("\t".join(_event_cell(event, name) for name in names) for event in events)]


def _event_cell(event: StimulusEvent, name: str) -> str:
    if name == "onset":
        return repr(round(event.onset_s, 7))
    if name == "duration":
        return "0"
    value = getattr(event if hasattr(event, name) else event.stimulus, name)
    return to_cell(value)


def _event_sidecar(run: RunToWrite) -> dict[str, Any]:
    described: dict[str, Any] = {}
    for column in EVENT_COLUMNS:
        described[column.name] = {"Description": column.meaning} | ({"Units": column.unit} if column.unit else {})
    described["stim_type"]["Levels"] = STIM_TYPE_LEVELS
    if run.conditions:
        described["condition"]["Levels"] = dict(run.conditions)
    # Nothing is shown on a screen; the pulses come from a stimulator, which no field of this object describes.
    described["StimulusPresentation"] = {"SoftwareName": "n/a", "SoftwareVersion": "n/a"}
    return described
