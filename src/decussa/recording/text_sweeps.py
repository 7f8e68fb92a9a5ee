"""Sweeps that were already cut, from a text table: long (a row for each sample) or wide (a row for each sweep)."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decussa.model.errors import RecordingError
from decussa.model.recording import Recording, StimulusEvent
from decussa.model.units import microvolt_factor
from decussa.recording.channel_kind import make_channel
from decussa.recording.events import TYPES_UNTOLD, read_stimulus, untold_type
from decussa.recording.held_signals import HeldSweeps
from decussa.recording.mapping import NO_MAPPING, Mapping
from decussa.recording.sheet import Sheet
from decussa.recording.text_head import TextHead, numbers, read_frame
from decussa.recording.text_times import rate_of_times, split_unit

#: Columns that say something about a sweep; the others are samples.
_TOLD = frozenset({
    "participant", "session", "task", "run", "channel", "stim_type", "contraction_pct", "onset_s", "condition", "block",
    "timepoint", "stim_side", "muscle", "intensity_mso", "cond_intensity_mso", "isi_ms", "current_ma",
})  # fmt: skip
_KEYS = _TOLD | {"sweep", "time_ms", "time_s"}
_TIME = re.compile(r"[-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?")


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """Samples in microvolt, shape (n_channels, n_sweeps, n_samples), NaN where there is none; times in ms; rows that tell."""

    channels: tuple[tuple[str, str], ...]
    samples_uv: NDArray[np.float64]
    times_ms: NDArray[np.float64]
    told: Sheet


def sample_columns(head: TextHead) -> list[str]:
    """Return the columns of a wide table that are samples: those named by a number."""
    return [name for name in head.columns if _TIME.fullmatch(name)]


def read_long(path: Path, head: TextHead, mapping: Mapping = NO_MAPPING) -> Recording:
    """Read a table with a row for each sample: ``sweep``, ``time_ms`` and a column for each channel."""
    frame = _frame(path, head)
    split = [(column, *split_unit(column)) for column in frame.columns if column not in _KEYS]
    told = [(column, name, mapping.channel(name).unit or unit) for column, name, unit in split]
    signals = [(column, name, unit) for column, name, unit in told if unit]
    if not signals:
        raise RecordingError(
            "no EMG channel",
            where=path,
            expected="a column with its unit, such as FCR_uv",
            found=", ".join(frame.columns),
        )
    time = "time_ms" if "time_ms" in frame.columns else "time_s"
    key = numbers(frame, ["sweep", time], path, lines=head.lines)
    if np.isnan(key).any():
        raise RecordingError("sweep or time is missing", where=path, expected="a number in every row")
    labels, inverse = np.unique(key[:, 0], return_inverse=True)
    times_ms = key[:, 1] * (1.0 if time == "time_ms" else 1e3)
    grid, place = _common_times(times_ms, inverse, path)
    samples = np.full((len(signals), labels.size, grid.size), np.nan)
    for index, (column, name, unit) in enumerate(signals):
        factor = microvolt_factor(unit, where=f"{path}, channel {name}")
        samples[index, inverse, place] = numbers(frame, [column], path, lines=head.lines)[:, 0] * factor
    _, first = np.unique(inverse, return_index=True)
    channels = tuple((name, unit) for _, name, unit in signals)
    return _recording(path, _Cut(channels, samples, grid, _told(path, head, frame, first)), mapping)


def _frame(path: Path, head: TextHead) -> pd.DataFrame:
    """Return the table with our own column names in lower case, and what they say as text."""
    own = {name: name.lower() for name in head.columns if name.lower() in _KEYS}
    return read_frame(path, head, as_text=[name for name in own if own[name] in _TOLD]).rename(columns=own)


def _common_times(
    times_ms: NDArray[np.float64], sweep: NDArray[np.intp], path: Path
) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Return the times all sweeps share and the place of each row among them."""
    grid = np.unique(np.round(times_ms, 6))
    place = np.searchsorted(grid, np.round(times_ms, 6))
    if np.unique(sweep * grid.size + place).size != times_ms.size:
        raise RecordingError(
            "a sample is given twice",
            where=path,
            expected="one row for each sweep and time",
            do="number the sweeps apart",
        )
    if grid.size * (sweep.max() + 1) > 4 * times_ms.size:
        raise RecordingError(
            "sweeps do not share their times", where=path, expected="the same times in every sweep",
            found=f"{grid.size} different times", do="count the times of each sweep from its own test pulse",
        )  # fmt: skip
    return grid, place


def read_wide(path: Path, head: TextHead, mapping: Mapping = NO_MAPPING) -> Recording:
    """Read a table with a row for each sweep (and ``channel``), and a column for each sample, named by its time in ms."""
    columns = sample_columns(head)
    frame = _frame(path, head)
    unit = mapping.unit or head.value("unit", "units")
    factor = microvolt_factor(unit, where=f"{path}, comment '# unit: ...'")
    values = numbers(frame, columns, path, lines=head.lines) * factor
    channel = _texts(frame, "channel")
    sweeps = frame["sweep"].to_list() if "sweep" in frame.columns else _count_rows(channel)
    lines = {name: index for index, name in enumerate(dict.fromkeys(channel))}
    first: dict[object, int] = {}
    for row, label in enumerate(sweeps):
        first.setdefault(label, row)
    places = {label: index for index, label in enumerate(first)}
    samples = np.full((len(lines), len(places), len(columns)), np.nan)
    taken: set[tuple[int, int]] = set()
    for row, (name, label) in enumerate(zip(channel, sweeps, strict=True)):
        at = (lines[name], places[label])
        if at in taken:
            raise RecordingError(
                f"sweep {label} is given twice",
                where=f"{path}, line {head.lines + row + 2}",
                do="number the sweeps apart",
            )
        taken.add(at)
        samples[at] = values[row]
    stem = head.value("channel", "channels", "labels") or path.stem
    channels = tuple((name or stem, unit) for name in lines)
    cut = _Cut(channels, samples, _times(columns), _told(path, head, frame, list(first.values())))
    return _recording(path, cut, mapping)


