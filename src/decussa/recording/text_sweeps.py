"""Sweeps that were already cut, from a text table: long (a row for each sample) or wide (a row for each sweep)."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decussa.model.errors import RecordingError
from decussa.model.muscle import muscle_and_side
from decussa.model.recording import Channel, Recording, StimulusEvent
from decussa.model.stimulus import STIMULUS_TYPES, StimulusType
from decussa.model.units import microvolt_factor
from decussa.recording.held_signals import HeldSweeps
from decussa.recording.sheet import MISSING
from decussa.recording.stimulus_text import build_stimulus
from decussa.recording.text_head import TextHead, numbers, read_frame
from decussa.recording.text_times import rate_of_times, split_unit

_TEXTS = ("condition", "block", "timepoint", "stim_side", "muscle")
_STRENGTHS = ("intensity_mso", "cond_intensity_mso", "isi_ms", "current_ma")
_TIME = re.compile(r"[-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?")


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """Samples in microvolt, shape (n_channels, n_sweeps, n_samples), NaN where there is none; times in ms; rows that tell."""

    channels: tuple[tuple[str, str], ...]
    samples_uv: NDArray[np.float64]
    times_ms: NDArray[np.float64]
    told: pd.DataFrame


def sample_columns(head: TextHead) -> list[str]:
    """Return the columns of a wide table that are samples: those named by a number."""
    return [name for name in head.columns if _TIME.fullmatch(name)]


def read_long(path: Path, head: TextHead) -> Recording:
    """Read a table with a row for each sample: ``sweep``, ``time_ms`` and a column for each channel."""
    frame = read_frame(path, head).rename(columns=lambda name: name.lower() if name.lower() in _KEYS else name)
    signals = [(name, *split_unit(name)) for name in frame.columns if name not in _KEYS and split_unit(name)[1]]
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
    told = frame.iloc[first].reset_index(drop=True)
    return _recording(
        path, _Cut(tuple((name, unit) for _, name, unit in signals), samples, grid, told), first + head.lines + 2
    )


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


def read_wide(path: Path, head: TextHead) -> Recording:
    """Read a table with a row for each sweep (and ``channel``), and a column for each sample, named by its time in ms."""
    columns = sample_columns(head)
    frame = read_frame(path, head).rename(columns=lambda name: name.lower() if name.lower() in _KEYS else name)
    unit = head.value("unit", "units")
    factor = microvolt_factor(unit, where=f"{path}, comment '# unit: ...'")
    values = numbers(frame, columns, path, lines=head.lines) * factor
    channel = _texts(frame, "channel")
    names = list(dict.fromkeys(channel))
    sweeps = frame["sweep"].to_list() if "sweep" in frame.columns else _count_rows(channel)
    labels = list(dict.fromkeys(sweeps))
    samples = np.full((len(names), len(labels), len(columns)), np.nan)
    told_rows: dict[int, int] = {}
    for row, (name, label) in enumerate(zip(channel, sweeps, strict=True)):
        at = (names.index(name), labels.index(label))
        if told_rows.setdefault(at[0] * len(labels) + at[1], row) != row:
            raise RecordingError(
                f"sweep {label} is given twice",
                where=f"{path}, line {head.lines + row + 2}",
                do="number the sweeps apart",
            )
        samples[at] = values[row]
    first = [sweeps.index(label) for label in labels]
    told = frame.drop(columns=columns).iloc[first].reset_index(drop=True)
    stem = head.value("channel", "channels", "labels") or path.stem
    cut = _Cut(tuple((name or stem, unit) for name in names), samples, _times(columns), told)
    return _recording(path, cut, np.array(first) + head.lines + 2)


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


_KEYS = frozenset({
    "participant", "session", "task", "run", "sweep", "time_ms", "time_s", "channel", "stim_type", "contraction_pct",
    "onset_s", *_TEXTS, *_STRENGTHS,
})  # fmt: skip


def _recording(path: Path, cut: _Cut, lines: NDArray[np.int64]) -> Recording:
    rate_hz = rate_of_times(cut.times_ms, path)
    if not cut.times_ms[0] <= 0 <= cut.times_ms[-1]:
        raise RecordingError(
            "sweeps do not hold the stimulus", where=path, expected="times in ms from the onset of the test pulse, at 0",
            found=f"{cut.times_ms[0]:g} to {cut.times_ms[-1]:g} ms",
        )  # fmt: skip
    onset_sample = int(np.argmin(np.abs(cut.times_ms)))
    _check_samples(path, cut, lines)
    places = [f"{path}, line {line}" for line in lines]
    events = tuple(_event(cut, row, place) for row, place in enumerate(places))
    muscles = [muscle_and_side(name) for name, _ in cut.channels]
    untold = not any(_texts(cut.told, "stim_type"))
    return Recording(
        name=path.name,
        path=str(path),
        channels=tuple(
            Channel(name=name, kind="emg", rate_hz=rate_hz, unit=unit, muscle=muscle, side=side)
            for (name, unit), (muscle, side) in zip(cut.channels, muscles, strict=True)
        ),
        events=events,
        signals=HeldSweeps(
            cut.samples_uv.astype(np.float32), rate_hz, onset_sample, float(0.0 - cut.times_ms[onset_sample])
        ),
        participant=_one(cut.told, "participant", path) or path.stem,
        session=_one(cut.told, "session", path),
        task=_one(cut.told, "task", path),
        run=_one(cut.told, "run", path),
        notes=("no stim_type is given: taken from the interval and the current, else single",) if untold else (),
    )


def _one(told: pd.DataFrame, name: str, path: Path) -> str:
    said = sorted(set(_texts(told, name)) - {""})
    if len(said) > 1:
        raise RecordingError(
            f"table holds more than one {name}", where=path, expected="one", found=", ".join(said[:4]),
            do="write a table for each",
        )  # fmt: skip
    return said[0] if said else ""


def _check_samples(path: Path, cut: _Cut, lines: NDArray[np.int64]) -> None:
    """Refuse holes inside sweeps (their ends may be shorter) and channels that never move."""
    held = np.isfinite(cut.samples_uv)
    first, last = held.argmax(axis=2), held.shape[2] - 1 - held[:, :, ::-1].argmax(axis=2)
    holes = held.any(axis=2) & (held.sum(axis=2) != last - first + 1)
    if holes.any():
        channel, sweep = (int(index[0]) for index in np.nonzero(holes))
        raise RecordingError(
            f"sample is missing within a sweep of channel {cut.channels[channel][0]}",
            where=f"{path}, line {lines[sweep]}", expected="sweeps without holes",
        )  # fmt: skip
    for (name, _), samples in zip(cut.channels, cut.samples_uv, strict=True):
        if not np.isfinite(samples).any():
            raise RecordingError(f"channel {name} holds no samples", where=path, expected="numbers")
        if np.nanmin(samples) == np.nanmax(samples):
            raise RecordingError(
                f"channel {name} is constant", where=path, expected="a signal that moves",
                found=f"{np.nanmin(samples):g} uV throughout", do="check its electrode, or leave the channel out",
            )  # fmt: skip


def _event(cut: _Cut, row: int, place: str) -> StimulusEvent:
    told = cut.told.iloc[[row]]
    values = {name: _number(told, name, place) for name in _STRENGTHS}
    kind = _texts(told, "stim_type")[0].lower() or _guess(values)
    if kind not in STIMULUS_TYPES:
        raise RecordingError(
            "stim_type is not known", where=place, expected=", ".join(STIMULUS_TYPES), found=repr(kind)
        )
    recorded = np.isfinite(cut.samples_uv[:, row]).any(axis=1)
    alone = len(cut.channels) > 1 and recorded.sum() == 1
    texts = {name: _texts(told, name)[0] for name in _TEXTS}
    texts["muscle"] = cut.channels[int(recorded.argmax())][0] if alone else texts["muscle"]
    return StimulusEvent(
        sweep=row + 1,
        onset_s=_number(told, "onset_s", place),
        stimulus=build_stimulus(kind, values, where=place),
        pulse_from="events",
        contraction_pct=_number(told, "contraction_pct", place),
        **texts,
    )


def _guess(values: dict[str, float]) -> StimulusType:
    if not math.isnan(values["isi_ms"]):
        return "paired"
    return "single" if math.isnan(values["current_ma"]) else "nerve"


def _number(told: pd.DataFrame, name: str, place: str) -> float:
    if name not in told.columns or (text := _texts(told, name)[0]) == "":
        return math.nan
    try:
        return float(text.replace(",", "."))
    except ValueError as error:
        raise RecordingError(f"{name} is not a number", where=place, expected="a number", found=repr(text)) from error


def _texts(frame: pd.DataFrame, name: str) -> list[str]:
    """Return a column as text, empty where a cell is missing or the column is absent."""
    if name not in frame.columns:
        return [""] * len(frame)
    cells = ("" if value is None or value != value else str(value).strip() for value in frame[name])
    return ["" if cell.lower() in MISSING else cell for cell in cells]
