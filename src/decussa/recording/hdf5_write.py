"""Sweeps and tables in one HDF5 file; its layout is on the manual's page on sharing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decussa.model.errors import MissingPartError
from decussa.model.recording import StimulusEvent
from decussa.model.sweep import Sweep
from decussa.model.table import Column
from decussa.model.version import VERSION
from decussa.recording.events import EVENT_COLUMNS, SESSION_COLUMNS, event_value
from decussa.recording.whole_file import whole_file

if TYPE_CHECKING:
    import h5py

LAYOUT = "decussa sweeps 1"
#: Columns of the events, but for those that say where something lies in a BDF+ file.
TRIAL_COLUMNS: tuple[Column, ...] = tuple(
    column
    for column in (*EVENT_COLUMNS, *SESSION_COLUMNS)
    if column.name not in {"onset", "duration", "segment_start_s", "segment_end_s"}
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweepsToWrite:
    """Sweeps that were recorded alike, one for each event, with the name under which the tables know them."""

    recording: str
    participant: str
    session: str
    start: str
    sweeps: Sequence[Sweep]
    events: Sequence[StimulusEvent]
    facts: Mapping[str, str]


def write_hdf5(
    path: Path,
    recordings: Sequence[SweepsToWrite],
    tables: Mapping[str, tuple[pd.DataFrame, Sequence[Column]]],
    title: str,
) -> Path:
    """Write sweeps, exactly as they are kept (float32 microvolt), and tables; whole or not at all.

    Raises
    ------
    MissingPartError
        If the group that writes HDF5 is not installed.
    MachineError
        If the machine refuses.
    """
    h5 = _library()
    with whole_file(path) as partial, h5.File(partial, "w") as file:
        file.attrs.update({"layout": LAYOUT, "title": title, "made_by": f"decussa {VERSION}"})
        for number, one in enumerate(recordings, start=1):
            _write_sweeps(file.create_group(f"recordings/{number:04d}"), one)
        for name, (frame, columns) in tables.items():
            _write_table(file.create_group(f"tables/{name}"), frame, columns)
    return path


def _library() -> Any:
    try:
        import h5py
    except ImportError as error:
        raise MissingPartError(
            "HDF5 needs a part that is not installed",
            where="--hdf5",
            do="in the program's folder: pip install '.[formats]'",
        ) from error
    return h5py


def _write_sweeps(group: h5py.Group, one: SweepsToWrite) -> None:
    lengths = [sweep.samples_uv.shape[1] for sweep in one.sweeps]
    first = np.cumsum([0, *lengths[:-1]])
    group.attrs.update(
        {
            "recording": one.recording,
            "participant": one.participant,
            "session": one.session,
            "start": one.start,
            "rate_hz": one.sweeps[0].rate_hz,
            **{f"about {name}": text for name, text in one.facts.items()},
        }
    )
    samples = np.concatenate([sweep.samples_uv for sweep in one.sweeps], axis=1)
    data = group.create_dataset("samples_uv", data=samples, compression="gzip", shuffle=True)
    data.attrs.update({"unit": "uV", "axes": ["channel", "sample"]})
    group.create_dataset("channels", data=list(one.sweeps[0].channels))
    places = group.create_group("sweeps")
    places.create_dataset("first_sample", data=first)
    places.create_dataset("samples", data=np.array(lengths))
    places.create_dataset("onset_sample", data=first + [sweep.onset_sample for sweep in one.sweeps])
    places.create_dataset("shift_ms", data=np.array([sweep.shift_ms for sweep in one.sweeps]))
    for column in TRIAL_COLUMNS:
        _write_column(places, column, [event_value(event, column.name) for event in one.events])


def _write_table(group: h5py.Group, frame: pd.DataFrame, columns: Sequence[Column]) -> None:
    for column in columns:
        _write_column(group, column, frame[column.name].tolist())


def _write_column(group: h5py.Group, column: Column, values: Sequence[object]) -> None:
    if column.kind == "text":
        text = ["" if value is None or value != value else str(value) for value in values]
        data = group.create_dataset(column.name, data=np.array(text, dtype=object), dtype=_library().string_dtype())
    else:
        data = group.create_dataset(column.name, data=np.array(values, dtype=np.float64))
    data.attrs.update({"meaning": column.meaning, "unit": column.unit})