def _count_rows(channel: Sequence[str]) -> list[int]:
    """Number the rows of each channel from 1, where the table numbers no sweeps."""
    seen: dict[str, int] = {}
    counts = []
    for name in channel:
        seen[name] = seen.get(name, 0) + 1
        counts.append(seen[name])
    return counts


def _times(columns: Sequence[str]) -> NDArray[np.float64]:
    return np.array([float(name.replace(",", ".")) for name in columns])


def _recording(path: Path, cut: _Cut, mapping: Mapping) -> Recording:
    mapping.check_channels([name for name, _ in cut.channels], where=path)
    rate_hz = rate_of_times(cut.times_ms, path)
    if not cut.times_ms[0] <= 0 <= cut.times_ms[-1]:
        raise RecordingError(
            "sweeps do not hold the stimulus", where=path, expected="times in ms from the onset of the test pulse, at 0",
            found=f"{cut.times_ms[0]:g} to {cut.times_ms[-1]:g} ms",
        )  # fmt: skip
    onset_sample = int(np.argmin(np.abs(cut.times_ms)))
    _check_samples(path, cut)
    events = tuple(_event(cut, row) for row in range(len(cut.told.rows)))
    untold = not any(cut.told.cell(row, "stim_type") for row in range(len(cut.told.rows)))
    return Recording(
        name=path.name,
        path=str(path),
        channels=tuple(
            make_channel(name, mapping.channel(name).kind or "emg", unit, rate_hz, mapping)
            for name, unit in cut.channels
        ),
        events=events,
        signals=HeldSweeps(
            cut.samples_uv.astype(np.float32), rate_hz, onset_sample, float(0.0 - cut.times_ms[onset_sample])
        ),
        participant=mapping.participant or _one(cut.told, "participant") or path.stem,
        session=mapping.session or _one(cut.told, "session"),
        task=_one(cut.told, "task"),
        run=_one(cut.told, "run"),
        notes=(*((TYPES_UNTOLD,) if untold else ()), *mapping.notes),
    )


def _one(told: Sheet, name: str) -> str:
    said = sorted({told.cell(row, name) for row in range(len(told.rows))} - {""})
    if len(said) > 1:
        raise RecordingError(
            f"table holds more than one {name}", where=told.path, expected="one", found=", ".join(said[:4]),
            do="write a table for each",
        )  # fmt: skip
    return said[0] if said else ""


def _check_samples(path: Path, cut: _Cut) -> None:
    """Refuse holes inside sweeps (their ends may be shorter) and channels that never move."""
    held = np.isfinite(cut.samples_uv)
    first, last = held.argmax(axis=2), held.shape[2] - 1 - held[:, :, ::-1].argmax(axis=2)
    holes = held.any(axis=2) & (held.sum(axis=2) != last - first + 1)
    if holes.any():
        channel, sweep = (int(index[0]) for index in np.nonzero(holes))
        raise RecordingError(
            f"sample is missing within a sweep of channel {cut.channels[channel][0]}",
            where=cut.told.place(sweep), expected="sweeps without holes",
        )  # fmt: skip
    for (name, _), samples in zip(cut.channels, cut.samples_uv, strict=True):
        if not np.isfinite(samples).any():
            raise RecordingError(f"channel {name} holds no samples", where=path, expected="numbers")
        if np.nanmin(samples) == np.nanmax(samples):
            raise RecordingError(
                f"channel {name} is constant", where=path, expected="a signal that moves",
                found=f"{np.nanmin(samples):g} uV throughout", do="check its electrode, or leave the channel out",
            )  # fmt: skip


def _event(cut: _Cut, row: int) -> StimulusEvent:
    kind = cut.told.cell(row, "stim_type") or untold_type(cut.told, row)
    event = read_stimulus(cut.told, row, kind=kind, sweep=row + 1, onset_s=cut.told.number(row, "onset_s"))
    recorded = np.isfinite(cut.samples_uv[:, row]).any(axis=1)
    if len(cut.channels) > 1 and recorded.sum() == 1:
        return replace(event, muscle=cut.channels[int(recorded.argmax())][0])
    return event


def _told(path: Path, head: TextHead, frame: pd.DataFrame, rows: Sequence[int] | NDArray[np.int64]) -> Sheet:
    """Return what the first rows of the sweeps say beside their samples."""
    columns = [name for name in frame.columns if name in _TOLD]
    chosen = frame[columns].iloc[list(rows)].fillna("").astype(str)
    return Sheet(
        path=path,
        comments=(),
        columns=tuple(columns),
        rows=tuple(chosen.itertuples(index=False, name=None)),
        lines=tuple(int(row) + head.lines + 2 for row in rows),
        decimal_comma=head.decimal_comma,
    )


def _texts(frame: pd.DataFrame, name: str) -> list[str]:
    """Return a column as text, empty where a cell is missing or the column is absent."""
    if name not in frame.columns:
        return [""] * len(frame)
    return [cell.strip() for cell in frame[name].fillna("").astype(str)]
