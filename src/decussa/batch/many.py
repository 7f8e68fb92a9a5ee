"""Many recordings, one table: the good ones are measured, the bad ones are listed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from decussa.batch.measure import MeasureSettings, empty_trials, measure_recording
from decussa.model.errors import DecussaError, UsageError
from decussa.recording.read import find_recordings, read

#: Called with the recording's number (from 1), how many there are, its path, sweeps done and sweeps in all.
FilesProgress = Callable[[int, int, Path, int, int], None]


@dataclass(frozen=True, slots=True)
class Measured:
    """What became of a batch: the trial table, the recordings that were measured, those that were refused and why."""

    trials: pd.DataFrame
    recordings: tuple[Path, ...]
    refused: tuple[tuple[Path, DecussaError], ...]
    notes: tuple[str, ...]


def measure_files(
    paths: Sequence[str | Path],
    settings: MeasureSettings | None = None,
    *,
    events: Path | None = None,
    progress: FilesProgress | None = None,
) -> Measured:
    """Measure every recording that ``paths`` name (files, BIDS roots or subject folders, globs).

    A recording that cannot be believed is refused with its reason and does not stop the others.

    Raises
    ------
    RecordingError
        If ``paths`` name no recording at all.
    UsageError
        If a sheet of stimuli is given for more than one recording.
    """
    files = find_recordings(paths)
    if events is not None and len(files) != 1:
        raise UsageError("a sheet of stimuli belongs to one recording", expected="one path", found=f"{len(files)}")
    frames: list[pd.DataFrame] = []
    done: list[Path] = []
    refused: list[tuple[Path, DecussaError]] = []
    notes: list[str] = []
    for number, path in enumerate(files, start=1):

        def step(sweep: int, total: int, number: int = number, path: Path = path) -> None:
            if progress is not None:
                progress(number, len(files), path, sweep, total)

        step(0, 0)
        try:
            recording = read(path, events=events)
            frames.append(measure_recording(recording, settings, step))
        except DecussaError as error:
            refused.append((path, error))
            continue
        done.append(path)
        notes.extend(f"{recording.name}: {note}" for note in recording.notes)
    trials = pd.concat(frames, ignore_index=True) if frames else empty_trials()
    return Measured(trials, tuple(done), tuple(refused), tuple(notes))
