"""What an NWB file (version 2) holds: series, electrodes, tables of intervals and events, annotations.

Published source: the NWB format specification, version 2 (schema ``core``), and hdmf-common for tables. The file is HDF5 and is
read as such, so that samples stay on disk and nothing in the file is run.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from decussa.model.errors import RecordingError
from decussa.recording.array_file import HELD_BYTES, NamedArray, Numbers, is_real
from decussa.recording.edf_stamps import Annotation
from decussa.recording.hdf5_file import Found, Hdf5Source, is_text

_ELECTRODES = "general/extracellular_ephys/electrodes"
#: Columns of the table of electrodes that may name a channel, the first that is there.
_NAMES = ("label", "channel_name", "name", "electrode_name", "muscle", "location")
#: A table of intervals or events lists stimuli where it has one of these columns.
_STIMULUS = frozenset({"stim_type", "intensity_mso", "cond_intensity_mso", "isi_ms", "current_ma"})
_TABLE_LENGTH = 1_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Series:
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
    series: list[Series] = field(default_factory=list)
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


def _series(path: Path, found: Found, name: str, electrodes: dict[str, Numbers | tuple[str, ...]]) -> Series:
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
    return Series(
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
            columns[column] = found.texts(data)
        elif is_real(data.dtype):
            columns[column] = np.asarray(data[()], dtype=np.float64)
    return columns


def _annotations(path: Path, found: Found, name: str) -> list[Annotation]:
    data, stamps = found.datasets[f"{name}/data"], found.datasets.get(f"{name}/timestamps")
    if stamps is None or stamps.shape != data.shape or data.size > _TABLE_LENGTH:
        raise RecordingError(f"annotations {name} have no times", where=path, expected="a time for each text")
    times = np.asarray(stamps[()], dtype=np.float64)
    return [
        Annotation(float(time), text)
        for time, text in zip(times, found.texts(data), strict=True)
        if math.isfinite(time)
    ]


def _table_notes(table: dict[str, Numbers | tuple[str, ...]]) -> list[Annotation]:
    """Return the texts of a table of events, with their times; none where it has no such columns."""
    times, texts = table.get("timestamp", ()), table.get("annotation", ())
    if isinstance(times, tuple) or not isinstance(texts, tuple) or len(texts) != times.size:
        return []
    return [Annotation(float(time), text) for time, text in zip(times, texts, strict=True) if math.isfinite(time)]


def _number(value: Any, otherwise: float) -> float:
    return (
        float(value[0]) if isinstance(value, np.ndarray) and value.size == 1 and math.isfinite(value[0]) else otherwise
    )


def _text(found: Found, name: str) -> str:
    data = found.datasets.get(name)
    return found.texts(data)[0] if data is not None and is_text(data) and data.size == 1 else ""
