"""Sweeps in Neurodata Without Borders 2: one file for each recording.

Published source: Rübel et al. 2022, doi 10.7554/eLife.78362.
"""

from __future__ import annotations

import math
from datetime import datetime
from pathlib import Path
from typing import Any
from uuid import NAMESPACE_URL, uuid5

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import MissingPartError
from decussa.model.version import VERSION
from decussa.recording.events import event_value
from decussa.recording.hdf5_write import TRIAL_COLUMNS, SweepsToWrite
from decussa.recording.whole_file import whole_file

_VOLT_PER_UV = 1e-6


def write_nwb(path: Path, one: SweepsToWrite, *, title: str, person: dict[str, str]) -> Path:
    """Write the sweeps of a session with their stimuli as trials; whole or not at all.

    Samples stay float32 microvolt, with the factor to volt beside them. ``person`` has ``species``, and ``sex`` and ``age`` where
    they are known.

    Raises
    ------
    MissingPartError
        If the group that writes NWB is not installed.
    MachineError
        If the machine refuses.
    """
    pynwb = _library()
    file = pynwb.NWBFile(
        session_description=one.facts.get("task", title),
        identifier=str(uuid5(NAMESPACE_URL, f"{title} {one.recording} {one.start}")),
        session_start_time=datetime.fromisoformat(one.start),
        session_id=one.session,
        experiment_description=title,
        keywords=["transcranial magnetic stimulation", "electromyography", "motor evoked potential"],
        source_script=f"decussa {VERSION}",
        source_script_file_name="decussa",
        subject=pynwb.file.Subject(subject_id=one.participant, **person),
    )
    times = _times(one)
    file.add_acquisition(
        pynwb.TimeSeries(
            name="emg",
            description="Surface EMG around each stimulus; nothing was recorded between the sweeps. " + _told(one),
            comments=f"Columns: {', '.join(one.sweeps[0].channels)}. In microvolt; conversion gives volt.",
            data=np.concatenate([sweep.samples_uv for sweep in one.sweeps], axis=1).T,
            unit="volts",
            conversion=_VOLT_PER_UV,
            timestamps=times,
        )
    )
    _add_trials(file, one, times)
    with whole_file(path) as partial, pynwb.NWBHDF5IO(str(partial), "w") as target:
        target.write(file)
    return path


def _library() -> Any:
    try:
        import pynwb
    except ImportError as error:
        raise MissingPartError(
            "NWB needs a part that is not installed",
            where="--nwb",
            do="in the program's folder: pip install '.[formats]'",
        ) from error
    return pynwb


def _told(one: SweepsToWrite) -> str:
    return " ".join(f"{name}: {text}." for name, text in one.facts.items() if name != "task")


def _times(one: SweepsToWrite) -> NDArray[np.float64]:
    """Return the time of every sample in seconds from the start of the session."""
    parts = []
    for sweep, event in zip(one.sweeps, one.events, strict=True):
        steps = np.arange(sweep.samples_uv.shape[1]) - sweep.onset_sample
        parts.append(event.session_s + (steps / sweep.rate_hz - sweep.shift_ms / 1e3))
    times = np.concatenate(parts)
    return times - min(0.0, float(times[0]))


def _add_trials(file: Any, one: SweepsToWrite, times: NDArray[np.float64]) -> None:
    values = {column.name: [event_value(event, column.name) for event in one.events] for column in TRIAL_COLUMNS}
    said = {name: column for name, column in values.items() if any(_is_said(value) for value in column)}
    for column in (column for column in TRIAL_COLUMNS if column.name in said):
        unit = f" ({column.unit})" if column.unit else ""
        file.add_trial_column(name=column.name, description=f"{column.meaning}{unit}")
    file.add_trial_column(name="pulse_time", description="Onset of the test pulse, from the start of the session (s)")
    first = 0
    for number, sweep in enumerate(one.sweeps):
        last = first + sweep.samples_uv.shape[1] - 1
        file.add_trial(
            start_time=float(times[first]),
            stop_time=float(times[last]),
            pulse_time=float(times[first + sweep.onset_sample] + sweep.shift_ms / 1e3),
            **{name: column[number] for name, column in said.items()},
        )
        first = last + 1


def _is_said(value: str | float) -> bool:
    return bool(value) if isinstance(value, str) else not math.isnan(value)
